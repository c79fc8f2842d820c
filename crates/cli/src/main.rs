//! The settlepoint command line: parse, call, print.

#![expect(
    clippy::format_push_string,
    clippy::format_collect,
    reason = "answers are short and written once; write! adds a Result that cannot fail"
)]

mod args;
mod commands;
mod error;
mod frame_file;
mod interrupt;
mod limits;
mod live;
mod log_file;
mod prior_file;
mod readings;
mod score_table;
mod table_review;
mod view;

use std::io::Write as _;
use std::process::ExitCode;

use clap::{CommandFactory as _, Parser as _};

use args::{Cli, Command};
use error::{Code, Failure};
use view::Answer;

fn main() -> ExitCode {
    interrupt::watch();
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => return usage(&error),
    };
    let json = cli.json;
    let done = match cli.command {
        // It says what it has to say at once, and stays.
        Command::Serve(args) => commands::serve::serve(&args, json).map(|()| ExitCode::SUCCESS),
        command => run(command, json).map(|outcome| finish(&outcome, json)),
    };
    match done {
        Ok(code) => code,
        Err(failure) => {
            message(&view::printable(&format!("settlepoint: {failure}\n")));
            ExitCode::from(failure.code as u8)
        }
    }
}

/// Help and version are answers; everything else that clap stops at is wrong use.
fn usage(error: &clap::Error) -> ExitCode {
    let _ = error.print();
    if error.use_stderr() {
        ExitCode::from(2)
    } else {
        ExitCode::SUCCESS
    }
}

/// An answer, with the exit code that goes with it.
pub(crate) struct Outcome {
    pub(crate) answer: Answer,
    pub(crate) code: u8,
}

impl From<Answer> for Outcome {
    fn from(answer: Answer) -> Self {
        Self { answer, code: 0 }
    }
}

fn run(command: Command, json: bool) -> Result<Outcome, Failure> {
    let answer = match command {
        Command::Demo(args) => commands::demo::demo(&args)?,
        Command::Serve(_) => return Err(Failure::usage("serve stays and gives no answer")),
        Command::Inspect(args) => {
            let (answer, denied) = commands::inspect::inspect(&args)?;
            return Ok(Outcome {
                answer,
                code: if denied { Code::Denied as u8 } else { 0 },
            });
        }
        Command::New { notebook } => commands::add::new(&notebook)?,
        Command::Add(command) => commands::add::add(command)?,
        Command::Runs { notebook } => commands::runs::runs(&notebook)?,
        Command::Exclude {
            notebook,
            run,
            reason,
        } => commands::runs::exclude(&notebook, &run, reason.as_deref())?,
        Command::Fit(args) => commands::fit::fit(&args)?,
        Command::Predict(args) => commands::predict::predict(&args)?,
        Command::Capacity(args) => commands::predict::capacity(&args)?,
        Command::Choose(args) => commands::choose::choose(&args)?,
        Command::Plan(args) => commands::plan::plan(&args)?,
        Command::Compare(args) => commands::compare::compare(&args)?,
        Command::Verify(args) => commands::verify::verify(&args)?,
        Command::BeforeAfter(args) => commands::before_after::before_after(&args)?,
        Command::Check(args) => {
            let (answer, denied) = commands::check::check(&args)?;
            return Ok(Outcome {
                answer,
                code: if denied { Code::Denied as u8 } else { 0 },
            });
        }
        Command::Review(args) => {
            let (answer, denied) = commands::review::review(&args)?;
            return Ok(Outcome {
                answer,
                code: u8::from(denied),
            });
        }
        Command::Rank(args) => commands::rank::rank(&args)?,
        Command::Channels(args) => commands::channels::channels(&args)?,
        Command::Record(args) => return commands::record::record(&args, json),
        Command::Campaign(args) => return commands::campaign::campaign(&args),
        Command::GuardLimits { store } => commands::campaign::guard(&store)?,
        Command::Rehearse(args) => commands::rehearse::rehearse(&args)?,
        Command::Chart(args) => commands::chart::chart(&args)?,
        Command::Report(args) => commands::report::report(&args)?,
        Command::Quietest(args) => commands::quietest::quietest(&args)?,
        Command::Sound(args) => commands::sound::sound(&args)?,
        Command::Export(args) => commands::export::export(&args)?,
        Command::Merge { into, from } => commands::export::merge(&into, &from)?,
        Command::Completions { shell } => completions(shell),
        Command::Manual => manual()?,
    };
    Ok(answer.into())
}

fn completions(shell: clap_complete::Shell) -> Answer {
    let mut bytes = Vec::new();
    clap_complete::generate(shell, &mut Cli::command(), "settlepoint", &mut bytes);
    let text = String::from_utf8_lossy(&bytes).into_owned();
    Answer::new(
        serde_json::json!({ "schema": "settlepoint.completions/1", "script": text }),
        text,
    )
}

fn manual() -> Result<Answer, Failure> {
    let mut bytes = Vec::new();
    clap_mangen::Man::new(Cli::command()).render(&mut bytes)?;
    let text = String::from_utf8_lossy(&bytes).into_owned();
    Ok(Answer::new(
        serde_json::json!({ "schema": "settlepoint.manual/1", "page": text }),
        text,
    ))
}

/// Prints an answer. A reader that closes the pipe early (`| head`) has what it wanted.
fn finish(outcome: &Outcome, json: bool) -> ExitCode {
    let text = if json {
        match serde_json::to_string_pretty(&outcome.answer.json) {
            Ok(text) => text + "\n",
            Err(error) => {
                message(&format!(
                    "settlepoint: the answer cannot be written as JSON: {error}\n"
                ));
                return ExitCode::from(5);
            }
        }
    } else {
        view::printable(&outcome.answer.text)
    };
    match print(&text) {
        Ok(()) => ExitCode::from(outcome.code),
        Err(failure) => {
            message(&format!("settlepoint: {failure}\n"));
            ExitCode::from(failure.code as u8)
        }
    }
}

/// Writes to standard output.
pub(crate) fn print(text: &str) -> Result<(), Failure> {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(e) if e.kind() != std::io::ErrorKind::BrokenPipe => Err(Failure::new(
            Code::Notebook,
            format!("cannot write the answer: {e}"),
        )),
        _ => Ok(()),
    }
}

/// Standard error is for people; if it is closed there is nobody to tell.
pub(crate) fn message(text: &str) {
    let _ = std::io::stderr().lock().write_all(text.as_bytes());
}
