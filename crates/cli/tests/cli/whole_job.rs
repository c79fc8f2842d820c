//! From typed averages to a choice, and out of the notebook again.

use serde_json::Value;

use crate::support::{Desk, THREE, names_in};

#[test]
fn three_typed_runs_are_enough_to_fit_predict_and_choose() {
    let desk = Desk::new();
    desk.write("my runs.csv", THREE);
    desk.run(["new", "my notebook.settle"]).ok();
    desk.run(["add", "readings", "my notebook.settle", "my runs.csv"])
        .ok();
    let fit = desk.run(["fit", "my notebook.settle"]).ok().out;
    assert!(
        fit.contains("3 runs used") && fit.contains("Not known"),
        "{fit}"
    );
    let at = |room: &str| {
        let p = desk.json([
            "predict",
            "my notebook.settle",
            "--pl1",
            "150",
            "--pl2",
            "253",
            "--tau",
            "56",
            "--temp-limit",
            "100",
            "--room",
            room,
        ]);
        p["sustained"]["package_c"]["value"]
            .as_f64()
            .expect("a temperature")
    };
    let (cool, warm) = (at("21"), at("31"));
    // 150 W lies between the runs at 125 W (70 °C) and 181 W (88 °C).
    assert!(70.0 < cool && cool < 88.0, "{cool}");
    // Faster fans give back part of the 10 K; leakage cannot double them.
    assert!(cool + 2.0 < warm && warm < cool + 20.0, "{cool} {warm}");
    let chosen = desk
        .run([
            "choose",
            "my notebook.settle",
            "--room",
            "30",
            "--temp-max",
            "85",
            "--loss-max",
            "25",
        ])
        .ok()
        .out;
    assert!(chosen.contains("Recommended: PL1"), "{chosen}");
    let capacity = desk
        .run([
            "capacity",
            "my notebook.settle",
            "--temp",
            "85",
            "--room",
            "21",
        ])
        .ok()
        .out;
    assert!(capacity.starts_with("holds "), "{capacity}");
}

#[test]
fn runs_without_room_watts_speeds_or_scores_still_give_an_answer() {
    let desk = Desk::with_notebook();
    let table =
        "run,pl1_w,phase,package_c\na,65,sustained,52\nb,125,sustained,70\nc,181,sustained,88\n";
    desk.add_readings(table).ok();
    let p = desk.json([
        "predict",
        "a.settle",
        "--pl1",
        "150",
        "--temp-limit",
        "100",
        "--room",
        "21",
    ]);
    let package = &p["sustained"]["package_c"];
    let width = package["hi"].as_f64().expect("hi") - package["lo"].as_f64().expect("lo");
    assert!(
        width > 1.0,
        "so little data cannot give a narrow interval: {package}"
    );
    let level = &p["sustained"]["level_dba"];
    assert!(
        level["value"].is_null() && level["needs"].is_string(),
        "{level}"
    );
    assert_eq!(p["work_rel"]["basis"], "assumed", "{p}");
    desk.run(["fit", "a.settle"]).ok();
    desk.run(["predict", "a.settle", "--pl1", "150", "--room", "21"])
        .ok();
}

#[test]
fn a_question_the_data_cannot_answer_says_what_would() {
    let desk = Desk::with_notebook();
    desk.add_readings("run,pl1_w,room_c,phase,power_w,package_c\na,65,21,sustained,65,52\n")
        .ok();
    desk.run([
        "capacity", "a.settle", "--temp", "80", "--room", "21", "--level", "30",
    ])
    .refused(4)
    .saying(&["sound level", "--fan-speed"]);
    desk.run([
        "capacity",
        "a.settle",
        "--temp",
        "80",
        "--room",
        "21",
        "--fan-speed",
        "900",
    ])
    .refused(4)
    .saying(&["fan speed", "--fan-max"]);
    let chosen = desk.run(["choose", "a.settle", "--room", "30"]).ok().out;
    for said in ["no score", "assumed", "make one run"] {
        assert!(chosen.contains(said), "{chosen}");
    }
}

#[test]
fn an_excluded_run_does_not_count_until_it_is_taken_back() {
    let desk = Desk::with_three_runs();
    let used = || desk.json(["fit", "a.settle"])["runs_used"].clone();
    assert_eq!(used(), serde_json::json!(["low", "mid", "high"]));
    desk.run(["exclude", "a.settle", "mid", "--reason", "window open"])
        .ok();
    assert_eq!(used(), serde_json::json!(["low", "high"]));
    assert_eq!(desk.runs()[1]["excluded"], "window open");
    let text = desk.run(["runs", "a.settle"]).ok().out;
    assert!(text.contains("window open"), "{text}");
    desk.run(["exclude", "a.settle", "mid", "--reason", "  "])
        .refused(5);
    desk.run(["exclude", "a.settle", "mid"]).ok();
    assert!(desk.runs()[1]["excluded"].is_null());
    for run in ["low", "mid", "high"] {
        desk.run(["exclude", "a.settle", run, "--reason", "all out"])
            .ok();
    }
    desk.run(["fit", "a.settle"]).refused(4);
}

#[test]
fn a_mistyped_run_ends_the_fit_with_a_way_out_or_not_at_all() {
    for (pl1_w, power_w, score) in [
        ("0.1", "65", "20"),
        ("4000", "4000", "20"),
        ("65", "65", "1e-12"),
    ] {
        let desk = Desk::with_three_runs();
        let table = format!(
            "run,pl1_w,room_c,phase,duration_s,power_w,package_c,score\n\
             odd,{pl1_w},21,sustained,600,{power_w},60,{score}\n"
        );
        desk.add_readings(table).ok();
        let said = desk.run(["fit", "a.settle"]);
        if said.code != Some(0) {
            let said = said.refused(4).saying(&["exclude", "--use"]);
            assert!(
                !said.err.contains("residual") && !said.err.contains("parameter"),
                "{said:?}"
            );
        }
        desk.run(["exclude", "a.settle", "odd", "--reason", "mistyped"])
            .ok();
        desk.run(["fit", "a.settle"]).ok();
    }
}

/// The runs without what belongs to one notebook only.
fn without_ids(runs: &[Value]) -> Vec<Value> {
    let mut runs = runs.to_vec();
    for run in &mut runs {
        run.as_object_mut().expect("a run").remove("id");
    }
    runs
}

#[test]
fn exported_readings_give_the_same_runs_in_a_new_notebook() {
    let desk = Desk::with_three_runs();
    desk.add_readings(
        "run,machine,cooling,tune,setting,pl1_w,pl2_w,tau_s,temp_limit_c,workload,room_c,phase,\
         duration_s,power_w,package_c,fan_speed_rpm,level_dba,level_of,distance_m,background_dba,\
         clock_mhz_1,clock_mhz_2,score\n\
         \"a; \"\"b\"\", c\",machine,as built,-50 mV,\"so, so\",automatic,unlimited,,95,mixdown,22.25,\
         boost,41.5,225,93,,,,,,,,\n\
         \"a; \"\"b\"\", c\",,,,,,,,,,,sustained,559,124,71,1100,33.1,all,0.6,21.5,5100,4100,28.125\n",
    )
    .ok();
    for form in ["csv", "json"] {
        let folder = format!("out {form}");
        desk.run(["export", "a.settle", "--to", &folder, "--as", form])
            .ok();
        assert!(!names_in(&desk.path(&folder)).is_empty());
    }
    desk.run(["new", "b.settle"]).ok();
    desk.run(["add", "readings", "b.settle", "out csv/readings.csv"])
        .ok();
    let of = |notebook: &str| {
        let answer = desk.json(["runs", notebook]);
        without_ids(answer["runs"].as_array().expect("runs"))
    };
    assert_eq!(of("a.settle"), of("b.settle"));
    assert_eq!(of("b.settle").len(), 4);
    // And once more, now byte for byte.
    desk.run(["export", "b.settle", "--to", "out again"]).ok();
    let read = |folder: &str| {
        std::fs::read_to_string(desk.path(folder).join("readings.csv")).expect("readings")
    };
    assert_eq!(read("out csv"), read("out again"));
    let text = std::fs::read_to_string(
        desk.path("out json")
            .join(&names_in(&desk.path("out json"))[0]),
    )
    .expect("the file");
    let whole: Value = serde_json::from_str(&text).expect("valid JSON");
    assert!(whole.is_object());
}

#[test]
fn a_log_is_split_by_a_column_with_limits_and_room_from_others() {
    let desk = Desk::with_notebook();
    let mut log =
        String::from("round;time (s);watts set;package power (W);package (°C);intake (°C)\n");
    for (step, watts) in [(1, 65), (2, 95), (3, 125)] {
        for second in 0..120 {
            let room = 20 + step;
            log += &format!(
                "{step};{};{watts};{watts},2;{},5;{room},0\n",
                second + 200 * step,
                30 + watts / 3
            );
        }
    }
    desk.write("steps.csv", log);
    let answer = desk.json([
        "add",
        "log",
        "a.settle",
        "steps.csv",
        "--runs-by",
        "round",
        "--pl1-from",
        "watts set",
        "--room-from",
        "intake (°C)",
        "--name",
        "step",
    ]);
    assert_eq!(answer["added"].as_array().map(Vec::len), Some(3));
    let runs = desk.runs();
    for (i, run) in runs.iter().enumerate() {
        assert_eq!(run["name"], format!("step {}", i + 1));
        assert_eq!(run["setting"]["pl1_w"], [65.0, 95.0, 125.0][i]);
        assert_eq!(run["room_c"], [21.0, 22.0, 23.0][i]);
    }
    // The same file again: all of it is refused.
    desk.run([
        "add",
        "log",
        "a.settle",
        "steps.csv",
        "--runs-by",
        "round",
        "--name",
        "step",
    ])
    .refused(2)
    .saying(&["step 1", "nothing was added"]);
    assert_eq!(desk.runs(), runs);
}
