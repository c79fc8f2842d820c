//! Wrong files, wrong names, limits that cannot be: a clear refusal, the right code, nothing
//! half-written.

use crate::support::{Desk, names_in};

#[test]
fn files_that_are_no_notebook() {
    let desk = Desk::with_notebook();
    desk.write("text.settle", "hello, I am text\n");
    desk.write("empty.settle", "");
    std::fs::create_dir(desk.path("folder.settle")).expect("a folder");
    let other = rusqlite::Connection::open(desk.path("other.settle")).expect("a database");
    other
        .execute_batch("CREATE TABLE cheese (x)")
        .expect("a table");
    drop(other);
    for (file, found) in [
        ("text.settle", "another kind"),
        ("empty.settle", "empty"),
        ("folder.settle", "folder"),
        ("other.settle", "another application"),
    ] {
        for command in ["runs", "fit"] {
            desk.run([command, file])
                .refused(3)
                .saying(&[file, found, "check the path"]);
        }
        desk.run(["merge", "a.settle", file])
            .refused(3)
            .saying(&[file]);
    }
    desk.run(["runs", "missing.settle"])
        .refused(2)
        .saying(&["missing.settle", "no such notebook"]);
    let kept = std::fs::read(desk.path("text.settle")).expect("the file");
    assert_eq!(kept, b"hello, I am text\n", "left as it was");
}

#[test]
fn a_notebook_of_a_later_version_is_left_alone() {
    let desk = Desk::with_three_runs();
    let file = rusqlite::Connection::open(desk.path("a.settle")).expect("the notebook");
    // The schema's number is SQLite's user_version (see the notebook crate's schema.rs).
    file.pragma_update(None, "user_version", 99)
        .expect("raised");
    drop(file);
    for args in [
        &["runs", "a.settle"][..],
        &["fit", "a.settle"],
        &["add", "machine", "a.settle", "m"],
        &["exclude", "a.settle", "low", "--reason", "r"],
        &["export", "a.settle", "--to", "out"],
    ] {
        desk.run(args)
            .refused(5)
            .saying(&["a.settle", "99", "update"]);
    }
    assert!(!desk.path("out").exists());
}

#[test]
fn new_refuses_what_it_cannot_make() {
    let desk = Desk::with_three_runs();
    desk.run(["new", "a.settle"])
        .refused(2)
        .saying(&["exists already"]);
    desk.run(["new", "a.txt"]).refused(2).saying(&["a.settle"]);
    desk.run(["new", ".settle"])
        .refused(2)
        .saying(&["notebook.settle"]);
    desk.run(["new", "no such folder/b.settle"])
        .refused(5)
        .saying(&["no such folder", "make it first"]);
    assert_eq!(
        desk.runs().len(),
        3,
        "the notebook that stood there is whole"
    );
    assert!(
        !desk.names().iter().any(|n| n.contains(".new")),
        "{:?}",
        desk.names()
    );
}

#[test]
fn an_empty_notebook_says_what_to_add() {
    let desk = Desk::with_notebook();
    for args in [
        &["fit", "a.settle"][..],
        &["predict", "a.settle", "--pl1", "100", "--room", "20"],
        &["capacity", "a.settle", "--temp", "80", "--room", "20"],
        &["choose", "a.settle", "--room", "20"],
    ] {
        desk.run(args)
            .refused(4)
            .saying(&["add readings", "add log"]);
    }
    let runs = desk.run(["runs", "a.settle"]).ok();
    assert!(runs.out.contains("no runs yet"), "{}", runs.out);
    assert_eq!(
        desk.json(["runs", "a.settle"])["runs"],
        serde_json::json!([])
    );
    let exported = desk.json(["export", "a.settle", "--to", "out"]);
    assert_eq!(exported["counts"]["runs"], 0);
}

#[test]
fn limits_that_cannot_be_are_refused_before_anything_is_written() {
    let desk = Desk::with_three_runs();
    for (option, value) in [
        ("--pl1", "-5"),
        ("--pl1", "0"),
        ("--pl1", "NaN"),
        ("--pl1", "inf"),
        ("--pl1", "125,5"),
        ("--pl1", "125W"),
        ("--pl2", "-inf"),
        ("--tau", "-1"),
        ("--tau", "nan"),
        ("--temp-limit", "500"),
        ("--limit", "253"),
        ("--limit", "nan:3"),
        ("--limit", "253:-1"),
        ("--fan-max", "-3"),
        ("--fan-max", "nan"),
        ("--fan-fixed", "0"),
    ] {
        desk.run(["add", "setting", "a.settle", "new", option, value])
            .refused(2);
        desk.run(["predict", "a.settle", "--room", "20", option, value])
            .refused(2);
    }
    desk.run(["export", "a.settle", "--to", "out"]).ok();
    let table = std::fs::read_to_string(desk.path("out").join("settings.csv")).expect("settings");
    assert_eq!(
        table.lines().count(),
        4,
        "a header and the three settings of the runs: {table}"
    );
}

#[test]
fn numbers_out_of_reach_are_refused() {
    let desk = Desk::with_three_runs();
    let cases: [&[&str]; 20] = [
        &["predict", "a.settle", "--room", "nan"],
        &["predict", "a.settle", "--room", "300"],
        &["predict", "a.settle", "--room", "20", "--minutes", "-1"],
        &["predict", "a.settle", "--room", "20", "--altitude", "1e9"],
        &["capacity", "a.settle", "--temp", "nan", "--room", "20"],
        &["capacity", "a.settle", "--temp", "80", "--room", "-500"],
        &[
            "capacity",
            "a.settle",
            "--temp",
            "80",
            "--room",
            "20",
            "--fan-speed",
            "-5",
        ],
        &[
            "capacity", "a.settle", "--temp", "80", "--room", "20", "--level", "inf",
        ],
        &["choose", "a.settle", "--room", "nan"],
        &["choose", "a.settle", "--room", "20", "--temp-max", "nan"],
        &["choose", "a.settle", "--room", "20", "--noise-max", "nan"],
        &["choose", "a.settle", "--room", "20", "--confidence", "95"],
        &["choose", "a.settle", "--room", "20", "--loss-max", "-1"],
        &["choose", "a.settle", "--room", "20", "--wall-max", "0"],
        &["add", "workload", "a.settle", "w", "--minutes", "0"],
        &["add", "workload", "a.settle", "w", "--hours", "nan"],
        &["add", "workload", "a.settle", "w", "--hours", "200"],
        &["add", "workload", "a.settle", "w", "--weight", "-2"],
        &["add", "cooling", "a.settle", "c", "--fan-max", "-4"],
        &["add", "log", "a.settle", "three.csv", "--score", "-1"],
    ];
    for args in cases {
        desk.run(args)
            .refused(2)
            .saying(&["give a number from", " to "]);
    }
}

#[test]
fn temperatures_below_the_room_are_refused() {
    let desk = Desk::with_three_runs();
    let cases: [&[&str]; 3] = [
        &["predict", "a.settle", "--room", "30", "--temp-limit", "25"],
        &["capacity", "a.settle", "--temp", "25", "--room", "30"],
        &["choose", "a.settle", "--temp-max", "25", "--room", "30"],
    ];
    for args in cases {
        desk.run(args).refused(2).saying(&["25", "30", "above"]);
    }
    desk.add_readings("run,temp_limit_c,room_c,phase,package_c\nhot,15,25,sustained,70\n")
        .refused(3)
        .saying(&["run hot", "15", "25", "nothing was added"]);
}

#[test]
fn pl2_below_pl1_is_a_finding() {
    let desk = Desk::with_notebook();
    let answer = desk.json([
        "add", "setting", "a.settle", "odd", "--pl1", "200", "--pl2", "100",
    ]);
    assert_eq!(answer["findings"][0]["rule"], "pl2_below_pl1");
    assert_eq!(answer["added"][0]["name"], "odd");
}

#[test]
fn names_that_do_not_exist_are_answered_with_those_that_do() {
    let desk = Desk::with_three_runs();
    let cases: [(&[&str], &str); 6] = [
        (&["fit", "a.settle", "--use", "low,hgih"], "'high'"),
        (&["fit", "a.settle", "--cooling", "ice"], "'as built'"),
        (&["fit", "a.settle", "--machine", "other"], "machine"),
        (
            &["predict", "a.settle", "--room", "20", "--workload", "chess"],
            "'mixdown'",
        ),
        (&["exclude", "a.settle", "nobody", "--reason", "r"], "low"),
        (
            &["add", "log", "a.settle", "three.csv", "--setting", "lwo"],
            "low",
        ),
    ];
    for (args, known) in cases {
        desk.run(args).refused(2).saying(&[known]);
    }
}

#[test]
fn names_that_are_blank_or_taken_are_refused() {
    let desk = Desk::with_notebook();
    for kind in ["machine", "cooling", "tune", "setting", "workload"] {
        desk.run(["add", kind, "a.settle", "  "])
            .refused(2)
            .saying(&[kind, "name"]);
        desk.run(["add", kind, "a.settle", "one"]).ok();
        desk.run(["add", kind, "a.settle", "one"])
            .refused(2)
            .saying(&[kind, "'one'", "another name"]);
    }
}

#[test]
fn files_that_are_no_table_of_text() {
    let desk = Desk::with_three_runs();
    desk.write("book.xlsx", b"PK\x03\x04\x14\x00\x06\x00rest of it");
    desk.write("old.xls", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1");
    desk.write("log.csv.gz", b"\x1f\x8b\x08\x00");
    desk.write("empty.csv", "");
    std::fs::create_dir(desk.path("folder")).expect("a folder");
    for (file, word) in [
        ("a.settle", "notebook"),
        ("book.xlsx", "CSV"),
        ("old.xls", "CSV"),
        ("log.csv.gz", "unpack"),
        ("empty.csv", "empty.csv"),
        ("folder", "folder"),
        ("missing.csv", "check the path"),
    ] {
        desk.run(["inspect", file]).refused(3).saying(&[file, word]);
        desk.run(["add", "log", "a.settle", file])
            .refused(3)
            .saying(&[file, word]);
        desk.run(["add", "readings", "a.settle", file])
            .refused(3)
            .saying(&[file]);
        desk.run(["add", "scores", "a.settle", file])
            .refused(3)
            .saying(&[file]);
    }
    desk.run(["add", "readings", "three.csv", "a.settle"])
        .refused(3)
        .saying(&["three.csv is not a notebook"]);
    assert_eq!(desk.runs().len(), 3);
}

#[test]
fn a_log_without_any_reading_is_looked_at_but_not_added() {
    let desk = Desk::with_notebook();
    desk.write(
        "prose.txt",
        "hello world\nthis is no log 5\nnor is this 6\n",
    );
    desk.run(["inspect", "prose.txt"]).ok();
    desk.run(["add", "log", "a.settle", "prose.txt"])
        .refused(3)
        .saying(&["prose.txt", "--channel", "nothing was added"]);
    assert!(desk.runs().is_empty());
}

#[test]
fn the_same_file_under_another_name_is_a_finding() {
    let desk = Desk::with_notebook();
    desk.write("log.csv", "time (s),package power (W)\n0,90\n1,91\n2,90\n");
    let rules = |name: &str| -> Vec<String> {
        let answer = desk.json(["add", "log", "a.settle", "log.csv", "--name", name]);
        let findings = answer["findings"].as_array().expect("findings");
        let rule = |f: &serde_json::Value| f["rule"].as_str().map(str::to_owned);
        findings.iter().filter_map(rule).collect()
    };
    assert!(!rules("one").contains(&"same_file".to_owned()));
    assert!(rules("two").contains(&"same_file".to_owned()));
    desk.run(["add", "log", "a.settle", "log.csv", "--name", "two"])
        .refused(2);
}

#[test]
fn control_characters_in_a_file_do_not_reach_the_terminal() {
    let desk = Desk::with_notebook();
    let table = "run,phase,package_c,room_c\n\u{1b}[31mred\u{7},sustained,71,20\n";
    desk.add_readings(table).ok();
    for said in [
        desk.run(["runs", "a.settle"]).ok(),
        desk.run(["fit", "a.settle", "--use", "\u{1b}[2J"])
            .refused(2),
    ] {
        let control = |c: char| c.is_control() && c != '\n';
        assert!(
            !said.out.contains(control) && !said.err.contains(control),
            "{said:?}"
        );
    }
    assert_eq!(
        desk.runs()[0]["name"],
        "\u{1b}[31mred\u{7}",
        "JSON escapes it"
    );
}

#[test]
fn columns_that_a_log_does_not_have() {
    let desk = Desk::with_notebook();
    desk.write("log.csv", "time (s),package power (W)\n0,90\n1,91\n2,90\n");
    desk.run(["inspect", "log.csv", "--channel", "temperature=no such"])
        .refused(3)
        .saying(&["no such"]);
    desk.run(["inspect", "log.csv", "--channel", "warmth=2"])
        .refused(2)
        .saying(&["warmth"]);
    for option in ["--runs-by", "--pl1-from", "--room-from"] {
        desk.run(["add", "log", "a.settle", "log.csv", option, "no such"])
            .refused(2)
            .saying(&["no such", "package power (W)"]);
    }
    assert!(
        desk.runs().is_empty(),
        "nothing of a log whose columns are missing"
    );
    desk.run(["export", "a.settle", "--to", "out"]).ok();
    let table = std::fs::read_to_string(desk.path("out").join("machines.csv")).expect("machines");
    assert_eq!(table.lines().count(), 1, "not even its machine: {table}");
}

#[test]
fn a_recipe_that_cannot_be_saved_undoes_the_log() {
    let desk = Desk::with_notebook();
    desk.write("log.csv", "time (s),package power (W)\n0,90\n1,91\n2,90\n");
    desk.run([
        "add",
        "log",
        "a.settle",
        "log.csv",
        "--save-recipe",
        "no/such/folder.json",
    ])
    .refused(5)
    .saying(&["folder.json", "check the path"]);
    assert!(desk.runs().is_empty());
}

#[test]
fn fan_curves_that_fall_or_say_nothing() {
    let desk = Desk::with_three_runs();
    for (curve, code, word) in [
        ("40,600\n30,900\n", 3, "line 2"),
        ("40,600\n50,500\n", 3, "line 2"),
        ("temp,rpm\n", 3, "no points"),
        ("40,600\nfifty,700\n", 3, "line 2"),
        ("40,NaN\n50,700\n", 3, "line 1"),
        ("40,-600\n50,700\n", 3, "line 1"),
    ] {
        desk.write("curve.csv", curve);
        desk.run([
            "predict",
            "a.settle",
            "--room",
            "20",
            "--fan-curve",
            "curve.csv",
        ])
        .refused(code)
        .saying(&["curve.csv", word]);
    }
    desk.write(
        "curve.csv",
        "\u{feff}temperature;rpm\r\n40;600\r\n62,5;1100\r\n",
    );
    desk.run([
        "predict",
        "a.settle",
        "--room",
        "20",
        "--fan-curve",
        "curve.csv",
    ])
    .ok();
}

#[test]
fn demo_leaves_files_of_others_alone() {
    let desk = Desk::new();
    desk.write("typed-runs.csv", "mine\n");
    desk.run(["demo"])
        .refused(2)
        .saying(&["typed-runs.csv", "-o"]);
    assert_eq!(
        desk.names(),
        ["typed-runs.csv"],
        "nothing was written beside it"
    );
    std::fs::remove_file(desk.path("typed-runs.csv")).expect("removed");
    desk.run(["new", "demo.settle"]).ok();
    desk.run(["demo"]).refused(2).saying(&["demo.settle", "-o"]);
    assert!(!desk.names().contains(&"typed-runs.csv".to_owned()));
}

#[test]
fn export_and_merge_leave_what_stands() {
    let desk = Desk::with_three_runs();
    std::fs::create_dir(desk.path("out")).expect("a folder");
    desk.write("out/mine.txt", "mine");
    for form in ["csv", "json"] {
        desk.run(["export", "a.settle", "--to", "out", "--as", form])
            .refused(2)
            .saying(&["out", "exists already"]);
        desk.run(["export", "a.settle", "--to", "three.csv", "--as", form])
            .refused(2)
            .saying(&["three.csv", "exists already"]);
    }
    assert_eq!(names_in(&desk.path("out")), ["mine.txt"]);
    desk.run(["merge", "a.settle", "./a.settle"])
        .refused(2)
        .saying(&["itself"]);
    desk.run(["new", "b.settle"]).ok();
    desk.run(["merge", "b.settle", "a.settle", "missing.settle"])
        .refused(2)
        .saying(&["missing.settle"]);
    let b = desk.json(["runs", "b.settle"]);
    assert_eq!(
        b["runs"],
        serde_json::json!([]),
        "not even those of the first"
    );
}
