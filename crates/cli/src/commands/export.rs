//! `export` and `merge`.

use std::path::PathBuf;

use serde_json::json;
use settlepoint_notebook::Notebook;

use crate::args::{ExportArgs, ExportForm};
use crate::error::Failure;
use crate::view::Answer;

/// `settlepoint export`.
pub(crate) fn export(args: &ExportArgs) -> Result<Answer, Failure> {
    let book = Notebook::open_read_only(&args.notebook)?;
    let written = match args.form {
        ExportForm::Csv => book.export_csv(&args.to)?,
        ExportForm::Json => book.export_json(&args.to)?,
    };
    let files: Vec<String> = written.files.iter().map(|f| f.display().to_string()).collect();
    Ok(Answer::new(
        json!({
            "schema": "settlepoint.export/1",
            "folder": args.to.display().to_string(),
            "files": files,
            "counts": { "runs": written.runs, "logs": written.logs },
        }),
        format!("wrote {} files to {}\n", files.len(), args.to.display()),
    ))
}

/// `settlepoint merge`.
pub(crate) fn merge(into: &PathBuf, from: &[PathBuf]) -> Result<Answer, Failure> {
    let book = Notebook::open(into)?;
    let mut rows = Vec::new();
    let mut text = String::new();
    for path in from {
        let other = Notebook::open_read_only(path)?;
        let merged = book.merge_from(&other)?;
        text += &format!("{}: {merged}\n", path.display());
        rows.push(json!({ "from": path.display().to_string(), "result": merged.to_string() }));
    }
    Ok(Answer::new(json!({ "schema": "settlepoint.merge/1", "merged": rows }), text))
}
