//! Recordings of an invented machine, whole, piped and killed.

use std::path::Path;
use std::process::Command;
use std::time::Duration;

use serde_json::Value;

use crate::support::{Desk, Said};

fn desk() -> Desk {
    let desk = Desk::with_notebook();
    desk.run(["rehearse", "bench", "--seed", "3", "--speed", "240"])
        .ok();
    desk
}

/// An hour passes in a quarter of a minute at 240 times real speed.
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
    let again = ["rehearse", "bench", "--seed", "3", "--speed", "240"];
    let truth = desk.json(again)["truth"].clone();
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

#[test]
fn two_recorders_share_a_notebook() {
    let desk = desk();
    desk.run(["rehearse", "other", "--seed", "4", "--speed", "240"])
        .ok();
    let start = |root: &str, name: &str| {
        desk.spawn([
            "record", "a.settle", "--root", root, "--load", "mixed", "--for", "240", "--name",
            name, "--json",
        ])
    };
    let both = [start("bench", "one"), start("other", "two")];
    for child in both {
        let said = Said::of(child.wait_with_output().expect("an end")).ok();
        // Ten rows a second, and the first.
        let rows = said.object()["rows"].as_u64().expect("rows");
        assert!((2395..=2402).contains(&rows), "{rows}");
    }
    let runs = desk.runs();
    assert_eq!(runs.len(), 2);
    let again = [
        "record", "a.settle", "--root", "bench", "--for", "1", "--name", "one",
    ];
    desk.run(again)
        .refused(2)
        .saying(&["already has a run 'one'"]);
}

fn set_mode(path: &Path, mode: u32) {
    let mode = std::os::unix::fs::PermissionsExt::from_mode(mode);
    std::fs::set_permissions(path, mode).expect("permissions");
}

/// Runs the program as somebody who owns nothing here; `None` where that cannot be.
fn as_nobody(desk: &Desk, args: &[&str]) -> Option<Said> {
    let program = env!("CARGO_BIN_EXE_settlepoint");
    let status = std::fs::read_to_string("/proc/self/status").expect("a process");
    let is_root = status.lines().any(|l| l.starts_with("Uid:\t0\t"));
    // For a user who is not root permissions count as they are.
    let mut command = if is_root {
        let mut command = Command::new("setpriv");
        let nobody = ["--reuid=65534", "--regid=65534", "--clear-groups"];
        command.args(nobody).arg(program);
        command
    } else {
        Command::new(program)
    };
    command
        .args(args)
        .current_dir(desk.path(""))
        .env("HOME", desk.path("home"))
        .env_remove("XDG_STATE_HOME")
        .stdin(std::process::Stdio::null());
    let said = Said::of(command.output().ok()?);
    // A build folder that nobody else may look into.
    (said.code != Some(127) && said.code != Some(126)).then_some(said)
}

#[test]
fn without_permissions_each_refusal_says_what_would_help() {
    let desk = desk();
    desk.write("plan.csv", "run,workload,pl1_w\na,rest,60\n");
    std::fs::create_dir(desk.path("home")).expect("a folder");
    std::fs::copy(desk.path("a.settle"), desk.path("home/b.settle")).expect("a notebook");
    // Plain files without a rehearsal in them, as under a real machine's root.
    std::fs::remove_dir_all(desk.path("bench/rehearsal")).expect("a rehearsal");
    let zone = desk.path("bench/sys/class/powercap/intel-rapl:0");
    set_mode(&zone.join("energy_uj"), 0o000);
    set_mode(&zone.join("constraint_0_power_limit_uw"), 0o444);
    for (path, mode) in [
        ("", 0o755),
        ("home", 0o777),
        ("home/b.settle", 0o666),
        ("a.settle", 0o444),
    ] {
        set_mode(&desk.path(path), mode);
    }
    let Some(said) = as_nobody(&desk, &["channels", "--root", "bench"]) else {
        return;
    };
    assert_eq!(said.code, Some(0), "{said:?}");
    for part in ["intel-rapl:0/energy_uj", "as root", "CVE-2020-8694"] {
        assert!(said.out.contains(part), "'{part}' in {}", said.out);
    }
    let nobody = |args: &[&str]| as_nobody(&desk, args).expect("it ran before");
    let record = |book| nobody(&["record", book, "--root", "bench", "--for", "0.5"]);
    record("a.settle")
        .refused(5)
        .saying(&["may not be written", "permissions"]);
    let said = record("home/b.settle");
    assert_eq!(said.code, Some(0), "what can be read is recorded: {said:?}");
    assert!(said.out.contains("no_permission"), "{said:?}");
    let campaign = [
        "campaign",
        "home/b.settle",
        "--sheet",
        "plan.csv",
        "--root",
        "bench",
    ];
    // The code of the cautions, by a guess that is wrong.
    let wrong = [&campaign[..], &["--write-limits", "--yes", "x"]].concat();
    let said = nobody(&wrong).refused(2);
    let code = said
        .err
        .trim()
        .rsplit(' ')
        .next()
        .expect("a code")
        .to_owned();
    let write = [&campaign[..], &["--write-limits", "--yes", &code]].concat();
    nobody(&write)
        .refused(2)
        .saying(&["may not be written", "root", "by hand"]);
    let by_hand = nobody(&campaign);
    assert_eq!(by_hand.code, Some(6), "nobody answers: {by_hand:?}");
    assert!(by_hand.err.contains("PL1: 60 W"), "{by_hand:?}");
}

#[test]
fn a_notebook_deleted_under_way_goes_on_in_another_file() {
    let desk = desk();
    let child = desk.spawn([
        "record", "a.settle", "--root", "bench", "--load", "mixed", "--for", "700", "--name", "one",
    ]);
    let started = std::time::Instant::now();
    while desk.runs().is_empty() {
        assert!(started.elapsed() < Duration::from_secs(20), "no rows came");
        std::thread::sleep(Duration::from_millis(50));
    }
    std::fs::remove_file(desk.path("a.settle")).expect("deleted");
    let said = Said::of(child.wait_with_output().expect("an end")).refused(5);
    said.saying(&["a.settle was moved or deleted", "a-rescued-1.settle"]);
    let runs = desk.json(["runs", "a-rescued-1.settle"]);
    assert_eq!(runs["runs"][0]["name"], "one", "{runs}");
    desk.run(["export", "a-rescued-1.settle", "--to", "out", "--as", "csv"])
        .ok();
    let log = std::fs::read_to_string(desk.path("out/log-001-one.csv")).expect("samples");
    // Ten rows a second from before and after the deletion, and the header.
    let rows = log.lines().count();
    assert!((6990..=7003).contains(&rows), "{rows} rows");
}
