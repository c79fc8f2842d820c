//! Numbers as JSON and as text. The domain's types are not serialised themselves, so that the
//! contract of the output stands in one place.

use serde_json::{Value, json};
use settlepoint_domain::{Estimate, Figure, Finding, LimitValue};
pub(crate) use settlepoint_views::listed::listed;
pub(crate) use settlepoint_views::text::{bullets, fixed, signed, span};
use settlepoint_views::words::sentence;

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
    // Adding 0 turns -0 into 0.
    text.parse::<f64>()
        .map_or(Value::Null, |v| Value::from(v + 0.0))
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
                "{} {}:{run} {} {}\n",
                f.severity.token(),
                f.rule,
                sentence(&f.evidence),
                sentence(&f.remedy)
            )
        })
        .collect()
}

/// The same with its unit (blank for a plain number), or what would tell it.
pub(crate) fn figure_span(f: &Figure, decimals: usize, unit: &str) -> String {
    match f {
        Figure::Known(e) if unit.is_empty() => span(*e, decimals),
        Figure::Known(e) => format!("{} {unit}", span(*e, decimals)),
        Figure::Unknown { needs } => format!("not known; needs {needs}"),
    }
}

/// Columns that a text takes on a terminal: East Asian wide characters (Unicode Standard Annex 11,
/// the blocks that matter in names) take two, combining marks none.
fn columns_of(text: &str) -> usize {
    text.chars()
        .map(|c| match u32::from(c) {
            0x0300..=0x036f | 0x200b..=0x200f | 0xfe00..=0xfe0f => 0,
            0x1100..=0x115f
            | 0x2e80..=0x303e
            | 0x3041..=0xa4cf
            | 0xac00..=0xd7a3
            | 0xf900..=0xfaff
            | 0xfe30..=0xfe6f
            | 0xff00..=0xff60
            | 0xffe0..=0xffe6
            | 0x1f300..=0x1f64f
            | 0x1f900..=0x1f9ff
            | 0x20000..=0x3fffd => 2,
            _ => 1,
        })
        .sum()
}

/// Text for a terminal: control characters that a file's names may hold are shown, not obeyed.
pub(crate) fn printable(text: &str) -> String {
    text.chars()
        .map(|c| match c {
            '\n' | '\t' => c,
            c if c.is_control() => char::REPLACEMENT_CHARACTER,
            c => c,
        })
        .collect()
}

/// Rows under a header, columns aligned: numbers to the right, words to the left.
pub(crate) fn table(header: &[&str], rows: &[Vec<String>]) -> String {
    let width = |i: usize| {
        rows.iter()
            .map(|r| r.get(i).map_or(0, |c| columns_of(c)))
            .chain([columns_of(header[i])])
            .max()
            .unwrap_or(0)
    };
    let is_number = |c: &String| c.starts_with(|x: char| x.is_ascii_digit() || "-+".contains(x));
    let numeric = |i: usize| {
        let cells = || rows.iter().filter_map(|r| r.get(i));
        // The first column names the rows, also where all names happen to be numbers.
        i > 0 && cells().all(|c| c.is_empty() || is_number(c)) && cells().any(is_number)
    };
    let columns: Vec<(usize, bool)> = (0..header.len()).map(|i| (width(i), numeric(i))).collect();
    let line = |cells: &[String]| {
        let mut text = String::new();
        for (cell, &(width, right)) in cells.iter().zip(&columns) {
            let pad = " ".repeat(width.saturating_sub(columns_of(cell)));
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
    value.map_or_else(|| "-".to_owned(), |v| fixed(v, decimals))
}

/// Runs left out, with the reason, as keys.
pub(crate) fn excluded_json(excluded: &[(String, String)]) -> Value {
    excluded
        .iter()
        .map(|(run, reason)| json!({ "run": run, "reason": reason }))
        .collect()
}

/// The same, a line each.
pub(crate) fn excluded_text(excluded: &[(String, String)]) -> String {
    excluded
        .iter()
        .map(|(run, reason)| format!("run '{run}' is left out: {reason}\n"))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_has_no_sign_in_json() {
        assert_eq!(number(-0.0).to_string(), "0.0");
    }

    #[test]
    fn wide_names_stay_aligned() {
        let rows = [["静音", "1"], ["fan", "20"]].map(|r| r.map(str::to_owned).to_vec());
        assert_eq!(
            table(&["name", "W"], &rows),
            "name   W\n静音   1\nfan   20\n"
        );
    }
}
