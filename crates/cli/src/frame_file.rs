//! Logs of frame times: one row a frame.

use settlepoint_compare::frames::FrameLog;
use settlepoint_import::{Moment, moment};

use crate::args::FrameUnitArg;
use crate::error::Failure;
use crate::readings::{decode, delimiter_of, is_comment};

/// Frame times with how they were read.
pub(crate) struct FrameFile {
    pub(crate) log: FrameLog,
    /// File, column and unit, and whether the unit was guessed.
    pub(crate) how: String,
    /// The same without the file.
    pub(crate) reading: String,
}

/// Reads a log of frame times.
pub(crate) fn read(
    bytes: &[u8],
    file: &str,
    column: Option<&str>,
    unit: Option<FrameUnitArg>,
) -> Result<FrameFile, Failure> {
    let text = decode(bytes, file)?;
    let mut lines = text
        .lines()
        .enumerate()
        .filter(|(_, l)| !l.trim().is_empty() && !is_comment(l))
        .peekable();
    let Some(&(_, first)) = lines.peek() else {
        return Err(Failure::data(format!(
            "{file} is empty; name a log with one row a frame"
        )));
    };
    let delimiter = char::from(delimiter_of(first));
    let cells = |line: &str| -> Vec<String> {
        line.split(delimiter)
            .map(|c| c.trim().trim_matches('"').to_owned())
            .collect()
    };
    let header = cells(first);
    let has_header = header.iter().all(|c| number(c, delimiter).is_none());
    if has_header {
        lines.next();
    }
    let place = place(file, &header, has_header, column)?;
    let mut values = Vec::new();
    for (i, line) in lines {
        let cell = line.split(delimiter).nth(place).unwrap_or("");
        let cell = cell.trim().trim_matches('"');
        let value = number(cell, delimiter).or_else(|| stamp_s(cell)).ok_or_else(|| {
            Failure::data(format!(
                "{file}, line {}, column {}: '{cell}' where a frame time is expected; remove the \
                 line or name the column with --frame-column",
                i + 1,
                place + 1
            ))
        })?;
        values.push(value);
    }
    let name = if has_header {
        header[place].as_str()
    } else {
        ""
    };
    let (unit, reason) = match unit {
        Some(unit) => (unit, "as told"),
        None => unit_of(name, &values),
    };
    let scaled = |factor: f64| values.iter().map(|v| v * factor).collect::<Vec<f64>>();
    let log = match unit {
        FrameUnitArg::Ms => FrameLog::new(scaled(1.0)),
        FrameUnitArg::Us => FrameLog::new(scaled(1e-3)),
        FrameUnitArg::S => FrameLog::new(scaled(1e3)),
        FrameUnitArg::Stamps => FrameLog::from_stamps_s(&values),
        FrameUnitArg::StampsMs => FrameLog::from_stamps_s(&scaled(1e-3)),
        FrameUnitArg::StampsUs => FrameLog::from_stamps_s(&scaled(1e-6)),
    };
    let log = log.map_err(|e| Failure::data(format!("{file}: {e}")))?;
    let unit = match unit {
        FrameUnitArg::Ms => "milliseconds a frame",
        FrameUnitArg::Us => "microseconds a frame",
        FrameUnitArg::S => "seconds a frame",
        FrameUnitArg::Stamps => "time stamps in seconds",
        FrameUnitArg::StampsMs => "time stamps in milliseconds",
        FrameUnitArg::StampsUs => "time stamps in microseconds",
    };
    let reading = format!("column {} read as {unit}, {reason}", place + 1);
    let how = format!("{file}: {reading}");
    Ok(FrameFile { log, how, reading })
}

fn number(cell: &str, delimiter: char) -> Option<f64> {
    let value = if delimiter != ',' && cell.contains(',') {
        cell.replace(',', ".").parse().ok()
    } else {
        cell.parse().ok()
    };
    value.filter(|v: &f64| v.is_finite())
}

/// Seconds of a date with its time, or of a time of day.
fn stamp_s(cell: &str) -> Option<f64> {
    match moment(cell)? {
        Moment::Dated(seconds) | Moment::OfDay(seconds) => Some(seconds),
        _ => None,
    }
}

/// Words that a column of frame times has in its name.
const WORDS: [&str; 4] = ["frame time", "frame_time", "frametime", "time"];

fn place(
    file: &str,
    header: &[String],
    has_header: bool,
    column: Option<&str>,
) -> Result<usize, Failure> {
    let named = |name: &str| header.iter().position(|h| h.eq_ignore_ascii_case(name));
    if let Some(column) = column {
        let by_number = || {
            let number: usize = column.parse().ok()?;
            (1..=header.len()).contains(&number).then(|| number - 1)
        };
        return named(column).or_else(by_number).ok_or_else(|| {
            Failure::usage(format!(
                "{file} has no column '{column}'; its columns are {}",
                header.join(", ")
            ))
        });
    }
    if header.len() == 1 {
        return Ok(0);
    }
    let by_word = WORDS.iter().find_map(|word| {
        header
            .iter()
            .position(|h| has_header && h.to_lowercase().contains(word))
    });
    by_word.ok_or_else(|| {
        Failure::usage(format!(
            "{file} has {} columns; name that of the frame times with --frame-column",
            header.len()
        ))
    })
}

/// Rows from which rising values are time stamps: so many frames do not each take longer than the one
/// before (by chance once in 20!).
const LEAST_RISING: usize = 20;

/// The unit from the header's last word, or else from the values.
fn unit_of(name: &str, values: &[f64]) -> (FrameUnitArg, &'static str) {
    let lower = name.to_lowercase();
    let last = lower
        .split(|c: char| !c.is_alphanumeric() && c != 'µ')
        .rfind(|w| !w.is_empty())
        .unwrap_or("");
    let by_name = match last {
        "ms" | "msec" | "milliseconds" => Some(FrameUnitArg::Ms),
        "us" | "µs" | "usec" | "microseconds" => Some(FrameUnitArg::Us),
        "s" | "sec" | "seconds" => Some(FrameUnitArg::S),
        _ => None,
    };
    if values.len() >= LEAST_RISING && values.windows(2).all(|w| w[1] > w[0]) {
        return (
            stamps_in(by_name, values),
            "since they rise from row to row",
        );
    }
    if matches!(last, "stamp" | "timestamp" | "stamps") {
        return (stamps_in(None, values), "by its header");
    }
    if let Some(unit) = by_name {
        return (unit, "by its header");
    }
    let mean = values.iter().sum::<f64>() / values.len().max(1) as f64;
    // Frames take from a fraction of a millisecond to a tenth of a second or so.
    if mean >= 500.0 {
        (FrameUnitArg::Us, "guessed from their size")
    } else if mean >= 0.3 {
        (FrameUnitArg::Ms, "guessed from their size")
    } else {
        (FrameUnitArg::S, "guessed from their size")
    }
}

/// Unit of rising time stamps: that of the header or else, from their mean step, that in which a
/// frame takes from a fifth of a millisecond to a fifth of a second.
fn stamps_in(by_name: Option<FrameUnitArg>, values: &[f64]) -> FrameUnitArg {
    let steps = values.len().saturating_sub(1).max(1) as f64;
    let ends = values.first().zip(values.last());
    let step = ends.map_or(0.0, |(first, last)| (last - first) / steps);
    match by_name {
        Some(FrameUnitArg::Ms) => FrameUnitArg::StampsMs,
        Some(FrameUnitArg::Us) => FrameUnitArg::StampsUs,
        None if step >= 200.0 => FrameUnitArg::StampsUs,
        None if step >= 0.2 => FrameUnitArg::StampsMs,
        _ => FrameUnitArg::Stamps,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mean_ms(text: &str) -> f64 {
        read(text.as_bytes(), "f.csv", None, None)
            .unwrap()
            .log
            .mean_ms()
    }

    fn rows(header: &str, row: impl Fn(u32) -> String) -> String {
        let rows: Vec<String> = (0..120).map(row).collect();
        format!("{header}{}\n", rows.join("\n"))
    }

    #[test]
    fn units_come_from_header_size_or_rise() {
        let even = |i: u32| f64::from(i % 2);
        for (text, what) in [
            (
                rows("frame_time_ms\n", |i| format!("{}", 8.0 + even(i))),
                "ms",
            ),
            (
                rows("frame,frame time (us)\n", |i| {
                    format!("{i},{}", 8000.0 + 1000.0 * even(i))
                }),
                "us",
            ),
            (rows("", |i| format!("{}", 0.008 + 0.001 * even(i))), "s"),
            (
                rows("", |i| {
                    format!("{}", 0.0085 * f64::from(i) + 0.001 * even(i))
                }),
                "stamps",
            ),
            (
                rows("time (ms)\n", |i| {
                    format!("{}", 8.5 * f64::from(i) + even(i))
                }),
                "stamps in ms by header",
            ),
            (
                rows("", |i| format!("{}", 8500 * i + 1000 * (i % 2))),
                "stamps in us by size",
            ),
            (
                rows("stamp\n", |i| {
                    format!(
                        "2026-03-01 10:00:{:09.6}",
                        0.0085 * f64::from(i) + 0.001 * even(i)
                    )
                }),
                "dates",
            ),
        ] {
            assert!(
                (mean_ms(&text) - 8.5).abs() < 0.02,
                "{what}: {}",
                mean_ms(&text)
            );
        }
    }

    #[test]
    fn a_bad_cell_names_its_line_and_an_open_choice_its_columns() {
        let text = rows("ms\n", |i| if i == 5 { "late".into() } else { "8".into() });
        let error = read(text.as_bytes(), "f.csv", None, None).err().unwrap();
        assert!(error.message.contains("line 7"), "{error}");
        let error = read(b"a,b\n1,2\n", "f.csv", None, None).err().unwrap();
        assert!(error.message.contains("--frame-column"), "{error}");
    }
}
