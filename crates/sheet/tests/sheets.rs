//! Sheets as a plan writes them and as spreadsheets leave them.

use proptest::prelude::*;
use settlepoint_domain::LimitValue;
use settlepoint_sheet::{COLUMNS, SheetRow, read, write};

fn full() -> SheetRow {
    SheetRow {
        machine: "attic".to_owned(),
        workload: "mix, down".to_owned(),
        pl1_w: LimitValue::Value(125.0),
        pl2_w: LimitValue::Unlimited,
        tau_s: LimitValue::Automatic,
        temp_limit_c: LimitValue::Value(92.5),
        fan_max_rpm: Some(1100.0),
        room_c: Some(21.5),
        warm_up_s: Some(0.0),
        run_s: Some(900.0),
        cool_down_s: Some(300.0),
        block: "A".to_owned(),
        reason: "the exponent is \"assumed\"".to_owned(),
        ..SheetRow::named(1, "125 W")
    }
}

#[test]
fn a_sheet_comes_back_as_written() {
    let rows = [full(), SheetRow::named(2, "rest")];
    let text = write(&rows);
    assert!(text.starts_with(&COLUMNS.join(",")));
    let sheet = read(&text, "plan.csv").expect("reads");
    assert_eq!(sheet.rows, rows);
    assert!(sheet.unused_columns.is_empty());
}

#[test]
fn a_spreadsheet_may_have_been_at_it() {
    let text = "\u{feff}sep=;\r\n# plan\r\nrun;PL1 (W);run_s;Room °C;note;order\r\n\
                b;65 W;600;21,5 °C;x;2.0\r\n\r\na;125,5;;21,5;;1;;\r\n;;;;;\r\n";
    let sheet = read(text, "plan.csv").expect("reads");
    let names: Vec<_> = sheet.rows.iter().map(|r| r.run.as_str()).collect();
    assert_eq!(names, ["a", "b"]);
    assert_eq!(sheet.rows[0].pl1_w, LimitValue::Value(125.5));
    assert_eq!(sheet.rows[1].pl1_w, LimitValue::Value(65.0));
    let b = &sheet.rows[1];
    assert_eq!((b.run_s, b.room_c), (Some(600.0), Some(21.5)));
    assert_eq!(sheet.unused_columns, ["note"]);
}

#[test]
fn tabs_part_cells_too_and_a_row_without_a_place_follows_the_one_above() {
    let text = "order\trun\n5\tlate\n\tlater\n1\tfirst\n";
    let rows = read(text, "plan.txt").expect("reads").rows;
    let places: Vec<_> = rows.iter().map(|r| (r.order, r.run.as_str())).collect();
    assert_eq!(places, [(1, "first"), (5, "late"), (6, "later")]);
}

#[test]
fn limits_are_numbers_or_words() {
    let text = "run,pl1_w,pl2_w,tau_s,temp_limit_c\na,AUTO,unlimited,unknown,\n";
    let row = &read(text, "plan.csv").expect("reads").rows[0];
    assert_eq!(
        [row.pl1_w, row.pl2_w, row.tau_s, row.temp_limit_c],
        [
            LimitValue::Automatic,
            LimitValue::Unlimited,
            LimitValue::Unknown,
            LimitValue::Unknown
        ]
    );
}

#[test]
fn what_is_wrong_is_named_with_its_place() {
    let cases: [(&str, &[&str]); 14] = [
        ("run,pl1_w\na,12x\n", &["line 2", "pl1_w", "'12x'", "W"]),
        ("run,run_s\na,5\nb,-5\n", &["line 3", "run_s", "'-5'"]),
        ("order,run\none,a\n", &["line 2", "order", "'one'"]),
        ("order,run\n1.5,a\n", &["line 2", "order", "whole"]),
        ("run\na\n# note\na\n", &["lines 2 and 4", "'a'", "own"]),
        ("# p\r\n\r\nrun\r\na\r\n\r\na\r\n", &["lines 4 and 6"]),
        ("x,y\n1,2\n", &["line 1", "'x y'", "pl1_w", "cool_down_s"]),
        (
            "pl1_w,run_s\n65,600\n",
            &["no column 'run'", "pl1_w, run_s"],
        ),
        ("run\n", &["plan.csv", "no rows", "one line a run"]),
        ("", &["plan.csv", "no rows"]),
        ("run,run\na,b\n", &["'run'", "2 times", "leave one"]),
        (
            "run,pl1_w\na,65,5\n",
            &["line 2", "3 cells", "decimal point"],
        ),
        ("run,pl1_w\na,\"65,5\"\n", &["line 2", "pl1_w", "'65,5'"]),
        ("run,pl1_w\n,65\n", &["line 2", "column run", "name"]),
    ];
    for (text, parts) in cases {
        let error = read(text, "plan.csv").expect_err(text).to_string();
        for part in parts {
            assert!(error.contains(part), "'{part}' in {error}");
        }
    }
}

fn a_limit(lo: f64, hi: f64) -> impl Strategy<Value = LimitValue> {
    prop_oneof![
        Just(LimitValue::Unknown),
        Just(LimitValue::Automatic),
        Just(LimitValue::Unlimited),
        (lo..hi).prop_map(LimitValue::Value),
    ]
}

proptest! {
    /// Any text in the names, any number in its range: nothing is lost on the way through a file.
    #[test]
    fn any_sheet_comes_back(
        name in "[^\\s#\u{feff}\\pC]([^\\pC]{0,12}[^\\s\\pC])?",
        reason in "([^\\s\\pC]([^\\pC]{0,20}[^\\s\\pC])?)?",
        pl1_w in a_limit(0.1, 5000.0),
        tau_s in a_limit(0.0, 86_400.0),
        room_c in proptest::option::of(-60.0..80.0),
        order in 1_u32..1000,
    ) {
        let row = SheetRow { pl1_w, tau_s, room_c, reason, ..SheetRow::named(order, &name) };
        let text = write(std::slice::from_ref(&row));
        prop_assert_eq!(read(&text, "plan.csv").expect("reads").rows, [row]);
    }
}
