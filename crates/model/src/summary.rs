//! A run in figures, and the ledger that keeps them step by step.

use settlepoint_domain::PhaseKind;

use crate::ActingLimit;
use crate::fan::higher;

/// Means over a stretch of time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Means {
    /// Power, W.
    pub power_w: f64,
    /// Die temperature, °C.
    pub die_c: f64,
    /// Fan speed as a share of full speed.
    pub fan_share: f64,
    /// Work rate; 0 without a work law.
    pub work_rate: f64,
}

/// A stretch of a run held by one thing. The phases of a run tile it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PhaseSummary {
    /// Boost: above the power that stays; `temp_limited`: held by the temperature limit; sustained:
    /// anything else.
    pub kind: PhaseKind,
    /// Start, s.
    pub start_s: f64,
    /// End, s.
    pub end_s: f64,
    /// Means over the phase.
    pub mean: Means,
    /// Values in its last step; the die temperature is that at its end.
    pub end: Means,
}

/// A run in figures.
#[derive(Clone, Debug, PartialEq)]
pub struct Summary {
    /// Phases in time order; they tile the run.
    pub phases: Vec<PhaseSummary>,
    /// Means over the run.
    pub mean: Means,
    /// Values in the last step; the die temperature is that at the end.
    pub end: Means,
    /// What held the power in the last step.
    pub acting: ActingLimit,
    /// Energy, J.
    pub energy_j: f64,
    /// Work done: the work rate over time.
    pub work: f64,
    /// Highest die temperature at the end of any step, °C.
    pub max_die_c: f64,
    /// Time held by the temperature limit, s.
    pub time_at_temp_limit_s: f64,
    /// Start of the first step held by the temperature limit, s.
    pub first_temp_limit_s: Option<f64>,
    /// Time from the start above the power that stays, s; within the last step of the boost by
    /// its energy.
    pub boost_duration_s: f64,
    /// The temperature limit was passed at minimum power in some step.
    pub cannot_hold: bool,
}

impl Summary {
    pub(crate) const fn blank() -> Self {
        let means = Means {
            power_w: f64::NAN,
            die_c: f64::NAN,
            fan_share: f64::NAN,
            work_rate: f64::NAN,
        };
        Self {
            phases: Vec::new(),
            mean: means,
            end: means,
            acting: ActingLimit::Demand,
            energy_j: f64::NAN,
            work: f64::NAN,
            max_die_c: f64::NAN,
            time_at_temp_limit_s: 0.0,
            first_temp_limit_s: None,
            boost_duration_s: 0.0,
            cannot_hold: false,
        }
    }
}

/// What a step adds to the ledger.
pub(crate) struct Entry {
    pub(crate) start_s: f64,
    pub(crate) dt: f64,
    pub(crate) acting: ActingLimit,
    pub(crate) cannot_hold: bool,
    /// At the end of the step.
    pub(crate) die_c: f64,
    pub(crate) row: Row,
}

/// Power, mean die temperature, fan share, work rate: one row, so that sums go side by side.
pub(crate) type Row = [f64; 4];

fn means(row: Row) -> Means {
    Means {
        power_w: row[0],
        die_c: row[1],
        fan_share: row[2],
        work_rate: row[3],
    }
}

/// Sums of the phase that is open and of those before.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Ledger {
    /// Power above this is boost, W.
    boost_above_w: f64,
    sustained_w: f64,
    kind: PhaseKind,
    start_s: f64,
    sums: Row,
    closed: Row,
    last: Row,
    last_die_c: f64,
    max_die_c: f64,
    acting: ActingLimit,
    boosting: bool,
    boost_s: f64,
}

impl Ledger {
    pub(crate) fn new(sustained_w: f64) -> Self {
        Self {
            // Rounding in the budgets is far below, a real boost far above.
            boost_above_w: sustained_w * (1.0 + 1e-9),
            sustained_w,
            kind: PhaseKind::Unknown,
            start_s: 0.0,
            sums: [0.0; 4],
            closed: [0.0; 4],
            last: [f64::NAN; 4],
            last_die_c: f64::NAN,
            max_die_c: f64::NEG_INFINITY,
            acting: ActingLimit::Demand,
            boosting: true,
            boost_s: 0.0,
        }
    }

    #[expect(clippy::inline_always, reason = "in the hottest loop")]
    #[inline(always)]
    pub(crate) fn add(&mut self, summary: &mut Summary, entry: &Entry) {
        let over = entry.row[0] > self.boost_above_w;
        let held = entry.acting == ActingLimit::Temperature;
        let kind = if held {
            PhaseKind::TempLimited
        } else if over {
            PhaseKind::Boost
        } else {
            PhaseKind::Sustained
        };
        if kind != self.kind {
            self.close(summary, entry.start_s);
            self.kind = kind;
        }
        if held {
            summary.time_at_temp_limit_s += entry.dt;
            summary.first_temp_limit_s.get_or_insert(entry.start_s);
            summary.cannot_hold |= entry.cannot_hold;
        }
        if self.boosting {
            self.count_boost(entry, over);
        }
        for (sum, value) in self.sums.iter_mut().zip(entry.row) {
            *sum += entry.dt * value;
        }
        self.last = entry.row;
        self.last_die_c = entry.die_c;
        self.max_die_c = higher(self.max_die_c, entry.die_c);
        self.acting = entry.acting;
    }

    /// Adds a step to the boost; the one in which a tier cuts in counts by its share of energy.
    fn count_boost(&mut self, entry: &Entry, over: bool) {
        if !over {
            self.boosting = false;
            return;
        }
        let full_w = self.last[0] - self.sustained_w;
        let share = if entry.acting == ActingLimit::Power && full_w > 0.0 {
            ((entry.row[0] - self.sustained_w) / full_w).min(1.0)
        } else {
            1.0
        };
        self.boost_s += entry.dt * share;
    }

    #[cold]
    fn close(&mut self, summary: &mut Summary, end_s: f64) {
        let time_s = end_s - self.start_s;
        if self.kind != PhaseKind::Unknown && time_s > 0.0 {
            for (closed, sum) in self.closed.iter_mut().zip(self.sums) {
                *closed += sum;
            }
            summary.phases.push(PhaseSummary {
                kind: self.kind,
                start_s: self.start_s,
                end_s,
                mean: means(self.sums.map(|sum| sum / time_s)),
                end: Means {
                    die_c: self.last_die_c,
                    ..means(self.last)
                },
            });
        }
        self.start_s = end_s;
        self.sums = [0.0; 4];
    }

    pub(crate) fn finish(mut self, summary: &mut Summary, end_s: f64) {
        self.close(summary, end_s);
        summary.mean = means(self.closed.map(|sum| sum / end_s));
        summary.end = Means {
            die_c: self.last_die_c,
            ..means(self.last)
        };
        summary.acting = self.acting;
        summary.energy_j = self.closed[0];
        summary.work = self.closed[3];
        summary.max_die_c = self.max_die_c;
        summary.boost_duration_s = self.boost_s;
    }
}
