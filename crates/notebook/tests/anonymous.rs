//! Nothing that the owner typed is in an anonymous copy.
#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

mod common;

use common::*;
use rusqlite::Connection;
use settlepoint_domain::{Finding, Severity};

/// A word that the program itself never uses.
const MARK: &str = "Zwetschge";

/// Columns of text that the program fills with its own words.
const OWN: [&str; 7] = [
    "format.name",
    "format.value",
    "logs.start_unix_ns",
    "channels.role",
    "channels.unit",
    "findings.rule",
    "fits.code_version",
];

/// Puts the mark before every text of a notebook that is not one of a few fixed words. A column that
/// refuses it cannot hold an owner's text.
fn mark(path: &std::path::Path) -> usize {
    let connection = Connection::open(path).unwrap();
    connection
        .pragma_update(None, "foreign_keys", false)
        .unwrap();
    let columns: Vec<(String, String)> = connection
        .prepare(
            "SELECT m.name, p.name FROM sqlite_schema m JOIN pragma_table_info(m.name) p \
             WHERE m.type = 'table' AND p.type IN ('TEXT', 'ANY')",
        )
        .unwrap()
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))
        .unwrap()
        .map(Result::unwrap)
        .collect();
    let mut marked = 0;
    for (table, column) in columns {
        if OWN.contains(&format!("{table}.{column}").as_str()) {
            continue;
        }
        let sql = format!("UPDATE OR FAIL {table} SET {column} = '{MARK} ' || {column}");
        marked += connection.execute(&sql, []).unwrap_or(0);
    }
    marked
}

#[test]
fn no_text_of_the_owner_is_left() {
    let (folder, book) = blank();
    fill(&book);
    fill_schema_2(&book);
    book.exclude_run(id(6), "noisy").unwrap();
    book.set_findings(
        id(7),
        &[Finding {
            rule: "command_failed",
            severity: Severity::Warning,
            run: None,
            evidence: "'render attic' ended with 1".into(),
            remedy: "mend it".into(),
        }],
    )
    .unwrap();
    let path = book.path().to_path_buf();
    drop(book);
    // Names, models, notes, units, sources, recipes, reasons, columns, zones, findings.
    assert!(mark(&path) > 25);

    let book = settlepoint_notebook::Notebook::open(&path).unwrap();
    let export = |book: &settlepoint_notebook::Notebook, name: &str| {
        let to = folder.path().join(name);
        book.export_json(&to).unwrap();
        let mut text = std::fs::read_to_string(to.join("notebook.json")).unwrap();
        let to = folder.path().join(format!("{name} as csv"));
        book.export_csv(&to).unwrap();
        for entry in std::fs::read_dir(to).unwrap() {
            let entry = entry.unwrap();
            text += &entry.file_name().to_string_lossy();
            text += &String::from_utf8_lossy(&std::fs::read(entry.path()).unwrap());
        }
        text
    };
    assert!(export(&book, "whole").matches(MARK).count() > 25);
    let copy = book.anonymous().unwrap();
    let text = export(&copy, "copy");
    assert!(!text.contains(MARK), "{text}");
    for word in [
        "tower", "T-100", "desk", "two fans", "quiet", "compile", "by hand", "render", "bench",
    ] {
        assert!(!text.contains(word), "{word} in {text}");
    }
    assert!(!text.contains("noisy") && !text.contains("+02:00"));
}

#[test]
fn what_was_measured_stays() {
    let (_folder, book) = blank();
    fill(&book);
    fill_schema_2(&book);
    let copy = book.anonymous().unwrap();
    let (runs, copied) = (book.runs().unwrap(), copy.runs().unwrap());
    assert_eq!(copied[0].name, "run 1");
    for (run, copied) in runs.iter().zip(&copied) {
        assert_eq!(
            (run.id, run.room_c, &run.scores),
            (copied.id, copied.room_c, &copied.scores)
        );
    }
    let (log, copied) = (book.log(id(7)).unwrap(), copy.log(id(7)).unwrap());
    assert_eq!(log.time_s(), copied.time_s());
    for (channel, copied) in log.channels().iter().zip(copied.channels()) {
        let bits = |values: &[f64]| values.iter().map(|v| v.to_bits()).collect::<Vec<_>>();
        assert_eq!(
            (channel.role, bits(&channel.values)),
            (copied.role, bits(&copied.values))
        );
    }
    assert_eq!(copy.frames_ms(id(6), 0).unwrap(), FRAMES_MS);
    let setting = copy.setting(id(4)).unwrap();
    assert_eq!(setting.name, "setting A, 65 W");
    assert_eq!(
        (setting.fan, setting.more_tiers.len()),
        (common::setting().fan, 1)
    );
    let machine = &copy.machines().unwrap()[0];
    assert_eq!(
        (machine.name.as_str(), machine.model.as_str()),
        ("the machine", "")
    );
    // The notebook itself is as it was.
    assert_eq!(book.machines().unwrap()[0], common::machine());
}
