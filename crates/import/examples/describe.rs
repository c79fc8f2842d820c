//! Reads a log and prints what was understood of it: rows, time, channels with reasons, findings
//! and questions.
//!
//! ```text
//! cargo run -p settlepoint-import --example describe -- FILE [ROLE=COLUMN…]
//! ```

#![expect(
    clippy::print_stdout,
    reason = "an example that reports to the terminal"
)]

use std::fs::File;

use settlepoint_import::{ImportOptions, Imported, import_reader};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let path = arguments
        .next()
        .ok_or("usage: describe FILE [ROLE=COLUMN…]")?;
    let overrides = arguments
        .map(|text| text.parse())
        .collect::<Result<_, _>>()?;
    let options = ImportOptions {
        overrides,
        ..ImportOptions::default()
    };
    describe(&import_reader(File::open(path)?, &options, &mut |_, _| {})?);
    Ok(())
}

fn describe(imported: &Imported) {
    let format = &imported.format;
    println!(
        "{} {} {} header at line {:?}, {} of {} lines kept",
        format.encoding.token(),
        format.line_end.token(),
        format.delimiter.token(),
        format.header_line,
        imported.rows.kept,
        imported.rows.read
    );
    for skipped in &imported.rows.skipped {
        println!(
            "  {} {} at lines {:?}",
            skipped.count,
            skipped.reason.token(),
            skipped.lines
        );
    }
    println!(
        "time {}; span {:?} s",
        imported.time_reason, imported.span_s
    );
    for channel in imported.log.channels() {
        println!(
            "  {} <- '{}' [{}] {} ({}): mean {:?}, {} missing",
            channel.role,
            channel.column,
            channel.unit.code(),
            channel.part,
            channel.reason,
            channel.mean(),
            channel.missing()
        );
    }
    for finding in &imported.findings {
        println!("! {}: {}", finding.rule, finding.evidence);
    }
    for question in &imported.questions {
        println!(
            "? {}: {} ({})",
            question.about, question.chosen, question.reason
        );
    }
}
