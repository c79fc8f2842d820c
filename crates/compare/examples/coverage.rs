//! How often the intervals and verdicts that the comparison chooses are right, on simulated scores
//! and frame times: `cargo run --release -p settlepoint-compare --example coverage [-- TRIALS]`.

#![expect(clippy::print_stdout, reason = "an example prints its result")]

#[path = "../tests/support/mod.rs"]
mod support;

use settlepoint_stats::random::Random;
use support::{Law, Shares};

fn print(what: &str, shares: Shares) {
    println!(
        "{what:44} {:7.2} {:11.2} {:6.2}",
        100.0 * shares.covered,
        100.0 * shares.false_different,
        100.0 * shares.false_same
    );
}

fn main() {
    let trials: u32 = std::env::args()
        .nth(1)
        .and_then(|t| t.parse().ok())
        .unwrap_or(10_000);
    let mut random = Random::from_seed(2026);
    println!("{trials} trials a line, percent; 95 % intervals");
    println!("{:44} covered  false diff  same", "");
    for law in Law::ALL {
        for n in [3, 5, 10, 30] {
            let shares = support::scores(law, n, trials, &mut random);
            print(&format!("{law:?}, {n} a side"), shares);
        }
    }
    let trials = trials.div_ceil(20);
    println!("{trials} trials a line");
    for (frames, phi) in [(10_000, 0.0), (10_000, 0.8), (40_000, 0.95)] {
        for (metric, shares) in support::frames(frames, phi, trials, &mut random) {
            print(
                &format!("{frames} frames, {phi}, {}", metric.token()),
                shares,
            );
        }
    }
}
