//! What went wrong while recording, and what it means.

use settlepoint_domain::{Finding, Severity};

use crate::load::LoadResult;
use crate::session::{End, RunOutcome};

/// Read errors of one channel.
#[derive(Clone, Debug, PartialEq)]
pub struct ReadErrors {
    /// The channel's label.
    pub label: String,
    /// How many samples are missing.
    pub count: u64,
    /// Time of the first, s.
    pub first_s: f64,
    /// Time of the last, s.
    pub last_s: f64,
    /// The system's reason for the last.
    pub why: String,
    /// Whether the channel gave values again afterwards.
    pub back: bool,
}

/// What happened to a recording, beside its samples.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Account {
    /// Rows taken.
    pub rows: u64,
    /// Ticks that came too late to be taken.
    pub missed_ticks: u64,
    /// Channels that could not always be read.
    pub read_errors: Vec<ReadErrors>,
    /// Sleeps of the machine: (time s, length s).
    pub sleeps: Vec<(f64, f64)>,
    /// Settings of the wall clock: (time s, by how much s).
    pub clock_set: Vec<(f64, f64)>,
    /// Channels that appeared under another file: label and file.
    pub moved: Vec<(String, String)>,
    /// Length, s.
    pub duration_s: f64,
}

/// Share of ticks that may be missed before it is worth a word. A judgement.
const MISSED_SHARE: f64 = 0.01;
/// Share of a channel's samples that may be missing before it is a warning. A judgement.
const UNREAD_SHARE: f64 = 0.05;

impl Account {
    /// What the user should know of it.
    pub fn findings(&self) -> Vec<Finding> {
        let mut found: Vec<Finding> = alike(&self.read_errors)
            .iter()
            .map(|errors| self.read_finding(errors))
            .collect();
        let ticks = (self.rows + self.missed_ticks).max(1);
        if self.missed_ticks as f64 > MISSED_SHARE * ticks as f64 {
            found.push(Finding::new(
                "missed_ticks",
                Severity::Warning,
                format!("{} of {ticks} ticks came too late", self.missed_ticks),
                "lower --rate, or leave a processor free of the load",
            ));
        }
        for (time_s, length_s) in &self.sleeps {
            found.push(Finding::new(
                "slept",
                Severity::Warning,
                format!("at {time_s:.0} s the machine slept for {length_s:.0} s"),
                "turn off sleep for the time of the runs and repeat the run; firmware may also have \
                 set its limits back",
            ));
        }
        for (time_s, by_s) in &self.clock_set {
            found.push(Finding::new(
                "clock_set",
                Severity::Note,
                format!("at {time_s:.0} s the wall clock was set by {by_s:+.1} s"),
                "nothing needs to be done: times in the log come from a clock that cannot be set",
            ));
        }
        if let Some((_, file)) = self.moved.first() {
            let labels: Vec<&str> = self.moved.iter().map(|(label, _)| label.as_str()).collect();
            found.push(Finding::new(
                "sensor_moved",
                Severity::Note,
                format!(
                    "{} went away and came back, {} as {file}",
                    names(&labels),
                    if labels.len() > 1 { "the first" } else { "now" }
                ),
                "nothing needs to be done: sensors are found again by their names",
            ));
        }
        found
    }

    /// Of channels that failed together.
    fn read_finding(&self, together: &[&ReadErrors]) -> Finding {
        let errors = together[0];
        let grave = !errors.back || errors.count as f64 > UNREAD_SHARE * self.rows as f64;
        let end = if errors.back { "" } else { ", and not again" };
        let labels: Vec<&str> = together.iter().map(|e| e.label.as_str()).collect();
        Finding::new(
            "unread_sensor",
            if grave {
                Severity::Warning
            } else {
                Severity::Note
            },
            format!(
                "{} could not be read {} times between {:.0} and {:.0} s{end} ({})",
                names(&labels),
                errors.count,
                errors.first_s,
                errors.last_s,
                errors.why
            ),
            "those samples are missing, not 0; if it happens often, look at the sensor's driver or \
             leave the channel out",
        )
    }
}

/// Channels with the same errors at the same times, as those of a chip that went away; each group has
/// one at least.
fn alike(all: &[ReadErrors]) -> Vec<Vec<&ReadErrors>> {
    let mut groups: Vec<Vec<&ReadErrors>> = Vec::new();
    for errors in all {
        let same = |e: &ReadErrors| {
            ReadErrors {
                label: errors.label.clone(),
                ..e.clone()
            } == *errors
        };
        match groups.iter_mut().find(|group| same(group[0])) {
            Some(group) => group.push(errors),
            None => groups.push(vec![errors]),
        }
    }
    groups
}

/// The first names, and how many more there are.
fn names(labels: &[&str]) -> String {
    const SHOWN: usize = 3;
    let shown: Vec<String> = labels
        .iter()
        .take(SHOWN)
        .map(|l| format!("'{l}'"))
        .collect();
    let text = shown.join(", ");
    match labels.len().saturating_sub(SHOWN) {
        0 => text,
        more => format!("{text} and {more} more"),
    }
}

/// What a run's end and load mean, beside the recording's own findings.
pub(crate) fn of_outcome(outcome: &RunOutcome) -> Vec<Finding> {
    let mut found = outcome.account.findings();
    found.extend(of_end(outcome.end));
    found.extend(outcome.load.iter().flat_map(of_load));
    found
}

fn of_end(end: End) -> Option<Finding> {
    let (rule, severity, evidence, remedy) = match end {
        End::Complete => return None,
        End::LimitsMoved { at_s } => (
            "limits_moved",
            Severity::Warning,
            format!("the run was ended at {at_s:.0} s: its limits were no longer held"),
            "repeat it; firmware may set limits back after sleep, and services for thermal control or \
             power profiles set their own",
        ),
        End::Hot { at_s, temp_c } => (
            "stopped_hot",
            Severity::Warning,
            format!("the load was ended at {at_s:.0} s: the package was at {temp_c:.0} °C"),
            "look at the cooler's mounting and fans, or try a lower limit; the plateau was not reached",
        ),
        End::TooLong { at_s } => (
            "stopped_long",
            Severity::Note,
            format!("the load was ended at {at_s:.0} s, its longest allowed time"),
            "allow more time with --stop-after if it had not settled",
        ),
        End::Blind { at_s } => (
            "stopped_blind",
            Severity::Warning,
            format!(
                "the load was ended at {at_s:.0} s: the package's temperature could not be read"
            ),
            "look at the sensor's driver; with a stop temperature no load runs without a reading",
        ),
        End::Asked => (
            "ended_by_hand",
            Severity::Note,
            "the run was ended by hand".to_owned(),
            "repeat it if its plateau was not reached",
        ),
    };
    Some(Finding::new(rule, severity, evidence, remedy))
}

fn of_load(load: &LoadResult) -> Vec<Finding> {
    let mut found = Vec::new();
    if load.wrong > 0 {
        found.push(Finding::new(
            "wrong_result",
            Severity::Error,
            format!("{} passes of the load computed a wrong result", load.wrong),
            "the machine is unstable at this setting: take back voltage offsets and memory profiles \
             before anything else, and do not trust files written meanwhile",
        ));
    }
    if load.unpinned > 0 {
        found.push(Finding::new(
            "threads_not_pinned",
            Severity::Note,
            format!(
                "{} threads could not be bound to their processors",
                load.unpinned
            ),
            "scores may scatter more; look whether a container or a service restricts processors",
        ));
    }
    if let Some(code) = load.exit_code.filter(|code| *code != 0) {
        found.push(Finding::new(
            "command_failed",
            Severity::Warning,
            format!("the command ended with exit code {code} (128 and more: by a signal)"),
            "look at what it printed; if it was ended because its time was over, this is expected",
        ));
    }
    if let Some(Err(why)) = &load.score {
        found.push(Finding::new(
            "score_not_found",
            Severity::Warning,
            format!("no score: {why}"),
            "correct --score-pattern or --score-json, or add the score with 'settlepoint add scores'",
        ));
    }
    found
}
