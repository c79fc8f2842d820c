//! Loads: what a machine is made to do while it is recorded.

mod command;
mod kernels;
mod spec;
mod threads;

use std::path::{Path, PathBuf};

pub use command::ScorePick;
pub use spec::{LoadKind, LoadSpec, Pulse};

use crate::error::BenchError;
use crate::rehearse;
use crate::topology::Topology;
pub(crate) use command::Running;
use threads::Threads;

/// What is run.
#[derive(Clone, Debug)]
pub enum Load {
    /// One of the built-in loads.
    BuiltIn(LoadSpec),
    /// A command line, with its score picked from the output.
    Command {
        /// The command line, for the shell.
        command: String,
        /// Where its score stands; `None` if it has none.
        pick: Option<ScorePick>,
    },
}

/// What a load came to.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LoadResult {
    /// Passes done by a built-in load.
    pub work: Option<f64>,
    /// Passes whose result was wrong: the machine does not compute right at this setting.
    pub wrong: u64,
    /// Threads that the system did not let be pinned.
    pub unpinned: u64,
    /// Exit code of a command.
    pub exit_code: Option<i32>,
    /// Score picked from a command's output, or why there is none.
    pub score: Option<Result<f64, String>>,
}

#[derive(Debug)]
enum Form {
    Threads(Threads),
    Command(Running, Option<ScorePick>),
    Rehearsed(Rehearsed),
}

/// A load under way.
#[derive(Debug)]
pub struct LoadRun {
    form: Form,
}

impl LoadRun {
    /// Starts a load. In a rehearsal a built-in load is a demand on the simulated machine.
    ///
    /// # Errors
    /// [`BenchError::Invalid`] for cores that are not there; [`BenchError::Command`].
    pub fn start(load: &Load, root: &Path, topology: &Topology) -> Result<Self, BenchError> {
        let form = match load {
            Load::BuiltIn(spec) if rehearse::is_rehearsal(root) => {
                Form::Rehearsed(Rehearsed::start(spec, root, topology)?)
            }
            Load::BuiltIn(spec) => Form::Threads(Threads::start(spec, topology)?),
            Load::Command { command, pick } => {
                Form::Command(Running::start(command)?, pick.clone())
            }
        };
        Ok(Self { form })
    }

    /// Work so far, NaN for a command. `time_s` is the recorder's, which a rehearsed pulse follows.
    pub fn work(&mut self, time_s: f64) -> f64 {
        match &mut self.form {
            Form::Threads(threads) => threads.done() as f64,
            Form::Command(..) => f64::NAN,
            Form::Rehearsed(rehearsed) => rehearsed.work(time_s),
        }
    }

    /// Whether it ended by itself.
    pub fn ended(&mut self) -> bool {
        match &mut self.form {
            Form::Threads(threads) => threads.ended(),
            Form::Command(running, _) => running.ended(),
            Form::Rehearsed(rehearsed) => rehearsed.ended(),
        }
    }

    /// Ends it and says what it came to.
    ///
    /// # Errors
    /// [`BenchError::File`] if the rehearsed machine cannot be told.
    pub fn stop(self) -> Result<LoadResult, BenchError> {
        match self.form {
            Form::Threads(threads) => {
                let sum = threads.stop();
                Ok(LoadResult {
                    work: Some(sum.done as f64),
                    wrong: sum.wrong,
                    unpinned: sum.unpinned,
                    ..LoadResult::default()
                })
            }
            Form::Command(running, pick) => {
                let text = running.text().to_owned();
                let (code, output) = running.stop();
                let score =
                    pick.map(|pick| pick.pick(&output).map_err(|e| format!("'{text}': {e}")));
                Ok(LoadResult {
                    exit_code: Some(code),
                    score,
                    ..LoadResult::default()
                })
            }
            Form::Rehearsed(rehearsed) => rehearsed.stop(),
        }
    }
}

/// A demand on a simulated machine.
#[derive(Debug)]
struct Rehearsed {
    root: PathBuf,
    spec: LoadSpec,
    /// Share of full demand while it is on.
    share: f64,
    now: f64,
    began_at: f64,
    began_s: Option<f64>,
}

/// Share of full demand that kinds of work draw. Invented.
fn demand_share(kind: LoadKind) -> f64 {
    match kind {
        LoadKind::Vector | LoadKind::Mixed => 1.0,
        LoadKind::Branch => 0.8,
        LoadKind::Memory => 0.6,
        LoadKind::Rest => 0.0,
    }
}

impl Rehearsed {
    fn start(spec: &LoadSpec, root: &Path, topology: &Topology) -> Result<Self, BenchError> {
        let all = topology.one_a_core(None).len().max(1);
        let used = match (spec.cores, &spec.core_kind) {
            (Some(cores), _) => cores.min(all),
            (None, Some(kind)) => topology.one_a_core(Some(kind)).len(),
            (None, None) => all,
        };
        let share = demand_share(spec.kind) * used as f64 / all as f64;
        rehearse::set_load(root, share)?;
        Ok(Self {
            root: root.to_path_buf(),
            spec: spec.clone(),
            share,
            now: share,
            began_at: rehearse::work(root),
            began_s: None,
        })
    }

    fn work(&mut self, time_s: f64) -> f64 {
        let began_s = *self.began_s.get_or_insert(time_s);
        if let Some(pulse) = self.spec.pulse {
            let on = pulse.is_on(time_s - began_s);
            let wanted = if on { self.share } else { 0.0 };
            if wanted.total_cmp(&self.now).is_ne() && rehearse::set_load(&self.root, wanted).is_ok()
            {
                self.now = wanted;
            }
        }
        rehearse::work(&self.root) - self.began_at
    }

    fn ended(&self) -> bool {
        let done = rehearse::work(&self.root) - self.began_at;
        self.spec.work.is_some_and(|work| done >= work as f64)
    }

    fn stop(self) -> Result<LoadResult, BenchError> {
        rehearse::set_load(&self.root, 0.0)?;
        Ok(LoadResult {
            work: Some(rehearse::work(&self.root) - self.began_at),
            ..LoadResult::default()
        })
    }
}

impl Drop for Rehearsed {
    fn drop(&mut self) {
        // The machine must not be left under load by an error.
        let _ = rehearse::set_load(&self.root, 0.0);
    }
}
