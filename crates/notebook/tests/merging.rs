//! Two notebooks become one; what names their content.
#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

mod common;

use common::*;
use rusqlite::Connection;
use settlepoint_domain::{Finding, Machine, Run, Severity};
use settlepoint_notebook::{Kind, LogSource, NotebookError};

#[test]
fn merging_into_an_empty_notebook_copies_everything_and_again_nothing() {
    let (_a, full) = blank();
    fill(&full);
    full.put_fit(&[7; 32], "0.1.0", "{}").unwrap();
    let (_b, empty) = blank();
    let report = empty.merge_from(&full).unwrap();
    // Machine, its two parts, cooling, tune, setting, workload and two runs.
    assert_eq!((report.added(), report.raw_files_added), (9, 1));
    assert!(report.conflicts.is_empty() && report.same_names.is_empty());
    assert_eq!(empty.content_hash().unwrap(), full.content_hash().unwrap());
    assert_eq!(empty.runs().unwrap(), full.runs().unwrap());
    assert!(same_log(&empty.log(id(7)).unwrap(), &log()));
    assert_eq!(
        empty.raw_file(empty.raw_files().unwrap()[0].hash).unwrap(),
        RAW
    );
    assert_eq!(empty.fit(&[7; 32], "0.1.0").unwrap().as_deref(), Some("{}"));
    empty.check().unwrap();

    let again = empty.merge_from(&full).unwrap();
    assert_eq!((again.added(), again.raw_files_shared), (0, 1));
    assert_eq!(again.counts.iter().map(|c| c.identical).sum::<usize>(), 9);
}

#[test]
fn recorders_are_content_and_are_merged() {
    let (_a, full) = blank();
    fill(&full);
    let before = full.content_hash().unwrap();
    fill_schema_3(&full);
    assert_ne!(full.content_hash().unwrap(), before);
    let (_b, into) = blank();
    assert_eq!(into.merge_from(&full).unwrap().added(), 10);
    assert_eq!(into.recorders().unwrap(), [recorder()]);
    assert_eq!(into.recorder(recorder().id).unwrap(), recorder());
    // Calibrated anew: replaced, its old response gone.
    let anew = settlepoint_notebook::Recorder {
        calibration: None,
        response: vec![(100.0, 1.0)],
        ..recorder()
    };
    into.put_recorder(&anew).unwrap();
    assert_eq!(into.recorders().unwrap(), [anew]);
    let report = into.merge_from(&full).unwrap();
    assert_eq!(report.conflicts.len(), 1);
    assert!(
        report.conflicts[0]
            .differs
            .contains(&"recorder_points".to_owned())
    );
    let broken = settlepoint_notebook::Recorder {
        response: vec![(f64::NAN, 1.0)],
        ..recorder()
    };
    assert!(matches!(
        into.put_recorder(&broken),
        Err(NotebookError::Invalid { .. })
    ));
}

#[test]
fn merging_is_a_union_and_shares_raw_files() {
    let (_a, into) = blank();
    let (_b, from) = blank();
    fill(&into);
    fill(&from);
    from.add_run(&Run {
        id: id(8),
        name: "second log".into(),
        ..log_run()
    })
    .unwrap();
    let raw = Some(from.keep_raw_bytes(RAW).unwrap());
    from.add_log(
        id(8),
        &log(),
        &LogSource {
            raw,
            ..LogSource::default()
        },
    )
    .unwrap();
    into.add_run(&Run {
        id: id(9),
        name: "only here".into(),
        ..readings_run()
    })
    .unwrap();
    let report = into.merge_from(&from).unwrap();
    assert_eq!(
        (
            report.added(),
            report.raw_files_added,
            report.raw_files_shared
        ),
        (1, 0, 1)
    );
    let ids: Vec<_> = into.runs().unwrap().into_iter().map(|run| run.id).collect();
    assert_eq!(ids, [id(6), id(7), id(9), id(8)]);
    assert_eq!(into.raw_files().unwrap().len(), 1);
    assert!(same_log(&into.log(id(8)).unwrap(), &log()));
}

#[test]
fn what_differs_is_reported_and_left_as_it_is() {
    let (_a, into) = blank();
    let (_b, from) = blank();
    fill(&into);
    fill(&from);
    from.exclude_run(id(6), "a window was open").unwrap();
    from.add_scores(id(6), &readings_run().scores).unwrap();
    from.rename(Kind::Machine, id(1), "Turm").unwrap();
    let report = into.merge_from(&from).unwrap();
    let found: Vec<_> = report
        .conflicts
        .iter()
        .map(|c| (c.kind, c.id, c.name.as_str(), c.differs.join(" ")))
        .collect();
    assert_eq!(
        found,
        [
            (Kind::Machine, id(1), "tower", "name".to_owned()),
            (
                Kind::Run,
                id(6),
                "first, by hand",
                "excluded scores".to_owned()
            ),
        ]
    );
    assert_eq!(into.run(id(6)).unwrap(), readings_run());
    assert_eq!(into.machine(id(1)).unwrap(), machine());
}

#[test]
fn equal_names_of_different_things_are_reported() {
    let (_a, into) = blank();
    let (_b, from) = blank();
    fill(&into);
    from.add_machine(&Machine {
        id: id(100),
        ..machine()
    })
    .unwrap();
    let report = into.merge_from(&from).unwrap();
    assert_eq!(report.same_names.len(), 1);
    assert_eq!(
        (report.same_names[0].kind, report.same_names[0].id),
        (Kind::Machine, id(100))
    );
    assert!(matches!(
        into.id_of(Kind::Machine, "tower"),
        Err(NotebookError::AmbiguousName { .. })
    ));
}

#[test]
fn a_merge_that_fails_changes_nothing() {
    let (_a, into) = blank();
    let (_b, from) = blank();
    fill(&from);
    let other = Connection::open(from.path()).unwrap();
    other
        .execute_batch("UPDATE raw_chunks SET deflated = x'030000'")
        .unwrap();
    let before = into.content_hash().unwrap();
    assert!(matches!(
        into.merge_from(&from),
        Err(NotebookError::Corrupt { .. })
    ));
    assert_eq!(into.content_hash().unwrap(), before);
    assert!(into.machines().unwrap().is_empty());
}

#[test]
fn the_content_hash_is_of_the_content() {
    let (_a, notebook) = blank();
    fill(&notebook);
    let hash = notebook.content_hash().unwrap();

    // Derived things and the layout of the file are not content.
    let finding = Finding {
        rule: "room_not_logged",
        severity: Severity::Note,
        run: None,
        evidence: String::new(),
        remedy: "note the room".into(),
    };
    notebook.set_findings(id(6), &[finding]).unwrap();
    notebook.put_fit(&[7; 32], "0.1.0", "{}").unwrap();
    Connection::open(notebook.path())
        .unwrap()
        .execute_batch("VACUUM")
        .unwrap();
    assert_eq!(notebook.content_hash().unwrap(), hash);

    // Nor is the order of entry.
    let (_b, other) = blank();
    other.add_workload(&workload()).unwrap();
    other.add_setting(&setting()).unwrap();
    other.add_machine(&machine()).unwrap();
    other.add_tune(&tune()).unwrap();
    other.add_cooling(&cooling()).unwrap();
    other.add_run(&log_run()).unwrap();
    let raw = Some(other.keep_raw_bytes(RAW).unwrap());
    let source = LogSource {
        name: "bench.csv",
        recipe: "power = column 2",
        raw,
    };
    other.add_log(id(7), &log(), &source).unwrap();
    other.add_run(&readings_run()).unwrap();
    assert_eq!(other.content_hash().unwrap(), hash);

    // Any entry is.
    notebook.exclude_run(id(6), "a window was open").unwrap();
    assert_ne!(notebook.content_hash().unwrap(), hash);
    notebook.include_run(id(6)).unwrap();
    assert_eq!(notebook.content_hash().unwrap(), hash);
    notebook.keep_raw_bytes(b"abc").unwrap();
    assert_ne!(notebook.content_hash().unwrap(), hash);
}
