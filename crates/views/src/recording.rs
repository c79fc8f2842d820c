//! Recordings in a notebook: where samples go, and what becomes of those that were cut off.

use serde_json::{Value, json};
use settlepoint_bench::{Header, Presence, Rows, Sink, SinkError};
use settlepoint_domain::{Finding, Id, LogError, Run, RunData, ScoreTime, Severity, TimeOrigin};
use settlepoint_notebook::{LogSource, Notebook, NotebookError};

use crate::ViewError;

/// Rules of what a recorder saw and a log alone does not show: kept with the run for good.
const RECORDED: [&str; 17] = [
    "clock_set",
    "command_failed",
    "ended_by_hand",
    "limits_moved",
    "limits_rival",
    "missed_ticks",
    "recording_cut_short",
    "score_not_found",
    "sensor_moved",
    "slept",
    "stopped_blind",
    "stopped_hot",
    "stopped_long",
    "threads_not_pinned",
    "unread_sensor",
    "wrong_result",
    "idle_not_settled",
];

/// Keeps samples in a notebook. The run appears there with its first rows, so that no recording is
/// ever empty.
#[derive(Debug)]
pub struct NotebookSink {
    book: Notebook,
    run: Run,
    source: String,
    begun: bool,
}

impl NotebookSink {
    /// A place for the samples of `run`, which is not in the notebook yet; `source` says where they come
    /// from.
    pub fn new(book: Notebook, run: Run, source: &str) -> Self {
        Self {
            book,
            run,
            source: source.to_owned(),
            begun: false,
        }
    }

    /// A notebook that was moved or deleted meanwhile goes on in a new file beside it.
    fn rescue(&mut self) -> Result<(), SinkError> {
        if self.book.is_in_place() {
            return Ok(());
        }
        let lost = self.book.path().to_path_buf();
        let stem = lost
            .file_stem()
            .map_or("notebook".into(), |s| s.to_string_lossy());
        for number in 1..100 {
            let place = lost.with_file_name(format!("{stem}-rescued-{number}.settle"));
            match self.book.rescue_to(&place) {
                Ok(book) => {
                    self.book = book;
                    return Err(SinkError::Later {
                        why: format!(
                            "{} was moved or deleted; all it held and the samples from now on are in {}",
                            lost.display(),
                            place.display()
                        ),
                    });
                }
                Err(NotebookError::Exists { .. }) => {}
                Err(other) => return Err(sink_error(&other)),
            }
        }
        Err(SinkError::Ended {
            why: format!("{} was moved or deleted, too often by now", lost.display()),
        })
    }

    fn write(&mut self, header: &Header, rows: Rows<'_>) -> Result<(), NotebookError> {
        let samples: Vec<(f64, &[f64])> = rows.iter().collect();
        if self.begun {
            return self.book.record(self.run.id, &samples);
        }
        let recipe = json!({ "recorder": Presence::here().to_json() }).to_string();
        let source = LogSource {
            name: &self.source,
            recipe: &recipe,
            raw: None,
        };
        let run = &self.run;
        self.book.transaction(|book| {
            debug_assert_eq!(run.data, RunData::Log);
            book.add_run(run)?;
            book.begin_recording(run.id, Some(&header.start), &header.channels, &source)?;
            book.record(run.id, &samples)
        })?;
        self.begun = true;
        Ok(())
    }
}

impl Sink for NotebookSink {
    fn keep(&mut self, header: &Header, rows: Rows<'_>) -> Result<(), SinkError> {
        self.rescue()?;
        self.write(header, rows).map_err(|e| sink_error(&e))
    }

    fn finish(&mut self) -> Result<(), SinkError> {
        if !self.begun {
            return Ok(());
        }
        let done = self.book.finish_recording(self.run.id);
        done.map(|_| ()).map_err(|e| sink_error(&e))
    }
}

fn sink_error(error: &NotebookError) -> SinkError {
    match error {
        NotebookError::DiskFull => SinkError::Later {
            why: "no space left for the notebook; samples wait in memory, free some space"
                .to_owned(),
        },
        NotebookError::Locked => SinkError::Later {
            why: "another program holds the notebook; samples wait in memory until it is done"
                .to_owned(),
        },
        other => SinkError::Ended {
            why: other.to_string(),
        },
    }
}

/// Who records, or recorded, the log of a run.
fn recorder(book: &Notebook, run: Id) -> Result<Option<Presence>, NotebookError> {
    let recipe = book.log_info(run)?.recipe;
    let value: Option<Value> = serde_json::from_str(&recipe).ok();
    Ok(value.and_then(|v| Presence::from_json(&v["recorder"])))
}

/// Ends recordings whose recorder has gone and says so with the run. Those under way are left alone;
/// so is everything in a notebook that may not be written to, or that another program holds.
///
/// # Errors
/// A notebook that cannot be read or written to.
pub fn mark_cut_short(book: &Notebook) -> Result<Vec<Run>, ViewError> {
    let unfinished = book.unfinished_recordings()?;
    if unfinished.is_empty() || book.is_read_only()? {
        return Ok(Vec::new());
    }
    let mut cut = Vec::new();
    for id in unfinished {
        let who = recorder(book, id)?;
        if who.as_ref().is_some_and(Presence::is_there) {
            continue;
        }
        match book.transaction(|book| end_cut_short(book, id, who.as_ref())) {
            Ok(()) => cut.push(book.run(id)?),
            // The samples can be read all the same; the next program to open the notebook tries again.
            Err(NotebookError::Locked | NotebookError::DiskFull | NotebookError::ReadOnly) => {}
            Err(other) => return Err(other.into()),
        }
    }
    Ok(cut)
}

fn end_cut_short(book: &Notebook, id: Id, who: Option<&Presence>) -> Result<(), NotebookError> {
    let log = match book.finish_recording(id) {
        Ok(log) => log,
        // Nothing was ever recorded: no reading is lost with the run.
        Err(NotebookError::Log(LogError::Empty)) => return book.remove_run(id),
        Err(other) => return Err(other),
    };
    let length_s = log.time_s()[log.len() - 1];
    let last = log.start().map_or(String::new(), |start| {
        let seconds = start.unix_ns as f64 * 1e-9 + length_s;
        let time = ScoreTime {
            seconds: (1e3 * seconds).round() * 1e-3,
            origin: TimeOrigin::Epoch,
        };
        format!(" at {time} UTC")
    });
    let why = match who {
        Some(who) if who.same_start() => "its recorder was killed or crashed",
        Some(_) => "the machine has been started again since",
        None => "its recorder is not known",
    };
    let finding = Finding {
        rule: "recording_cut_short",
        severity: Severity::Warning,
        run: None,
        evidence: format!(
            "the recording was cut short: {why}; the last sample is of {length_s:.1} s after its \
             start{last}"
        ),
        remedy: "if the machine crashed by itself, the setting may be unstable: repeat the run, and take \
                 back voltage offsets or limits if it happens again"
            .to_owned(),
    };
    book.set_findings(id, &[finding])
}

/// What was kept with a run when it was recorded.
///
/// # Errors
/// A notebook that cannot be read.
pub fn findings(book: &Notebook, run: &Run) -> Result<Vec<Finding>, NotebookError> {
    let mut found = Vec::new();
    for kept in book.findings(run.id)? {
        let Some(rule) = RECORDED.into_iter().find(|rule| *rule == kept.rule) else {
            continue;
        };
        found.push(Finding {
            rule,
            severity: kept.severity,
            run: Some(run.name.clone()),
            evidence: kept.evidence,
            remedy: kept.remedy,
        });
    }
    Ok(found)
}
