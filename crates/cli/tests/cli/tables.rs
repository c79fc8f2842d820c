//! Hand-typed tables as people and spreadsheets leave them.

use serde_json::Value;

use crate::support::Desk;

/// Two rows of one run; what every saved form of it must give.
const PLAIN: &str = "run,setting,pl1_w,room_c,phase,duration_s,power_w,package_c,score\n\
                     1,stock,125.5,20,boost,41,225,100,\n\
                     1,,,,sustained,559,124,71.5,0.862\n";

fn assert_is_plain(desk: &Desk) {
    let runs = desk.runs();
    assert_eq!(runs.len(), 1);
    let run = &runs[0];
    assert_eq!(run["name"], "1");
    assert_eq!(run["setting"]["name"], "stock");
    assert_eq!(run["setting"]["pl1_w"], 125.5);
    assert_eq!(run["room_c"], 20.0);
    assert_eq!(run["plateau_c"], 71.5);
    assert_eq!(run["power_w"], 124.0);
    assert_eq!(run["score"], 0.862);
}

fn semicolons(text: &str) -> String {
    text.replace(',', ";").replace('.', ",")
}

#[test]
fn each_way_to_save_a_table_gives_the_same_run() {
    let semi = semicolons(PLAIN);
    let utf16: Vec<u8> = std::iter::once(0xfeff)
        .chain(semi.replace(';', "\t").encode_utf16())
        .flat_map(u16::to_le_bytes)
        .collect();
    let forms: [(&str, Vec<u8>); 9] = [
        ("plain", PLAIN.into()),
        ("semicolons and decimal commas", semi.clone().into()),
        ("byte order mark", ["\u{feff}", &semi].concat().into()),
        ("Windows line ends", PLAIN.replace('\n', "\r\n").into()),
        (
            "blank columns at the end",
            semi.replace('\n', ";;;;\n").into(),
        ),
        ("tabs in UTF-16", utf16),
        (
            "quoted cells",
            PLAIN
                .replace("stock", "\"stock\"")
                .replace("125.5", "\"125.5\"")
                .into(),
        ),
        (
            "blanks and blank lines",
            PLAIN.replace(',', " , ").replace('\n', "\n\n").into(),
        ),
        ("no line end at the end", PLAIN.trim_end().into()),
    ];
    for (form, bytes) in forms {
        let desk = Desk::with_notebook();
        let said = desk.add_readings(&bytes);
        assert_eq!(said.code, Some(0), "{form}: {}", said.err);
        assert_is_plain(&desk);
    }
}

#[test]
fn columns_in_another_order_and_in_capitals_are_the_same() {
    let desk = Desk::with_notebook();
    let table = "Package_C,PHASE,Run,Room_C\n71.5,Sustained,1,20\n";
    desk.add_readings(table).ok();
    assert_eq!(desk.runs()[0]["plateau_c"], 71.5);
}

#[test]
fn comments_are_skipped_also_when_a_spreadsheet_has_quoted_them() {
    let desk = Desk::with_notebook();
    let table = "\"# typed on Sunday, by hand\"\nrun,phase,package_c,room_c\n# a note, with commas\n\
                 \"# another, quoted\",,\n1,sustained,71.5,20\n";
    desk.add_readings(table).ok();
    assert_eq!(desk.runs().len(), 1);
}

#[test]
fn runs_named_like_comments_are_not_lost_in_silence() {
    let desk = Desk::with_notebook();
    desk.add_readings("run,phase,package_c\n#1,sustained,71\n#2,sustained,80\n")
        .refused(3)
        .saying(&["2 beginning with #", "comments"]);
}

#[test]
fn names_with_any_letters_and_blanks_are_kept() {
    let desk = Desk::with_notebook();
    let table = "run,machine,cooling,setting,workload,phase,package_c,room_c\n\
                 \"läuft; leise, 静音\",Окно,Kühler № 2,\"low \"\"eco\"\"\",mix down,sustained,71,20\n";
    desk.add_readings(table).ok();
    let run = &desk.runs()[0];
    assert_eq!(run["name"], "läuft; leise, 静音");
    assert_eq!(run["cooling"], "Kühler № 2");
    assert_eq!(run["setting"]["name"], "low \"eco\"");
    desk.run([
        "exclude",
        "a.settle",
        "läuft; leise, 静音",
        "--reason",
        "Tür offen",
    ])
    .ok();
    assert_eq!(desk.runs()[0]["excluded"], "Tür offen");
}

#[test]
fn windows_1252_is_read_as_such() {
    let desk = Desk::with_notebook();
    // "Lüfter 71°" in Windows-1252 (0xFC and 0xB0).
    desk.add_readings(b"run;phase;package_c;room_c\nL\xfcfter 71\xb0;sustained;71;20\n")
        .ok();
    assert_eq!(desk.runs()[0]["name"], "Lüfter 71°");
}

#[test]
fn a_log_with_degree_signs_in_windows_1252_keeps_its_units() {
    let desk = Desk::new();
    let mut log = b"Zeit (s);Leistung (W);Temperatur (\xb0C)\r\n".to_vec();
    for second in 0..30 {
        log.extend(format!("{second};90,5;{},5\r\n", 40 + second / 10).bytes());
    }
    desk.write("log.csv", log);
    let answer = desk.json(["inspect", "log.csv"]);
    assert_eq!(answer["rows"]["kept"], 30);
    let channels = answer["channels"].as_array().expect("channels");
    let of = |role: &str| channels.iter().find(|c| c["role"] == role).cloned();
    assert_eq!(
        of("temperature").map(|c| c["unit"].clone()),
        Some(Value::from("Cel"))
    );
    assert_eq!(
        of("power").map(|c| c["mean"].clone()),
        Some(Value::from(90.5))
    );
}

#[test]
fn a_decimal_comma_in_a_comma_table_is_an_error_and_never_another_column() {
    let desk = Desk::with_notebook();
    // Four cells under three columns: 88,5 would become 88 W and 5 °C.
    desk.add_readings("run,phase,power_w,package_c\n1,sustained,88,5,71\n")
        .refused(3)
        .saying(&["line 2", "decimal commas", "nothing was added"]);
    desk.add_readings("run,phase,power_w\n1,sustained,\"88,5\"\n")
        .refused(3)
        .saying(&["line 2", "power_w", "88,5", "decimal point"]);
    assert!(desk.runs().is_empty());
}

#[test]
fn what_cannot_be_is_refused_with_line_column_and_value() {
    let cases = [
        ("power_w", "-5"),
        ("power_w", "1e308"),
        ("power_w", "inf"),
        ("power_w", "many"),
        ("package_c", "710"),
        ("room_c", "300"),
        ("duration_s", "0"),
        ("fan_speed_rpm", "-1"),
        ("level_dba", "900"),
        ("pl1_w", "-65"),
        ("pl1_w", "0"),
        ("pl2_w", "nan"),
        ("pl2_w", "infinity"),
        ("tau_s", "-1"),
        ("temp_limit_c", "1000"),
        ("score", "0"),
        ("score", "-3"),
        ("phase", "warm"),
    ];
    let desk = Desk::with_notebook();
    for (column, value) in cases {
        let table = if column == "phase" {
            format!("run,phase\n1,{value}\n")
        } else {
            format!("run,phase,{column}\n# a comment\n1,sustained,{value}\n")
        };
        let line = if column == "phase" {
            "line 2"
        } else {
            "line 3"
        };
        desk.add_readings(table).refused(3).saying(&[
            "table.csv",
            line,
            column,
            value,
            "nothing was added",
        ]);
    }
    assert!(desk.runs().is_empty());
}

#[test]
fn cells_that_say_nothing_are_gaps() {
    let desk = Desk::with_notebook();
    for (i, nothing) in ["", "-", "n/a", "NA", "NaN", "nan"].iter().enumerate() {
        let table = format!("run,phase,power_w,package_c,room_c\n{i},sustained,{nothing},71,20\n");
        desk.add_readings(table).ok();
    }
    let runs = desk.runs();
    assert_eq!(runs.len(), 6);
    assert!(runs.iter().all(|r| r["power_w"].is_null()), "never 0");
}

#[test]
fn headers_that_do_not_fit_are_refused() {
    let desk = Desk::with_notebook();
    let cases: [(&str, &[&str]); 8] = [
        ("run,phase,powr_w\n1,sustained,88\n", &["powr_w", "power_w"]),
        ("run;;powr_w;phase\n1;;88;sustained\n", &["powr_w"]),
        (
            "run,phase,power_w,Power_W\n1,sustained,1,2\n",
            &["two columns", "Power_W"],
        ),
        ("phase,power_w\nsustained,88\n", &["'run'", "--template"]),
        ("run,power_w\n1,88\n", &["'phase'", "--template"]),
        (
            "run|phase|power_w\n1|sustained|88\n",
            &["one column", "semicolons"],
        ),
        ("", &["empty", "--template"]),
        ("run,phase\n", &["no rows"]),
    ];
    for (table, parts) in cases {
        desk.add_readings(table).refused(3).saying(parts);
    }
    assert!(desk.runs().is_empty());
}

#[test]
fn rows_of_a_run_that_contradict_each_other_are_refused() {
    let desk = Desk::with_notebook();
    for (column, a, b) in [
        ("room_c", "20", "30"),
        ("setting", "x", "y"),
        ("pl1_w", "65", "66"),
    ] {
        let table = format!("run,{column},phase,package_c\n1,{a},boost,80\n1,{b},sustained,71\n");
        desk.add_readings(table)
            .refused(3)
            .saying(&["line 3", column, b]);
    }
    assert!(desk.runs().is_empty());
}

#[test]
fn odd_but_possible_rows_are_added_with_a_finding() {
    let cases = [
        (
            "pl2_below_pl1",
            "run,pl1_w,pl2_w,phase,package_c,room_c\n1,200,100,sustained,71,20\n",
        ),
        (
            "package_below_room",
            "run,phase,package_c,room_c\n1,sustained,15,20\n",
        ),
        ("room_not_noted", "run,phase,package_c\n1,sustained,71\n"),
        (
            "repeated_row",
            "run,phase,duration_s,package_c,room_c\n1,boost,40,90,20\n1,sustained,500,71,20\n1,boost,40,90,20\n",
        ),
    ];
    for (rule, table) in cases {
        let desk = Desk::with_notebook();
        let answer = desk
            .feed(
                ["add", "readings", "a.settle", "-", "--json"],
                table.as_bytes(),
            )
            .ok();
        let findings = answer.object()["findings"].clone();
        let rules: Vec<&str> = findings
            .as_array()
            .expect("findings")
            .iter()
            .filter_map(|f| f["rule"].as_str())
            .collect();
        assert_eq!(rules, [rule], "this finding and no other");
        assert_eq!(findings[0]["run"], "1");
        assert!(findings[0]["remedy"].as_str().is_some_and(|r| r.len() > 10));
    }
}

#[test]
fn the_template_can_be_filled_in_as_it_is() {
    let desk = Desk::with_notebook();
    let template = desk.run(["add", "readings", "--template"]).ok().out;
    desk.add_readings(&template).refused(3).saying(&["no rows"]);
    // Its own example, with the comment sign taken away.
    let mut filled = String::new();
    for line in template.lines() {
        match line.strip_prefix("# 1,") {
            Some(rest) => filled += &format!("1,{rest}\n"),
            None => filled += &format!("{line}\n"),
        }
    }
    desk.add_readings(&filled).ok();
    let run = &desk.runs()[0];
    assert_eq!(run["setting"]["pl1_w"], 181.0);
    assert_eq!(run["plateau_c"], 88.0);
    assert_eq!(run["score"], 41.2);
}

#[test]
fn the_same_readings_twice_are_refused_with_nothing_added() {
    let desk = Desk::with_three_runs();
    let before = desk.runs();
    desk.run(["add", "readings", "a.settle", "three.csv"])
        .refused(2)
        .saying(&["'low'", "nothing was added"]);
    // A table whose last run is known adds none of its new ones.
    desk.add_readings("run,phase,package_c,room_c\nnew,sustained,60,20\nhigh,sustained,88,22\n")
        .refused(2)
        .saying(&["'high'", "nothing was added"]);
    assert_eq!(desk.runs(), before);
}

#[test]
fn scores_by_rows_and_by_columns_join_their_runs() {
    let desk = Desk::with_three_runs();
    desk.write(
        "rows.csv",
        "setting,workload,score,unit\nlow,mixdown,20.3,\nmid,mixdown,28.7,\n",
    );
    desk.run(["add", "scores", "a.settle", "rows.csv"]).ok();
    desk.write("wide.csv", "workload;Low Eco;high\nmixdown;18,5;33,6\n");
    desk.run(["add", "setting", "a.settle", "Low Eco", "--pl1", "45"])
        .ok();
    let wide = desk.json(["add", "scores", "a.settle", "wide.csv"]);
    assert_eq!(
        wide["findings"],
        serde_json::json!([]),
        "a setting's name keeps its capitals"
    );
    let scores: Vec<Value> = desk.runs().iter().map(|r| r["score"].clone()).collect();
    // Means of the first score and the added one; the new run has its own.
    for (score, mean) in scores.iter().zip([20.2, 28.8, 33.5, 18.5]) {
        let score = score.as_f64().expect("a score");
        assert!(
            (score - mean).abs() < 1e-9,
            "sums of two decimals round below that: {score}"
        );
    }
}

#[test]
fn the_same_scores_twice_are_refused_with_nothing_added() {
    let desk = Desk::with_three_runs();
    let table = b"setting,workload,score\nlow,mixdown,20.3\nlow,mixdown,20.1\n";
    let add = |table: &[u8]| desk.feed(["add", "scores", "a.settle", "-"], table);
    add(table).ok();
    let before = desk.runs();
    add(table)
        .refused(2)
        .saying(&["nothing was added", "repetition"]);
    assert_eq!(desk.runs(), before);
    add(b"setting,workload,score,repetition\nlow,mixdown,20.9,2\n")
        .refused(2)
        .saying(&["repetition 2", "20.3", "20.9"]);
    add(b"setting,workload,score,repetition\nlow,mixdown,20.3,9\n").ok();
}

#[test]
fn a_score_table_sets_unit_and_direction_and_may_not_contradict() {
    let desk = Desk::with_notebook();
    let add = |table: &[u8]| desk.feed(["add", "scores", "a.settle", "-"], table);
    let said = add(b"setting,workload,score,unit,direction\nstock,render,61,s,lower\n").ok();
    assert!(said.out.contains("score_without_setting"), "{}", said.out);
    add(b"setting,workload,score,unit,direction\nstock,render,62,s,higher\n")
        .refused(2)
        .saying(&["render", "lower", "nothing was added"]);
    add(b"setting,workload,score,direction\nstock,render,62,sideways\n")
        .refused(3)
        .saying(&["line 2", "direction", "sideways"]);
    add(b"setting,workload,score\nstock,render,-62\n")
        .refused(3)
        .saying(&["line 2", "-62"]);
    assert_eq!(desk.runs()[0]["score"], 61.0);
}
