//! Numbers as JSON and as text. The domain's types are not serialised themselves, so that the
//! contract of the output stands in one place.

use serde_json::{Value, json};
use settlepoint_domain::{Estimate, Figure, Finding, LimitValue};

/// What a command says, in both forms.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) json: Value,
    pub(crate) text: String,
}

impl Answer {
    pub(crate) fn new(json: Value, text: impl Into<String>) -> Self {
        Self {
            json,
            text: text.into(),
        }
    }
}

/// A number for JSON: not finite becomes null. Rounded to nine significant digits, which is more
/// than any estimate carries and keeps the output readable.
pub(crate) fn number(value: f64) -> Value {
    if !value.is_finite() {
        return Value::Null;
    }
    let text = format!("{value:.8e}");
    text.parse::<f64>().map_or(Value::Null, Value::from)
}

pub(crate) fn optional(value: Option<f64>) -> Value {
    value.map_or(Value::Null, number)
}

pub(crate) fn estimate(e: Estimate) -> Value {
    json!({
        "value": number(e.value),
        "lo": number(e.lo),
        "hi": number(e.hi),
        "basis": e.basis.token(),
    })
}

pub(crate) fn optional_estimate(e: Option<Estimate>) -> Value {
    e.map_or(Value::Null, estimate)
}

pub(crate) fn figure(f: &Figure) -> Value {
    match f {
        Figure::Known(e) => estimate(*e),
        Figure::Unknown { needs } => json!({ "value": null, "needs": needs }),
    }
}

pub(crate) fn limit(value: LimitValue) -> Value {
    match value {
        LimitValue::Value(v) => number(v),
        LimitValue::Unknown => Value::Null,
        other => Value::from(other.to_string()),
    }
}

pub(crate) fn findings(list: &[Finding]) -> Value {
    list.iter()
        .map(|f| {
            json!({
                "rule": f.rule,
                "severity": f.severity.token(),
                "run": f.run,
                "evidence": f.evidence,
                "remedy": f.remedy,
            })
        })
        .collect()
}

/// Findings as lines: severity, rule, evidence, remedy.
pub(crate) fn findings_text(list: &[Finding]) -> String {
    list.iter()
        .map(|f| {
            let run = f
                .run
                .as_ref()
                .map_or(String::new(), |r| format!(" run {r}:"));
            format!(
                "{} {}:{run} {}. {}.\n",
                f.severity.token(),
                f.rule,
                f.evidence,
                f.remedy
            )
        })
        .collect()
}

/// "81.2 (79.9 to 82.6)" with this many decimals.
pub(crate) fn span(e: Estimate, decimals: usize) -> String {
    format!(
        "{:.decimals$} ({:.decimals$} to {:.decimals$})",
        e.value, e.lo, e.hi
    )
}

pub(crate) fn figure_span(f: &Figure, decimals: usize) -> String {
    match f {
        Figure::Known(e) => span(*e, decimals),
        Figure::Unknown { needs } => format!("not known; needs {needs}"),
    }
}

/// Rows under a header, columns aligned: numbers to the right, words to the left.
pub(crate) fn table(header: &[&str], rows: &[Vec<String>]) -> String {
    let width = |i: usize| {
        rows.iter()
            .map(|r| r.get(i).map_or(0, |c| c.chars().count()))
            .chain([header[i].chars().count()])
            .max()
            .unwrap_or(0)
    };
    let numeric = |i: usize| {
        rows.iter().filter_map(|r| r.get(i)).all(|c| {
            c.is_empty()
                || c == "-"
                || c.starts_with(|x: char| x.is_ascii_digit() || x == '-' || x == '+')
        })
    };
    let columns: Vec<(usize, bool)> = (0..header.len()).map(|i| (width(i), numeric(i))).collect();
    let line = |cells: &[String]| {
        let mut text = String::new();
        for (cell, &(width, right)) in cells.iter().zip(&columns) {
            let pad = " ".repeat(width.saturating_sub(cell.chars().count()));
            if right {
                text += &format!("{pad}{cell}  ");
            } else {
                text += &format!("{cell}{pad}  ");
            }
        }
        text.trim_end().to_owned() + "\n"
    };
    let head: Vec<String> = header.iter().map(|&h| h.to_owned()).collect();
    std::iter::once(line(&head))
        .chain(rows.iter().map(|r| line(r)))
        .collect()
}

/// A value with a fixed number of decimals, or "-".
pub(crate) fn cell(value: Option<f64>, decimals: usize) -> String {
    value.map_or_else(|| "-".to_owned(), |v| format!("{v:.decimals$}"))
}
