//! Bounds of `choose` in sone, above the background, and at idle.

use serde_json::Value;

use crate::support::Desk;

/// Three runs under load and one at rest, with the room noted.
const RUNS: &str = "\
run,pl1_w,pl2_w,tau_s,temp_limit_c,workload,room_c,phase,duration_s,power_w,package_c,fan_speed_rpm,level_dba,background_dba,score
low,65,253,56,100,mixdown,21,sustained,600,65,52,700,28.4,22,20.1
mid,125,253,56,100,mixdown,21,sustained,600,125,70,1100,33.2,22,28.9
high,181,253,56,100,mixdown,22,sustained,600,181,88,1480,36.6,22,33.4
rest,125,253,56,100,rest,21,idle,600,14,31,500,23.6,22,
";

fn desk() -> Desk {
    let desk = Desk::with_notebook();
    desk.run(["add", "workload", "a.settle", "rest", "--idle"])
        .ok();
    desk.write("runs.csv", RUNS);
    desk.run(["add", "readings", "a.settle", "runs.csv"]).ok();
    desk
}

fn choose(desk: &Desk, bounds: &[&str]) -> Value {
    let fixed = ["choose", "a.settle", "--room", "24", "--loss-max", "60"];
    desk.json(fixed.iter().chain(bounds).copied())
}

/// ISO 532-1: 0.439 074 sone are 30 phon, 2 sone 50 phon; background plus 9 dB is 31.
#[test]
fn sone_and_what_is_above_the_background_become_levels() {
    let desk = desk();
    let found = choose(
        &desk,
        &[
            "--sone-max",
            "2",
            "--sone-max-idle",
            "0.439074186575",
            "--above-background",
            "9",
        ],
    );
    let bound = |key: &str| found["bounds"][key].as_f64().expect("a level");
    assert!((bound("noise_max_dba") - 31.0).abs() < 1e-9);
    assert!((bound("noise_max_idle_dba") - 30.0).abs() < 1e-6);
    let notes = found["bounds"]["notes"].to_string();
    assert!(
        notes.contains("estimate") && notes.contains("31.0 dB(A)"),
        "{notes}"
    );
    let chosen = &found["recommended"];
    assert!(
        chosen["sustained"]["level_dba"]["value"]
            .as_f64()
            .expect("a level")
            <= 31.0,
        "{chosen}"
    );
}

/// Under load 60 dB(A) bind nothing; at rest 15 dB(A) are below the room.
#[test]
fn idle_has_a_bound_of_its_own() {
    let desk = desk();
    let bound = choose(&desk, &["--noise-max", "60", "--noise-max-idle", "15"]);
    assert!(bound["recommended"].is_null(), "{}", bound["recommended"]);
}

#[test]
fn what_the_notebook_cannot_tell_is_asked_for() {
    let desk = Desk::with_three_runs();
    desk.run([
        "choose",
        "a.settle",
        "--room",
        "24",
        "--above-background",
        "3",
    ])
    .refused(4)
    .saying(&["background_dba"]);
    desk.run([
        "choose",
        "a.settle",
        "--room",
        "24",
        "--sone-max-idle",
        "0.1",
    ])
    .refused(4)
    .saying(&["idle workload", "--idle"]);
}
