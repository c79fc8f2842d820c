//! Limits that move while a run goes on.

#![cfg(unix)]

mod support;

use std::process::Command;

use settlepoint_bench::limits::{Allowed, LimitKeeper, LimitWatch, WantedLimits};
use settlepoint_bench::rehearse::{MachineSpec, make};
use settlepoint_bench::{End, Plan, Recorder, RunOutcome, Stages, Stop, discover, run};
use support::{Event, S, TestClock};

const LONG: &str = "sys/class/powercap/intel-rapl:0/constraint_0_power_limit_uw";

/// A run of 100 s under 50 W on a machine whose files only `events` change; what the watch found.
fn watched(events: impl Fn(&std::path::Path) -> Vec<(i64, Event)>) -> (RunOutcome, Option<String>) {
    let folder = tempfile::tempdir().expect("a folder");
    let root = folder.path();
    make(root, &MachineSpec::from_seed(3)).expect("a machine");
    let clock = TestClock::with(&events(&root.join(LONG)));
    let mut guard = Command::new("/bin/sh");
    guard.args(["-c", "echo ready; cat >/dev/null"]);
    let mut keeper =
        LimitKeeper::begin(root, &root.join("state"), &mut guard).expect("limits in hand");
    let wanted = WantedLimits {
        pl1_w: Some(50.0),
        ..WantedLimits::default()
    };
    keeper
        .set(&wanted, &Allowed::default(), &clock)
        .expect("held");
    let found = discover(root).expect("sensors");
    let plan = Plan {
        root,
        found: &found,
        feeds: Vec::new(),
        period_s: 0.1,
    };
    let recorder = Recorder::start(plan, &clock, None).expect("starts");
    let stages = Stages {
        run_s: Some(100.0),
        ..Stages::default()
    };
    let mut watch = LimitWatch::new(Some(&keeper));
    let outcome = run(recorder, None, None, stages, Stop::default(), |now| {
        watch.look(now)
    });
    (
        outcome.expect("a run"),
        watch.moved().map(|e| e.to_string()),
    )
}

#[test]
fn firmware_that_sets_its_own_after_sleep_ends_the_run_at_once() {
    let (outcome, moved) = watched(|file| {
        vec![
            (
                21 * S,
                Event::Write(file.to_path_buf(), "70000000".to_owned()),
            ),
            (21 * S, Event::Sleep(600 * S)),
        ]
    });
    // 300 ms went by before the run, while the firmware took the limit up.
    let End::LimitsMoved { at_s } = outcome.end else {
        panic!("{:?}", outcome.end)
    };
    assert!((620.0..621.0).contains(&at_s), "{at_s}");
    let said = moved.expect("why");
    assert!(
        said.contains("after sleep") && said.contains("70 W"),
        "{said}"
    );
    let rules: Vec<&str> = outcome.findings().iter().map(|f| f.rule).collect();
    assert!(
        rules.contains(&"slept") && rules.contains(&"limits_moved"),
        "{rules:?}"
    );
}

#[test]
fn a_service_that_sets_another_limit_is_found_within_ten_seconds() {
    let (outcome, moved) = watched(|file| {
        vec![(
            33 * S,
            Event::Write(file.to_path_buf(), "15000000".to_owned()),
        )]
    });
    let End::LimitsMoved { at_s } = outcome.end else {
        panic!("{:?}", outcome.end)
    };
    assert!((32.7..=43.0).contains(&at_s), "{at_s}");
    assert!(moved.expect("why").contains("something else"));
}

#[test]
fn sleep_alone_leaves_a_run_with_its_limits_go_on() {
    let (outcome, moved) = watched(|_| vec![(20 * S, Event::Sleep(5 * S))]);
    assert_eq!((outcome.end, moved), (End::Complete, None));
    assert!(outcome.slept_while_scored(), "its score is not kept");
}
