//! `report`.

use std::path::{Path, PathBuf};

use serde_json::json;
use settlepoint_report::{html, markdown};
use settlepoint_views::gather;
use settlepoint_views::report::{Report, Topic, Wish, report as put_together};

use crate::args::{ReportArgs, SectionArg};
use crate::commands::choose::constraints;
use crate::error::{Failure, with_path};
use crate::view::Answer;

/// `settlepoint report`.
pub(crate) fn report(args: &ReportArgs) -> Result<Answer, Failure> {
    let as_markdown = is_markdown(args)?;
    check_folder(&args.output)?;
    let wish = wish(args)?;
    let book = gather::open(&args.pick.notebook)?;
    let report = put_together(&book, &wish)?;
    let files = if as_markdown {
        write_markdown(&report, &args.output)?
    } else {
        write(&args.output, html(&report).as_bytes())?;
        vec![args.output.clone()]
    };
    Ok(answer(&report, &files))
}

/// From the file's name, unless `--md` says so.
fn is_markdown(args: &ReportArgs) -> Result<bool, Failure> {
    let end = args
        .output
        .extension()
        .and_then(|e| e.to_str())
        .unwrap_or("");
    match end.to_ascii_lowercase().as_str() {
        _ if args.md => Ok(true),
        "md" | "markdown" => Ok(true),
        "html" | "htm" => Ok(false),
        _ => Err(Failure::usage(format!(
            "{}: give a file that ends in .html or .md",
            args.output.display()
        ))),
    }
}

/// A report takes a while: a folder that is not there is told before.
fn check_folder(output: &Path) -> Result<(), Failure> {
    let folder = output.parent().filter(|f| !f.as_os_str().is_empty());
    match folder {
        Some(folder) if !folder.is_dir() => Err(with_path(
            output,
            "write",
            &std::io::ErrorKind::NotFound.into(),
        )),
        _ => Ok(()),
    }
}

fn wish(args: &ReportArgs) -> Result<Wish, Failure> {
    let notebook = args.pick.notebook.file_name();
    Ok(Wish {
        pick: args.pick.pick()?,
        bounds: constraints(args.room.unwrap_or(f64::NAN), &args.bounds)?,
        workload: args.workload.clone(),
        without: args.without.iter().map(|s| topic(*s)).collect(),
        anonymous: args.anonymous,
        version: env!("CARGO_PKG_VERSION").to_owned(),
        notebook: notebook.map_or_else(String::new, |n| n.to_string_lossy().into_owned()),
    })
}

fn topic(section: SectionArg) -> Topic {
    match section {
        SectionArg::Summary => Topic::Summary,
        SectionArg::Conditions => Topic::Conditions,
        SectionArg::Method => Topic::Method,
        SectionArg::Runs => Topic::Runs,
        SectionArg::Findings => Topic::Findings,
        SectionArg::Models => Topic::Models,
        SectionArg::HeldOut => Topic::HeldOut,
        SectionArg::Choice => Topic::Choice,
        SectionArg::Comparisons => Topic::Comparisons,
        SectionArg::Unknown => Topic::Unknown,
    }
}

/// The text, and its charts in a folder beside it that bears its name.
fn write_markdown(report: &Report, output: &Path) -> Result<Vec<PathBuf>, Failure> {
    let stem = output.file_stem().unwrap_or_default().to_string_lossy();
    let name = format!("{stem}-charts");
    let page = markdown(report, &name);
    let mut files = vec![output.to_path_buf()];
    write(output, page.text.as_bytes())?;
    if page.charts.is_empty() {
        return Ok(files);
    }
    let folder = output.with_file_name(&name);
    std::fs::create_dir_all(&folder).map_err(|e| with_path(&folder, "write", &e))?;
    for (file, svg) in &page.charts {
        let path = folder.join(file);
        write(&path, svg.as_bytes())?;
        files.push(path);
    }
    Ok(files)
}

fn write(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    std::fs::write(path, bytes).map_err(|e| with_path(path, "write", &e))
}

fn answer(report: &Report, files: &[PathBuf]) -> Answer {
    let sections: Vec<&str> = report.sections.iter().map(|s| s.topic.token()).collect();
    let names: Vec<String> = files.iter().map(|f| f.display().to_string()).collect();
    let text = match names.as_slice() {
        [only] => format!("wrote {only}\n"),
        [first, rest @ ..] => format!("wrote {first} and {} charts beside it\n", rest.len()),
        [] => String::new(),
    };
    Answer::new(
        json!({
            "schema": "settlepoint.report/1",
            "file": names.first(),
            "files": names,
            "sections": sections,
        }),
        text,
    )
}
