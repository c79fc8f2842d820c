//! `compare --frames`.

use std::path::PathBuf;

use serde_json::{Value, json};
use settlepoint_compare::Verdict;
use settlepoint_compare::frames::{
    FrameComparison, FrameOptions, FramesCompared, Metric, compare_frames,
};
use settlepoint_stats::two_sample::holm;
use settlepoint_views::compared::Side;

use crate::args::CompareArgs;
use crate::error::Failure;
use crate::frame_file;
use crate::log_file;
use crate::view::{Answer, estimate, number, signed, table};

/// Reads the recordings and compares each name with the first.
pub(crate) fn compare(args: &CompareArgs) -> Result<Answer, Failure> {
    if !args.names.is_empty() {
        return Err(Failure::usage(
            "with --frames no notebook is read; leave its name out",
        ));
    }
    let (sides, how) = read(args)?;
    let [base, others @ ..] = sides.as_slice() else {
        return Err(Failure::usage(
            "give --frames NAME=FILE for a base and for another",
        ));
    };
    if others.is_empty() {
        return Err(Failure::usage(
            "give --frames NAME=FILE once more, for what to compare with",
        ));
    }
    let options = FrameOptions {
        margin_pct: args.margin.unwrap_or(1.0),
        ..FrameOptions::default()
    };
    let compared: Vec<(&Side, FramesCompared)> = others
        .iter()
        .map(|other| {
            compare_frames(&base.logs, &other.logs, &options)
                .map(|c| (other, c))
                .map_err(|e| Failure::data(format!("{} against {}: {e}", other.name, base.name)))
        })
        .collect::<Result<_, _>>()?;
    let long: Vec<Value> = sides
        .iter()
        .map(|s| long_json(s, None, args.long_frame))
        .collect();
    Ok(Answer::new(
        json_of(base, &compared, &long, &how),
        text_of(base, &compared, &sides, &how, args.long_frame),
    ))
}

fn read(args: &CompareArgs) -> Result<(Vec<Side>, Vec<String>), Failure> {
    let (mut sides, mut how): (Vec<Side>, Vec<String>) = (Vec::new(), Vec::new());
    for text in &args.frames {
        let Some((name, file)) = text.split_once('=') else {
            return Err(Failure::usage(format!(
                "--frames {text}: give a name, '=' and a file"
            )));
        };
        let bytes = log_file::bytes(&PathBuf::from(file))?;
        let read = frame_file::read(&bytes, file, args.frame_column.as_deref(), args.frame_unit)?;
        how.push(read.how);
        match sides.iter_mut().find(|s| s.name == name) {
            Some(side) => side.logs.push(read.log),
            None => sides.push(Side {
                name: name.to_owned(),
                logs: vec![read.log],
            }),
        }
    }
    Ok((sides, how))
}

/// Frames, and those longer than twice the median or than a given time.
pub(crate) fn long_json(side: &Side, workload: Option<&str>, long_ms: Option<f64>) -> Value {
    let frames: usize = side.logs.iter().map(|l| l.times_ms().len()).sum();
    let mut value = json!({
        "name": side.name,
        "recordings": side.logs.len(),
        "frames": frames,
        "longer_than_twice_the_median": twice(side),
    });
    if let Some(workload) = workload {
        value["workload"] = json!(workload);
    }
    if let Some(limit_ms) = long_ms {
        value["limit_ms"] = number(limit_ms);
        value["longer_than_limit"] = json!(longer(side, limit_ms));
    }
    value
}

fn twice(side: &Side) -> usize {
    side.logs
        .iter()
        .map(|l| l.longer_than(2.0 * l.median_ms()))
        .sum()
}

fn longer(side: &Side, limit_ms: f64) -> usize {
    side.logs.iter().map(|l| l.longer_than(limit_ms)).sum()
}

fn json_of(
    base: &Side,
    compared: &[(&Side, FramesCompared)],
    long: &[Value],
    how: &[String],
) -> Value {
    let p: Vec<f64> = compared
        .iter()
        .flat_map(|(_, c)| c.rows.iter().map(|r| r.p_difference))
        .collect();
    let adjusted = holm(&p);
    let mut p_holm = adjusted.iter();
    let rows: Vec<Value> = compared
        .iter()
        .flat_map(|(other, c)| c.rows.iter().map(move |row| (other, row)))
        .map(|(other, row)| {
            let workload = row.metric.token();
            row_json(
                &workload,
                &base.name,
                &other.name,
                row,
                p_holm.next().copied(),
            )
        })
        .collect();
    let all = || compared.iter().flat_map(|(_, c)| &c.rows);
    json!({
        "schema": "settlepoint.compare/1",
        "rows": rows,
        "overall": {
            "any_differs": adjusted.iter().any(|p| *p <= 0.05),
            "same_everywhere": all().all(|r| r.verdict == Verdict::Same),
            "method": compared.iter().map(|(_, c)| c.method.clone()).collect::<Vec<_>>(),
            "between_recordings": compared.iter().all(|(_, c)| c.between_recordings),
        },
        "frames": long,
        "read": how,
    })
}

/// One metric of two sides as a row of the answer.
pub(crate) fn row_json(
    workload: &str,
    base: &str,
    other: &str,
    row: &FrameComparison,
    p_holm: Option<f64>,
) -> Value {
    json!({
        "workload": workload,
        "metric": row.metric.token(),
        "base": base,
        "other": other,
        "base_value": estimate(row.base),
        "other_value": estimate(row.other),
        "ratio": estimate(row.ratio),
        "interval_95": [number(row.interval_95.0), number(row.interval_95.1)],
        "p_difference": number(row.p_difference),
        "p_holm": p_holm.map_or(Value::Null, number),
        "verdict": row.verdict.token(),
        "repeats_needed": null,
        "needs": row.needs,
    })
}

/// The table of one pair, under what is compared and how.
pub(crate) fn pair_text(title: &str, base: &str, other: &str, compared: &FramesCompared) -> String {
    let rows: Vec<Vec<String>> = compared.rows.iter().map(cells).collect();
    let header = ["frames", base, other, "change", "90 %", "verdict"];
    format!("\n{title}: {}\n{}", compared.method, table(&header, &rows))
}

/// How many frames a side has, and how many are long.
pub(crate) fn long_text(side: &Side, long_ms: Option<f64>) -> String {
    let frames: usize = side.logs.iter().map(|l| l.times_ms().len()).sum();
    let mut out = format!(
        "{}: {frames} frames, {} longer than twice the median",
        side.name,
        twice(side)
    );
    if let Some(limit_ms) = long_ms {
        out += &format!(", {} longer than {limit_ms} ms", longer(side, limit_ms));
    }
    out + "\n"
}

fn text_of(
    base: &Side,
    compared: &[(&Side, FramesCompared)],
    sides: &[Side],
    how: &[String],
    long_ms: Option<f64>,
) -> String {
    let mut out: String = how.iter().map(|line| format!("{line}\n")).collect();
    for (other, c) in compared {
        let title = format!("{} against {}", other.name, base.name);
        out += &pair_text(&title, &base.name, &other.name, c);
    }
    out += "\n";
    for side in sides {
        out += &long_text(side, long_ms);
    }
    out
}

fn cells(row: &FrameComparison) -> Vec<String> {
    let percent = |ratio: f64| format!("{} %", signed(100.0 * (ratio - 1.0), 2));
    let name = match row.metric {
        Metric::MeanRate => "mean rate, 1/s".to_owned(),
        Metric::Exceeded(share) => format!("time exceeded by {} %, ms", 100.0 * share),
    };
    let verdict = row.verdict.token().replace('_', " ");
    vec![
        name,
        format!("{:.2}", row.base.value),
        format!("{:.2}", row.other.value),
        percent(row.ratio.value),
        if row.ratio.hi.is_finite() {
            format!("{} to {}", percent(row.ratio.lo), percent(row.ratio.hi))
        } else {
            "-".to_owned()
        },
        match &row.needs {
            Some(needs) => format!("{verdict}; needs {needs}"),
            None => verdict,
        },
    ]
}
