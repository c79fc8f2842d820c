//! `review`.

use std::io::Read as _;
use std::path::Path;

use serde_json::json;
use settlepoint_phases::{Options, analyse};
use settlepoint_views::facts::{self, Reviewed};
use settlepoint_views::gather;

use crate::args::ReviewArgs;
use crate::commands::inspect::severity;
use crate::error::Failure;
use crate::log_file;
use crate::view::{Answer, excluded_json, excluded_text, findings, findings_text};

/// `settlepoint review`: the answer, and whether a finding is forbidden by `--deny`.
pub(crate) fn review(args: &ReviewArgs) -> Result<(Answer, bool), Failure> {
    let deny = args.deny.as_deref().map(severity).transpose()?;
    let mut reviewed = if is_notebook(&args.file) {
        facts::of_notebook(&gather::open(&args.file)?)?
    } else {
        of_log(args)?
    };
    reviewed
        .findings
        .sort_by_key(|f| std::cmp::Reverse(f.severity));
    let denied = deny.is_some_and(|d| reviewed.findings.iter().any(|f| f.severity >= d));
    Ok((answer(&reviewed), denied))
}

/// The first bytes of a notebook.
const NOTEBOOK: &[u8] = b"SQLite format 3\0";

fn is_notebook(path: &Path) -> bool {
    let mut start = [0; NOTEBOOK.len()];
    let read = std::fs::File::open(path).and_then(|mut file| file.read_exact(&mut start));
    let by_name = path.extension().is_some_and(|e| e == "settle");
    by_name || (read.is_ok() && start == NOTEBOOK)
}

fn of_log(args: &ReviewArgs) -> Result<Reviewed, Failure> {
    let read = log_file::read(&args.file, &args.read)?;
    log_file::save_recipe(&args.read, &read)?;
    let mut findings = read.imported.findings.clone();
    let options = Options { room_c: args.room };
    findings.extend(analyse(&read.imported.log, &options).findings);
    Ok(Reviewed {
        findings,
        excluded: Vec::new(),
        what: format!("a log of {} rows", read.imported.log.len()),
    })
}

fn answer(reviewed: &Reviewed) -> Answer {
    let json = json!({
        "schema": "settlepoint.review/1",
        "reviewed": reviewed.what,
        "findings": findings(&reviewed.findings),
        "excluded": excluded_json(&reviewed.excluded),
    });
    let mut text = match reviewed.findings.len() {
        0 => format!("{}: nothing found\n", reviewed.what),
        1 => format!("{}: 1 finding\n", reviewed.what),
        n => format!("{}: {n} findings\n", reviewed.what),
    };
    text += &findings_text(&reviewed.findings);
    text += &excluded_text(&reviewed.excluded);
    Answer::new(json, text)
}
