//! `export` and `merge`.

use std::path::{Path, PathBuf};

use serde_json::json;
use settlepoint_notebook::Notebook;
use settlepoint_views::gather;

use crate::args::{ExportArgs, ExportForm};
use crate::error::{Failure, with_path};
use crate::interrupt::Writing;
use crate::view::Answer;

/// `settlepoint export`.
pub(crate) fn export(args: &ExportArgs) -> Result<Answer, Failure> {
    let book = gather::open(&args.notebook)?;
    // The folder is written beside its place first; Ctrl-C must not leave that behind.
    let _writing = Writing::begin();
    match args.form {
        ExportForm::Csv => book.export_csv(&args.to)?,
        ExportForm::Json => book.export_json(&args.to)?,
    }
    let mut files: Vec<String> = std::fs::read_dir(&args.to)
        .map_err(|e| with_path(&args.to, "read", &e))?
        .filter_map(|entry| Some(entry.ok()?.file_name().to_string_lossy().into_owned()))
        .collect();
    files.sort();
    let text = format!("wrote {} to {}\n", files.join(", "), args.to.display());
    Ok(Answer::new(
        json!({
            "schema": "settlepoint.export/1",
            "folder": args.to.display().to_string(),
            "files": files,
            "counts": { "runs": book.runs()?.len() },
        }),
        text,
    ))
}

fn same_file(a: &Path, b: &Path) -> bool {
    matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a == b)
}

/// `settlepoint merge`.
pub(crate) fn merge(into: &PathBuf, from: &[PathBuf]) -> Result<Answer, Failure> {
    let book = Notebook::open(into)?;
    // All are opened before the first is copied, so that a mistyped name leaves nothing half done.
    let mut others = Vec::new();
    for path in from {
        if same_file(into, path) {
            return Err(Failure::usage(format!(
                "{} cannot be merged into itself; name another notebook",
                path.display()
            )));
        }
        others.push((path, gather::open(path)?));
    }
    let mut rows = Vec::new();
    let mut text = String::new();
    for (path, other) in &others {
        let report = book.merge_from(other)?;
        let things = if report.added() == 1 {
            "thing"
        } else {
            "things"
        };
        text += &format!("{}: {} {things} added", path.display(), report.added());
        let conflicts: Vec<String> = report
            .conflicts
            .iter()
            .map(|c| {
                format!(
                    "{} differs in {}; what stood here was kept",
                    c.name,
                    c.differs.join(", ")
                )
            })
            .collect();
        for conflict in &conflicts {
            text += &format!("; {conflict}");
        }
        text.push('\n');
        rows.push(json!({
            "from": path.display().to_string(),
            "added": report.added(),
            "conflicts": conflicts,
        }));
    }
    Ok(Answer::new(
        json!({ "schema": "settlepoint.merge/1", "merged": rows }),
        text,
    ))
}
