//! How often the intervals and verdicts that the comparison chooses are right, on simulated scores
//! and frame times:
//! `cargo run --release -p settlepoint-compare --example coverage [-- --trials N] [--only TEXT] [--seed N]`.
//!
//! `--only` keeps the lines whose name holds the text, `--trials` is their number of trials (10,000
//! for scores and 500 for frame times if not given).

#![expect(clippy::print_stdout, reason = "an example prints its result")]

#[path = "../tests/support/mod.rs"]
mod support;

use std::error::Error;

use settlepoint_stats::random::Random;
use support::{Law, Shares};

/// Frames in a recording and the correlation from frame to frame.
const RECORDINGS: [(usize, f64); 4] =
    [(10_000, 0.0), (10_000, 0.8), (40_000, 0.95), (40_000, 0.98)];

/// What was asked for.
struct Wanted {
    trials: Option<u32>,
    only: String,
    seed: u64,
}

impl Wanted {
    fn read() -> Result<Self, Box<dyn Error>> {
        let mut wanted = Self {
            trials: None,
            only: String::new(),
            seed: 2026,
        };
        let mut words = std::env::args().skip(1);
        while let Some(word) = words.next() {
            let value = words
                .next()
                .ok_or_else(|| format!("{word} needs a value after it"))?;
            match word.as_str() {
                "--trials" => wanted.trials = Some(value.parse()?),
                "--only" => wanted.only = value,
                "--seed" => wanted.seed = value.parse()?,
                other => return Err(format!("{other}: use --trials, --only or --seed").into()),
            }
        }
        Ok(wanted)
    }

    /// Each line has random numbers of its own, so that it reads the same when run alone.
    fn random(&self, line: &str) -> Option<Random> {
        let seed = line.bytes().fold(self.seed, |sum, byte| {
            sum.wrapping_mul(257).wrapping_add(u64::from(byte))
        });
        line.contains(&self.only).then(|| Random::from_seed(seed))
    }
}

fn print(what: &str, trials: u32, shares: Shares) {
    println!(
        "{what:44} {trials:6} {:8.2} {:11.2} {:6.2}",
        100.0 * shares.covered,
        100.0 * shares.false_different,
        100.0 * shares.false_same
    );
}

fn main() -> Result<(), Box<dyn Error>> {
    let wanted = Wanted::read()?;
    println!("percent of trials; 95 % intervals");
    println!("{:44} trials  covered  false diff  same", "");
    for law in Law::ALL {
        for n in [3, 5, 10, 30] {
            let line = format!("{law:?}, {n} a side");
            if let Some(mut random) = wanted.random(&line) {
                let trials = wanted.trials.unwrap_or(10_000);
                print(&line, trials, support::scores(law, n, trials, &mut random));
            }
        }
    }
    for (frames, phi) in RECORDINGS {
        let line = format!("{frames} frames, {phi}");
        let Some(mut random) = wanted.random(&line) else {
            continue;
        };
        let trials = wanted.trials.unwrap_or(500);
        for (metric, shares) in support::frames(frames, phi, trials, &mut random) {
            print(&format!("{line}, {}", metric.token()), trials, shares);
        }
    }
    Ok(())
}
