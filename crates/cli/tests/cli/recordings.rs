//! Recordings of an invented machine, whole, piped and killed.

use std::time::Duration;

use serde_json::Value;

use crate::support::Desk;

fn desk() -> Desk {
    let desk = Desk::with_notebook();
    desk.run(["rehearse", "bench", "--seed", "3"]).ok();
    desk
}

/// A quarter of an hour passes in as many seconds at 60 times real speed.
fn record(desk: &Desk, more: &[&str]) -> Value {
    let args = ["record", "a.settle", "--root", "bench"].into_iter();
    desk.json(args.chain(more.iter().copied()))
}

#[test]
fn a_machine_is_found_recorded_and_fitted() {
    let desk = desk();
    let found = desk.json(["channels", "--root", "bench"]);
    let roles: Vec<&str> = found["channels"]
        .as_array()
        .expect("channels")
        .iter()
        .filter_map(|c| c["role"].as_str())
        .collect();
    for role in [
        "power",
        "temperature",
        "fan_speed",
        "clock",
        "room",
        "limit",
    ] {
        assert!(roles.contains(&role), "{role} in {roles:?}");
    }
    let truth = desk.json(["rehearse", "bench", "--seed", "3"])["truth"].clone();
    record(
        &desk,
        &[
            "--load",
            "mixed",
            "--rest-before",
            "60",
            "--for",
            "400",
            "--name",
            "one",
        ],
    );
    let fit = desk.json(["fit", "a.settle"]);
    let held = &fit["models"]["thermal"]["resistance_k_per_w"];
    let (lo, hi) = (held["lo"].as_f64(), held["hi"].as_f64());
    let (lo, hi) = (lo.expect("a number"), hi.expect("a number"));
    let true_k_per_w = truth["resistance_k_per_w"].as_f64().expect("a number");
    // One run tells K/W at full fan within its 90 % interval; twice its width leaves one miss in
    // a thousand for an honest interval.
    let (middle, half) = (f64::midpoint(lo, hi), 0.5 * (hi - lo));
    assert!(
        (true_k_per_w - middle).abs() < 2.0 * half,
        "{true_k_per_w} against {lo} to {hi}"
    );
    assert!(half < 0.4 * true_k_per_w, "{lo} to {hi} says nothing");
}

#[test]
fn a_killed_recording_opens_and_says_that_it_was_cut_short() {
    let desk = desk();
    for (round, wait_ms) in [700_u64, 1100, 1650].into_iter().enumerate() {
        let name = format!("killed {round}");
        let mut child = desk.spawn([
            "record", "a.settle", "--root", "bench", "--load", "mixed", "--for", "90000", "--name",
            &name,
        ]);
        let started = std::time::Instant::now();
        // The first rows reach the file within a second of the bench's time.
        while !desk.runs().iter().any(|r| r["name"] == name.as_str()) {
            assert!(started.elapsed() < Duration::from_secs(20), "no rows came");
            std::thread::sleep(Duration::from_millis(50));
        }
        std::thread::sleep(Duration::from_millis(wait_ms));
        child.kill().expect("SIGKILL");
        child.wait().expect("an end");
        let review = desk.json(["review", "a.settle"]);
        let findings = review["findings"].as_array().expect("findings");
        let cut = findings
            .iter()
            .filter(|f| f["rule"] == "recording_cut_short" && f["run"] == name.as_str());
        assert_eq!(cut.count(), 1, "{findings:?}");
    }
    assert_eq!(desk.runs().len(), 3);
}

#[test]
fn a_pipe_carries_a_recording_to_another_notebook() {
    let desk = desk();
    let said = desk.run([
        "record", "--to", "-", "--root", "bench", "--load", "mixed", "--for", "120",
    ]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let samples = said.out;
    let rows = samples.lines().count();
    // Ten rows a second, the first at 0 and a header.
    assert!((1190..=1210).contains(&rows), "{rows} lines");
    desk.feed(
        [
            "add",
            "log",
            "a.settle",
            "-",
            "--pl1",
            "70",
            "--pl2",
            "125",
            "--workload",
            "mixed",
        ],
        samples.as_bytes(),
    )
    .ok();
    let power_w = desk.runs()[0]["power_w"].as_f64().expect("watts");
    assert!((50.0..130.0).contains(&power_w), "{power_w} W");
}
