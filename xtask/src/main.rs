//! Chores of the project.
//!
//! `cargo xtask demo-data` writes the invented logs of the demo anew; `cargo xtask deps` checks the
//! licences and looks for crates that are there in two versions, offline; `cargo xtask calibrate`
//! tries the fits on simulated machines, `cargo xtask verdicts` the comparisons of runs, coolings and
//! units; `cargo xtask crash-test` kills recordings at random moments.

mod calibrate;
mod crash_test;
mod demo_data;
mod deps;
mod licence;

use std::process::ExitCode;

fn main() -> ExitCode {
    let mut words = std::env::args().skip(1);
    let done = match words.next().as_deref() {
        Some("demo-data") => demo_data::write(),
        Some("deps") => deps::check(),
        Some("calibrate") => calibrate::run(words),
        Some("verdicts") => calibrate::verdicts::run(words),
        Some("crash-test") => crash_test::run(words),
        _ => Err(
            "usage: cargo xtask demo-data | deps | calibrate | verdicts | crash-test".to_owned(),
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
