//! Imports every measured log of a folder that lies beside the project and compares with the facts
//! in its `INDEX.md`. Says how many files it found; without the folder there is nothing to compare.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that reports what it found"
)]

use std::path::{Path, PathBuf};

use settlepoint_import::{ImportOptions, Imported, import};

fn folder() -> Option<PathBuf> {
    let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data/real");
    let named = std::env::var_os("SETTLEPOINT_REAL_LOGS").map(PathBuf::from);
    named
        .or(Some(beside))
        .filter(|folder| folder.join("INDEX.md").is_file())
}

/// What the files themselves cannot tell.
fn stated(file: &str) -> &'static [&'static str] {
    match file {
        "transistor-heater-kelvin-noheader.csv" => &["temperature=col 3@K"],
        "room-multisensor-with-cpu-temp-14days.csv" => &["temperature=col 10", "room=col 2"],
        "ir-camera-cooldown-two-regions.asc" => &["temperature=col 6", "temperature=col 8"],
        "machine-temp-clock-set-back.csv" => &["temperature=value@Cel"],
        "board-tx1-kernel-power-temp.txt" => &["time=col 1@ms"],
        "server-ac-vs-counter-power-phases.tsv" => &["time=begin@ps"],
        _ => &[],
    }
}

/// One statement of the index: a column with mean, least, greatest and missing.
struct Fact {
    column: String,
    mean: f64,
    range: Option<(f64, f64)>,
    missing: Option<usize>,
}

struct Facts {
    file: String,
    rows: u64,
    span_s: Option<f64>,
    columns: Vec<Fact>,
}

fn between<'a>(text: &'a str, open: &str, close: &str) -> Option<&'a str> {
    let from = text.find(open)? + open.len();
    let to = text[from..].find(close)? + from;
    Some(&text[from..to])
}

fn number_after(text: &str, word: &str) -> Option<f64> {
    let rest = text[text.find(word)? + word.len()..].trim_start();
    let end = rest
        .find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | '-' | 'e')))
        .unwrap_or(rest.len());
    rest[..end].trim_end_matches('.').parse().ok()
}

fn facts(index: &str) -> Vec<Facts> {
    let mut out = Vec::new();
    for line in index.lines().filter(|l| l.starts_with("| `")) {
        let cells: Vec<&str> = line.split(" | ").collect();
        let Some(last) = cells.last().filter(|c| c.contains("data rows")) else {
            continue;
        };
        let file = between(cells[0], "`", "`").unwrap().to_owned();
        let rows = between(last, "**", "**").unwrap().parse().unwrap();
        let span_s = between(last, "span **", "**").unwrap().parse().ok();
        let columns = last.split(';').filter_map(fact).collect();
        out.push(Facts {
            file,
            rows,
            span_s,
            columns,
        });
    }
    out
}

fn fact(text: &str) -> Option<Fact> {
    if text.contains("without") {
        return None;
    }
    let column = between(text, "`", "`")?.to_owned();
    let mean = number_after(text, "` mean")?;
    let range = number_after(text, "min ").zip(number_after(text, "max "));
    let missing = text
        .contains("missing")
        .then(|| number_after(text, "values, "))
        .flatten();
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a small count"
    )]
    Some(Fact {
        column,
        mean,
        range,
        missing: missing.map(|m| m as usize),
    })
}

/// Values of a column as they stood in the file, and how many are missing.
fn source_values(imported: &Imported, column: &str) -> Option<(Vec<f64>, usize)> {
    let plain = column.split(" (").next().unwrap_or(column);
    let number = plain
        .strip_prefix("column ")
        .or(plain.strip_prefix("field "));
    let channels = imported.log.channels();
    let channel = match number.and_then(|n| n.parse::<usize>().ok()) {
        Some(number) => channels.iter().find(|c| c.column_number == number),
        None => channels
            .iter()
            .find(|c| c.column == column)
            .or_else(|| channels.iter().find(|c| c.column == plain)),
    }?;
    Some((
        channel.present().map(|(_, v)| v).collect(),
        channel.missing(),
    ))
}

/// The index gives facts in the file's units; a channel keeps them in its own.
fn in_channel_unit(imported: &Imported, column: &str, value: f64) -> f64 {
    let plain = column.split(" (").next().unwrap_or(column);
    let number = plain
        .strip_prefix("column ")
        .or(plain.strip_prefix("field "));
    let mapping = imported.recipe.channels.iter().find(|c| match number {
        Some(n) => c.column == settlepoint_import::ColumnRef::Number(n.parse().unwrap()),
        None => c.text == column || c.text == plain,
    });
    mapping.map_or(value, |m| {
        m.unit
            .map_or(value * m.scale, |u| u.convert(value * m.scale))
    })
}

fn compare(name: &str, got: f64, wanted: f64, relative: f64, faults: &mut Vec<String>) {
    if (got - wanted).abs() > relative * wanted.abs().max(1e-3) {
        faults.push(format!("{name}: {got} instead of {wanted}"));
    }
}

fn check(folder: &Path, facts: &Facts) -> Vec<String> {
    let mut faults = Vec::new();
    let Ok(bytes) = std::fs::read(folder.join(&facts.file)) else {
        return vec![format!("{}: not there", facts.file)];
    };
    let options = ImportOptions {
        overrides: stated(&facts.file)
            .iter()
            .map(|o| o.parse().unwrap())
            .collect(),
        ..ImportOptions::default()
    };
    let imported = match import(&bytes, &options, &mut |_, _| {}) {
        Ok(imported) => imported,
        Err(error) => return vec![format!("{}: {error}", facts.file)],
    };
    let skipped: u64 = imported.rows.skipped.iter().map(|s| s.count).sum();
    if imported.rows.kept != facts.rows || imported.rows.read != facts.rows + skipped {
        faults.push(format!(
            "{}: rows {:?}, {} expected",
            facts.file, imported.rows, facts.rows
        ));
    }
    match (imported.span_s, facts.span_s) {
        // To the digit: one rounding of a double at the most.
        (Some(got), Some(wanted)) => compare(
            &format!("{} span", facts.file),
            got,
            wanted,
            3e-16,
            &mut faults,
        ),
        (None, None) => {}
        other => faults.push(format!("{}: span {other:?}", facts.file)),
    }
    for fact in &facts.columns {
        let name = format!("{} {}", facts.file, fact.column);
        let (values, missing) = if fact.column.contains('…') {
            let letter = &fact.column[..1];
            let all = (1..=30).filter_map(|i| source_values(&imported, &format!("{letter}{i}")));
            (all.flat_map(|(v, _)| v).collect(), 0)
        } else if let Some(found) = source_values(&imported, &fact.column) {
            found
        } else {
            faults.push(format!("{name}: no such channel"));
            continue;
        };
        let expected = |v| in_channel_unit(&imported, &fact.column, v);
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        // The index promises 1e-12 between sound ways of summing.
        compare(
            &format!("{name} mean"),
            mean,
            expected(fact.mean),
            1e-12,
            &mut faults,
        );
        if let Some((lo, hi)) = fact.range {
            let min = values.iter().copied().fold(f64::INFINITY, f64::min);
            let max = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            compare(
                &format!("{name} min"),
                min,
                expected(lo),
                1e-14,
                &mut faults,
            );
            compare(
                &format!("{name} max"),
                max,
                expected(hi),
                1e-14,
                &mut faults,
            );
        }
        if fact.missing.is_some_and(|m| m != missing) {
            faults.push(format!("{name}: {missing} missing"));
        }
    }
    if std::env::var_os("SETTLEPOINT_SHOW").is_some() {
        show(&facts.file, &imported);
    }
    faults
}

fn show(file: &str, imported: &Imported) {
    println!("== {file}: {:?} {:?}", imported.rows, imported.format);
    println!(
        "   span {:?} log {} known {} time: {} start {:?}",
        imported.span_s,
        imported.log.span_s(),
        imported.log.time_known(),
        imported.time_reason,
        imported.log.start()
    );
    for c in imported.log.channels().iter().take(14) {
        println!(
            "   {:<12} {:<28} {:?} {} | {} | {:?} {:?} missing {}",
            c.role.token(),
            c.column,
            c.unit,
            c.part,
            c.reason,
            c.mean(),
            c.range(),
            c.missing()
        );
    }
    for f in &imported.findings {
        println!("   ! {} {}", f.rule, f.evidence);
    }
    for q in &imported.questions {
        println!(
            "   ? {} -> {} of {:?} ({}) [{}]",
            q.about, q.chosen, q.options, q.reason, q.answer_with
        );
    }
}

/// The accelerator's log has its facts in a sentence of the index, in the same words.
fn accelerator(index: &str) -> Option<Facts> {
    let line = index
        .lines()
        .find(|l| l.starts_with("`accelerator-steps.csv`"))?;
    let text = &line[line.find("Facts: ")? + 7..];
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a small count"
    )]
    let rows = number_after(text, "")? as u64;
    let columns = text
        .split("Plateaus")
        .next()?
        .split(';')
        .filter_map(fact)
        .collect();
    Some(Facts {
        file: "accelerator-steps.csv".into(),
        rows,
        span_s: number_after(text, "span"),
        columns,
    })
}

#[test]
fn measured_logs_give_the_facts_of_their_index() {
    let Some(folder) = folder() else {
        println!("0 files found: no folder of measured logs beside the project");
        return;
    };
    let index = std::fs::read_to_string(folder.join("INDEX.md")).unwrap();
    let mut all = facts(&index);
    all.extend(accelerator(&index));
    let columns: usize = all.iter().map(|f| f.columns.len()).sum();
    println!("{} files found, {columns} columns with facts", all.len());
    assert!(
        all.len() >= 20 && columns >= 40,
        "the index was not understood"
    );
    let faults: Vec<String> = all.iter().flat_map(|facts| check(&folder, facts)).collect();
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}
