//! Chores of the project.
//!
//! `cargo xtask demo-data` writes the invented logs of the demo anew; `cargo xtask deps` checks the
//! licences and looks for crates that are there in two versions, offline; `cargo xtask calibrate`
//! tries the fits on simulated machines, `cargo xtask verdicts` the comparisons of runs, coolings and
//! units; `cargo xtask crash-test` kills campaigns at random moments; `cargo xtask rehearse-test` holds
//! fits of rehearsed campaigns against the truth; `cargo xtask recorder-cost` measures what recording
//! costs.

mod calibrate;
mod demo_data;
mod deps;
mod licence;
mod long_test;
mod recorder_cost;

use std::process::ExitCode;

fn main() -> ExitCode {
    let mut words = std::env::args().skip(1);
    let done = match words.next().as_deref() {
        Some("demo-data") => demo_data::write(),
        Some("deps") => deps::check(),
        Some("calibrate") => calibrate::run(words),
        Some("verdicts") => calibrate::verdicts::run(words),
        Some("crash-test") => long_test::CRASHES.run(words),
        Some("rehearse-test") => long_test::REHEARSALS.run(words),
        Some("recorder-cost") => recorder_cost::run(words),
        _ => Err(
            "usage: cargo xtask demo-data | deps | calibrate | verdicts | crash-test | rehearse-test | \
             recorder-cost"
                .to_owned(),
        ),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            #[expect(
                clippy::print_stderr,
                reason = "a chore tells its caller what is wrong"
            )]
            {
                eprintln!("xtask: {why}");
            }
            ExitCode::FAILURE
        }
    }
}
