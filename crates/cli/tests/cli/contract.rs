//! The keys, tokens and exit codes that scripts rely on.

use serde_json::Value;

use crate::support::{Desk, assert_estimate, assert_keys};

fn assert_prediction(p: &Value) {
    for key in ["package_c", "power_w", "fan_speed_rpm", "level_dba"] {
        assert_estimate(&p["sustained"][key], key);
    }
    for clock in p["sustained"]["clock_mhz"].as_array().expect("clocks") {
        assert_estimate(clock, "clock_mhz");
    }
    if !p["boost"].is_null() {
        for key in ["package_c", "power_w", "duration_s"] {
            assert_estimate(&p["boost"][key], key);
        }
    }
    assert_estimate(&p["work_rel"], "work_rel");
    let acting = ["power", "temperature", "demand", "fan_ceiling", "other"];
    assert!(
        acting.contains(&p["acting_limit"].as_str().unwrap_or("")),
        "{p}"
    );
    let p_temp = p["p_temp_limit"].as_f64().expect("a probability");
    assert!((0.0..=1.0).contains(&p_temp));
}

#[test]
fn new_and_add_say_what_was_added() {
    let desk = Desk::new();
    let made = desk.json(["new", "a.settle"]);
    assert_eq!(made["schema"], "settlepoint.new/1");
    assert_keys(&made, &["added", "findings"]);
    let steps: [(&[&str], &str); 5] = [
        (
            &[
                "machine",
                "a.settle",
                "desk by the window",
                "--model",
                "M 1",
            ],
            "machine",
        ),
        (
            &["cooling", "a.settle", "two fans, 静音", "--fan-max", "1500"],
            "cooling",
        ),
        (&["tune", "a.settle", "minus 50 mV"], "tune"),
        (
            &[
                "setting",
                "a.settle",
                "stock",
                "--pl1",
                "125",
                "--pl2",
                "unlimited",
            ],
            "setting",
        ),
        (
            &["workload", "a.settle", "mix down", "--hours", "9"],
            "workload",
        ),
    ];
    for (args, kind) in steps {
        let answer = desk.json(["--json", "add"].iter().chain(args));
        assert_eq!(answer["schema"], "settlepoint.add/1");
        assert!(answer["findings"].is_array());
        let added = &answer["added"][0];
        assert_eq!(added["kind"], kind);
        assert_eq!(added["name"], args[2]);
        assert_eq!(
            added["id"].as_str().map(str::len),
            Some(32),
            "128 bits in hex"
        );
    }
}

#[test]
fn readings_log_and_scores_give_runs() {
    let desk = Desk::with_three_runs();
    desk.write("mix down 3.csv", small_log());
    let log = desk.json([
        "add",
        "log",
        "a.settle",
        "mix down 3.csv",
        "--pl1",
        "90",
        "--room",
        "21",
    ]);
    assert_eq!(log["schema"], "settlepoint.add/1");
    assert_eq!(log["added"][0]["kind"], "run");
    assert_eq!(
        log["added"][0]["name"], "mix down 3",
        "the file's name, blanks and all"
    );
    let table = b"setting,workload,score\nlow,mixdown,20.3\n";
    let scores = desk
        .feed(["add", "scores", "a.settle", "-", "--json"], table)
        .ok()
        .object();
    assert_eq!(scores["schema"], "settlepoint.add/1");
    assert_eq!(scores["added"][0]["kind"], "score");

    let runs = desk.json(["runs", "a.settle"]);
    assert_eq!(runs["schema"], "settlepoint.runs/1");
    let rows = runs["runs"].as_array().expect("runs");
    assert_eq!(rows.len(), 4);
    for row in rows {
        assert_keys(
            row,
            &[
                "id",
                "name",
                "cooling",
                "workload",
                "setting",
                "room_c",
                "plateau_c",
                "power_w",
                "fan_speed_rpm",
                "level_dba",
                "score",
                "excluded",
            ],
        );
        assert_keys(
            &row["setting"],
            &["name", "pl1_w", "pl2_w", "tau_s", "temp_limit_c"],
        );
    }
    assert_eq!(rows[0]["plateau_c"], 52.0, "as typed");
    assert_eq!(rows[0]["score"], 20.2, "the mean of two");
    assert_eq!(rows[3]["setting"]["pl1_w"], 90.0);
    assert!(rows[3]["setting"]["pl2_w"].is_null(), "unknown");
}

/// A minute at 20 W, then ten at 90 W; the package follows with one time constant of 60 s.
fn small_log() -> String {
    let mut text = String::from("time (s),package power (W),package temperature (°C)\n");
    let mut rise_k = 6.0;
    for second in 0..660 {
        let power_w = if second < 60 { 20.0 } else { 90.0 };
        rise_k += (0.3 * power_w - rise_k) / 60.0;
        text += &format!("{second},{power_w},{:.1}\n", 21.0 + rise_k);
    }
    text
}

#[test]
fn inspect_accounts_for_every_row_of_a_file_or_of_standard_input() {
    let desk = Desk::new();
    desk.write("a log.csv", small_log() + "# the end\nnot,a,number\n");
    let answer = desk.json(["inspect", "a log.csv", "--fit-until", "400"]);
    assert_eq!(answer["schema"], "settlepoint.inspect/1");
    assert_keys(
        &answer,
        &[
            "rows", "span_s", "channels", "phases", "thermal", "findings",
        ],
    );
    let rows = &answer["rows"];
    let skipped = rows["skipped"].as_array().expect("skipped");
    let count = |v: &Value| v.as_u64().expect("a count");
    let sum: u64 = skipped.iter().map(|s| count(&s["count"])).sum();
    assert_eq!(count(&rows["read"]), 663);
    assert_eq!(count(&rows["kept"]), 660);
    assert_eq!(sum, 3, "header, comment, words");
    assert!(
        skipped
            .iter()
            .any(|s| s["lines"] == serde_json::json!([663])),
        "{rows}"
    );
    assert_eq!(answer["span_s"], 659.0);
    let channels = answer["channels"].as_array().expect("channels");
    let roles: Vec<&str> = channels.iter().filter_map(|c| c["role"].as_str()).collect();
    assert_eq!(roles, ["power", "temperature"]);
    for channel in channels {
        assert_keys(
            channel,
            &[
                "role", "column", "unit", "part", "reason", "mean", "min", "max", "missing",
            ],
        );
    }
    let phases = answer["phases"].as_array().expect("phases");
    for phase in phases {
        assert_keys(
            phase,
            &[
                "kind",
                "start_s",
                "end_s",
                "power_w",
                "package_c",
                "settled",
                "plateau_c",
            ],
        );
    }
    assert_eq!(phases[0]["start_s"], 0.0, "phases tile the log");
    for pair in phases.windows(2) {
        assert_eq!(pair[0]["end_s"], pair[1]["start_s"]);
    }
    let thermal = &answer["thermal"];
    assert_keys(
        thermal,
        &[
            "nodes",
            "resistance_k_per_w",
            "time_constants_s",
            "reference_c",
            "held_out",
        ],
    );
    assert_estimate(&thermal["resistance_k_per_w"], "resistance_k_per_w");
    assert_keys(
        &thermal["held_out"],
        &[
            "rmse_k",
            "bias_k",
            "max_k",
            "samples",
            "rmse_10s_k",
            "in_90_10s",
        ],
    );

    let piped = desk
        .feed(["inspect", "-", "--json"], small_log().as_bytes())
        .ok()
        .object();
    assert_eq!(piped["rows"]["kept"], 660);
    // A pipe with a name, as `<(…)` of a shell gives one, can be read once only.
    let named = std::path::Path::new("/dev/stdin");
    if named.exists() {
        let args = ["inspect", "/dev/stdin", "--json"];
        let piped = desk.feed(args, small_log().as_bytes()).ok().object();
        assert_eq!(piped["rows"]["kept"], 660);
    }
}

#[test]
fn deny_turns_a_finding_into_exit_code_1_with_the_answer_printed() {
    let desk = Desk::new();
    desk.write(
        "short.csv",
        "time (s),package power (W),mood\n0,90,calm\n1,91,calm\n2,90,loud\n",
    );
    let plain = desk.json(["inspect", "short.csv"]);
    assert_ne!(
        plain["findings"],
        serde_json::json!([]),
        "a column of words is found"
    );
    let denied = desk.run(["inspect", "short.csv", "--deny", "note", "--json"]);
    assert_eq!(denied.code, Some(1));
    assert_eq!(denied.object()["schema"], "settlepoint.inspect/1");
    // What a question offers as an answer is understood.
    desk.write(
        "days.csv",
        "date,power (W)\n01/02/2026 10:00:00,90\n01/02/2026 10:00:01,91\n01/02/2026 10:00:02,90\n",
    );
    desk.run(["inspect", "days.csv", "--day-order", "month_first"])
        .ok();
    desk.run(["inspect", "short.csv", "--deny", "everything"])
        .refused(2)
        .saying(&["note, warning or error"]);
}

#[test]
fn fit_says_what_is_known_and_what_is_not() {
    let desk = Desk::with_three_runs();
    let fit = desk.json(["fit", "a.settle", "--use", "low,high"]);
    assert_eq!(fit["schema"], "settlepoint.fit/1");
    assert_keys(
        &fit["models"],
        &["thermal", "package", "limits", "fan", "sound"],
    );
    assert_estimate(
        &fit["models"]["thermal"]["resistance_k_per_w"],
        "resistance",
    );
    let unidentified = fit["unidentified"].as_array().expect("unidentified");
    assert!(
        !unidentified.is_empty(),
        "three rows cannot tell everything"
    );
    for u in unidentified {
        assert_keys(u, &["parameter", "needs"]);
    }
    let held_out = &fit["held_out"];
    assert_keys(
        held_out,
        &[
            "runs",
            "rmse_k",
            "bias_k",
            "max_k",
            "in_90",
            "work_rmse_points",
            "power_rmse_pct",
        ],
    );
    let run = &held_out["runs"][0];
    assert_eq!(run["name"], "mid");
    assert_eq!(run["package_c_measured"], 70.0);
    assert_eq!(run["power_w_measured"], 125.0);
    for key in ["package_c", "power_w", "work_rel"] {
        assert_estimate(&run[key], key);
    }
    // Between two runs of the same cooling at 52 and 88 °C a prediction that is 9 K off (half the
    // distance to either) would be no prediction.
    assert!(
        held_out["rmse_k"].as_f64().is_some_and(|e| e < 9.0),
        "{held_out}"
    );
}

#[test]
fn predict_and_capacity_have_their_keys() {
    let desk = Desk::with_three_runs();
    let p = desk.json([
        "predict",
        "a.settle",
        "--pl1",
        "150",
        "--pl2",
        "253",
        "--tau",
        "56",
        "--temp-limit",
        "100",
        "--room",
        "30",
        "--series",
    ]);
    assert_eq!(p["schema"], "settlepoint.predict/1");
    assert_prediction(&p);
    let lengths: Vec<usize> = ["time_s", "power_w", "package_c"]
        .iter()
        .map(|k| p["series"][k].as_array().expect("a series").len())
        .collect();
    assert!(
        lengths[0] > 10 && lengths.iter().all(|&n| n == lengths[0]),
        "{lengths:?}"
    );

    let c = desk.json(["capacity", "a.settle", "--temp", "80", "--room", "25"]);
    assert_eq!(c["schema"], "settlepoint.capacity/1");
    assert_estimate(&c["capacity_w"], "capacity_w");
}

#[test]
fn choose_gives_settings_with_their_predictions() {
    let desk = Desk::with_three_runs();
    let c = desk.json([
        "choose",
        "a.settle",
        "--room",
        "30",
        "--temp-max",
        "85",
        "--loss-max",
        "30",
    ]);
    assert_eq!(c["schema"], "settlepoint.choose/1");
    assert_keys(&c, &["settings", "recommended", "quieter", "faster"]);
    let settings = c["settings"].as_array().expect("settings");
    assert!(!settings.is_empty());
    let chosen = ["recommended", "quieter", "faster"].map(|k| &c[k]);
    for s in settings
        .iter()
        .chain(chosen.into_iter().filter(|s| !s.is_null()))
    {
        assert_keys(s, &["pl1_w", "pl2_w", "tau_s", "temp_limit_c", "reasons"]);
        assert_prediction(s);
    }
    let recommended = &c["recommended"];
    assert!(
        !recommended.is_null(),
        "a loss of 30 % leaves room: {}",
        c["reasons"]
    );
    assert!(
        recommended["sustained"]["package_c"]["value"]
            .as_f64()
            .is_some_and(|t| t < 85.0),
        "{recommended}"
    );
    assert!(
        recommended["reasons"]
            .as_array()
            .is_some_and(|r| !r.is_empty())
    );
}

#[test]
fn demo_recommends_a_setting_and_can_be_repeated() {
    let desk = Desk::new();
    let text = desk.run(["demo"]).ok().out;
    assert!(text.contains("Recommended: PL1"), "{text}");
    let d = desk.json(["demo", "-o", "."]);
    assert_eq!(d["schema"], "settlepoint.demo/1");
    assert_keys(&d, &["notebook", "files", "recommended"]);
    assert_keys(
        &d["recommended"],
        &["pl1_w", "pl2_w", "tau_s", "temp_limit_c", "reasons"],
    );
    assert!(desk.path("demo.settle").is_file());
    for file in d["files"].as_array().expect("files") {
        assert!(
            desk.path(file.as_str().expect("a name")).is_file(),
            "{file}"
        );
    }
    // Numbers to type into the firmware stand in the text as in the object.
    let pl1 = d["recommended"]["pl1_w"].as_f64().expect("watts");
    assert!(text.contains(&format!("PL1 {pl1:.0} W")), "{pl1}");
}

#[test]
fn merge_export_completions_and_manual_answer_in_json_too() {
    let desk = Desk::with_three_runs();
    desk.run(["new", "b.settle"]).ok();
    let merged = desk.json(["merge", "b.settle", "a.settle"]);
    assert_eq!(merged["schema"], "settlepoint.merge/1");
    assert!(merged["merged"][0]["added"].as_u64().is_some_and(|n| n > 3));
    let again = desk.json(["merge", "b.settle", "a.settle"]);
    assert_eq!(again["merged"][0]["added"], 0);
    let exported = desk.json(["export", "b.settle", "--to", "out folder"]);
    assert_eq!(exported["schema"], "settlepoint.export/1");
    assert_eq!(exported["counts"]["runs"], 3);
    for file in exported["files"].as_array().expect("files") {
        let path = desk.path("out folder").join(file.as_str().expect("a name"));
        assert!(path.is_file(), "{}", path.display());
    }
    let script = desk.json(["completions", "bash"]);
    assert!(
        script["script"]
            .as_str()
            .is_some_and(|s| s.contains("settlepoint"))
    );
    let page = desk.json(["manual"]);
    assert!(page["page"].as_str().is_some_and(|s| s.contains(".TH")));
}

#[test]
fn help_of_every_command_is_there_and_names_the_exit_codes() {
    let desk = Desk::new();
    let help = desk.run(["--help"]).ok().out;
    for code in [
        "0 done",
        "1 findings",
        "2 wrong use",
        "4 not",
        "5 notebook",
        "6 interrupted",
    ] {
        assert!(help.contains(code), "{code}");
    }
    for command in [
        "demo", "inspect", "new", "runs", "exclude", "fit", "predict", "capacity", "choose",
        "export", "merge",
    ] {
        assert!(help.contains(command), "{command}");
        let own = desk.run([command, "--help"]).ok().out;
        assert!(own.contains("--json"), "{command}");
    }
    for thing in [
        "machine", "cooling", "tune", "setting", "workload", "log", "readings", "scores", "frames",
    ] {
        let own = desk.run(["add", thing, "--help"]).ok().out;
        assert!(own.contains("Notebook"), "{thing}");
    }
}
