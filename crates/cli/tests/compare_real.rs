//! Measured repetitions and logs beside the project, compared and reviewed. They carry no licence
//! and are not part of the project; where they are absent these tests say so and pass.

#![expect(clippy::print_stdout, reason = "says how many files were found")]

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

fn folder() -> PathBuf {
    std::env::var_os("SETTLEPOINT_REAL_LOGS").map_or_else(
        || Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data/real"),
        PathBuf::from,
    )
}

/// The file's path, if it is there; says so if not.
fn found(name: &str) -> Option<String> {
    let path = folder().join(name);
    let there = path.is_file();
    println!("{} file found: {name}", u8::from(there));
    path.to_str().filter(|_| there).map(str::to_owned)
}

fn json(args: &[&str]) -> Value {
    let output = Command::new(env!("CARGO_BIN_EXE_settlepoint"))
        .args(args)
        .arg("--json")
        .output()
        .expect("the program starts");
    let message = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{args:?}: {message}");
    serde_json::from_slice(&output.stdout).expect("one JSON object")
}

fn close(got: &Value, want: f64, what: &str) {
    let got = got.as_f64().expect("a number");
    // Nine significant digits are printed.
    assert!(
        (got / want - 1.0).abs() < 1e-8,
        "{what}: {got} instead of {want}"
    );
}

/// What scipy 1.17.1 (numpy 2.4.6) says of a pair: ratio of geometric means, ends of the 90 and 95 %
/// intervals (`ttest_ind(equal_var=False)` on logarithms), its p-value.
struct Peer {
    ratio: f64,
    inner: [f64; 2],
    outer: Option<[f64; 2]>,
    p: f64,
}

fn agrees(row: &Value, peer: &Peer) {
    close(&row["ratio"]["value"], peer.ratio, "ratio");
    close(&row["ratio"]["lo"], peer.inner[0], "90 %, low");
    close(&row["ratio"]["hi"], peer.inner[1], "90 %, high");
    if let Some(outer) = peer.outer {
        close(&row["interval_95"][0], outer[0], "95 %, low");
        close(&row["interval_95"][1], outer[1], "95 %, high");
    }
    let p = row["p_difference"].as_f64().expect("p");
    // Tails of scipy are good to nine digits or so.
    assert!(
        (p / peer.p - 1.0).abs() < 1e-6,
        "p: {p} instead of {}",
        peer.p
    );
}

#[test]
fn programs_repeated_thirty_times() {
    let Some(file) = found("program-energy-30-repeats-wide.csv") else {
        return;
    };
    let table = ["compare", "--table", &file, "--lower-is-better"];
    let pair = |base: &str, other: &str| {
        let args: Vec<&str> = table
            .into_iter()
            .chain(["--workload", "t", base, other])
            .collect();
        json(&args)["rows"][0].clone()
    };
    let trees = pair("treebylevels_llama.js", "treebylevels_llama_opt.js");
    agrees(
        &trees,
        &Peer {
            ratio: 1.013_348_012_878_725_3,
            inner: [1.005_031_016_822_239_2, 1.021_733_835_093_057_2],
            outer: Some([1.003_395_531_619_382_8, 1.023_399_210_825_651_3]),
            p: 0.009_350_570_086_461_122,
        },
    );
    assert_eq!(trees["verdict"], "slower");
    // scipy 1.17.1, scipy.stats.mannwhitneyu(method="exact").
    close(&trees["rank_p"], 0.006_969_004_235_186_258, "rank test");
    let jobs = pair("sjf_llama.js", "sjf_llama_opt.js");
    agrees(
        &jobs,
        &Peer {
            ratio: 1.001_101_644_081_497_7,
            inner: [0.993_504_920_083_747_1, 1.008_756_455_577_690_7],
            outer: Some([0.992_011_236_635_846_7, 1.010_275_352_506_488_5]),
            p: 0.809_931_342_217_836_6,
        },
    );
    assert_eq!(jobs["verdict"], "same");
    let all = json(&table.into_iter().chain(["--all-pairs"]).collect::<Vec<_>>());
    // 58 programs, energy and time.
    assert_eq!(all["rows"].as_array().expect("rows").len(), 58 * 57);
    assert_eq!(all["overall"]["any_differs"], true);
}

#[test]
fn programs_of_very_different_scatter() {
    let Some(file) = found("program-energy-repeats.csv") else {
        return;
    };
    let table = [
        "compare",
        "--table",
        &file,
        "--lower-is-better",
        "--workload",
        "column 2",
    ];
    let pair = ["reverse-complement", "pidigits"];
    let row = json(&table.into_iter().chain(pair).collect::<Vec<_>>())["rows"][0].clone();
    agrees(
        &row,
        &Peer {
            ratio: 1.309_305_495_698_983_6,
            inner: [1.172_427_842_058_606_7, 1.462_163_230_495_739_7],
            outer: None,
            p: 4.583_826_687_085_48e-4,
        },
    );
    assert_eq!(row["verdict"], "slower");
    let all = json(&table.into_iter().chain(["--all-pairs"]).collect::<Vec<_>>());
    // 11 programs.
    assert_eq!(all["rows"].as_array().expect("rows").len(), 55);
}

/// What is said of each file, as read and judged by a person: which rules, of the importer and of the
/// log's review, not the words.
const REVIEWED: [(&str, &[&str]); 21] = [
    (
        "accelerator-steps.csv",
        &["aliased", "room_not_logged", "throttled_by_other"],
    ),
    ("apu-power-limit-sweep-15-55w.csv", &["gap_in_load", "gaps"]),
    (
        "board-tx1-kernel-power-temp.txt",
        &[
            "aliased",
            "repeated_times",
            "room_not_logged",
            "text_column",
        ],
    ),
    ("fan-level-vs-loudness-75-recordings.csv", &[]),
    (
        "gpu-node-hourly-power-temp.txt",
        &[
            "aliased",
            "gap_in_load",
            "gaps",
            "newest_first",
            "not_settled",
            "room_not_logged",
            "sampling_too_slow",
            "text_column",
        ],
    ),
    ("heater-resistor-fan-step.csv", &["room_not_logged"]),
    (
        "ir-camera-cooldown-two-regions.asc",
        &["gaps", "text_column", "uneven_steps"],
    ),
    ("laptop-fan-rpm-12h-clock.csv", &["repeated_times"]),
    ("room-multisensor-with-cpu-temp-14days.csv", &["gaps"]),
    (
        "sbc-pi3-case-minmax-cycling.csv",
        &["not_settled", "room_not_logged", "text_column"],
    ),
    (
        "sbc-pi4-fan-on-off-5-cycles.csv",
        &["gaps", "room_not_logged", "uneven_steps"],
    ),
    (
        "sbc-pi4-load-step-throttle.csv",
        &["not_settled", "room_not_logged", "throttled"],
    ),
    ("sbc-pi4-six-hour-load.csv", &["room_not_logged"]),
    ("server-ac-vs-counter-power-phases.tsv", &["aliased"]),
    ("heater-box-step-epoch-ns.csv", &["room_not_logged"]),
    ("machine-temp-clock-set-back.csv", &["clock_one_hour_back"]),
    ("program-energy-30-repeats-wide.csv", &["text_column"]),
    ("program-energy-repeats.csv", &["text_column"]),
    ("transistor-heater-kelvin-noheader.csv", &[]),
    (
        "transistor-heater-two-channel-steps.txt",
        &["room_not_logged"],
    ),
    (
        "two-transistors-dup-header-no-time.csv",
        &["room_not_logged"],
    ),
];

#[test]
fn what_the_review_says_of_each_log() {
    for (name, want) in REVIEWED {
        let Some(file) = found(name) else {
            continue;
        };
        let answer = json(&["review", &file]);
        let mut rules: Vec<&str> = answer["findings"]
            .as_array()
            .expect("findings")
            .iter()
            .filter_map(|f| f["rule"].as_str())
            .collect();
        rules.sort_unstable();
        rules.dedup();
        assert_eq!(rules, want, "{name}");
    }
}
