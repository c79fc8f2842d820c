//! `channels`: what can be recorded.

use serde_json::{Value, json};
use settlepoint_bench::{ENERGY_REMEDY, Found, Problem, discover};

use crate::args::ChannelsArgs;
use crate::error::Failure;
use crate::view::{Answer, table};

pub(crate) fn channels(args: &ChannelsArgs) -> Result<Answer, Failure> {
    let found = discover(&args.root)?;
    let list: Value = found.iter().map(as_json).collect();
    let rows: Vec<Vec<String>> = found.iter().map(as_row).collect();
    let mut text = table(&["role", "unit", "part", "id", "label", "why"], &rows);
    text += &remedy(&found);
    Ok(Answer::new(
        json!({
            "schema": "settlepoint.channels/1",
            "root": args.root.display().to_string(),
            "channels": list,
            "remedy": denied(&found).then_some(ENERGY_REMEDY),
        }),
        text,
    ))
}

fn as_json(found: &Found) -> Value {
    json!({
        "id": found.id,
        "role": found.role.token(),
        "unit": found.unit.code(),
        "source": found.source.display().to_string(),
        "label": found.label,
        "part": found.part,
        "reason": found.reason,
        "problem": found.problem.as_ref().map(ToString::to_string),
    })
}

fn as_row(found: &Found) -> Vec<String> {
    let why = match &found.problem {
        Some(problem) => format!("{problem} ({})", found.source.display()),
        None => found.reason.clone(),
    };
    vec![
        found.role.token().to_owned(),
        unit(found),
        found.part.clone(),
        found.id.clone(),
        found.label.clone(),
        why,
    ]
}

/// The unit as people write it.
fn unit(found: &Found) -> String {
    match found.unit.code() {
        "Cel" => "°C".to_owned(),
        "{rpm}" => "rpm".to_owned(),
        "1" | "" => "-".to_owned(),
        other => other.to_owned(),
    }
}

fn denied(found: &[Found]) -> bool {
    found.iter().any(|f| f.problem == Some(Problem::Denied))
}

/// What to do about files that may not be read.
pub(crate) fn remedy(found: &[Found]) -> String {
    let files: Vec<String> = found
        .iter()
        .filter(|f| f.problem == Some(Problem::Denied))
        .map(|f| format!("  {}\n", f.source.display()))
        .collect();
    if files.is_empty() {
        return String::new();
    }
    format!(
        "\nNo permission to read:\n{}{ENERGY_REMEDY}\n",
        files.concat()
    )
}
