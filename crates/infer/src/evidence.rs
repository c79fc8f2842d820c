//! What was measured, as the fits see it: windows of runs with readings and their errors.

use settlepoint_domain::{PhaseKind, Setting, Workload};

/// A reading with the standard deviation of its error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// Value.
    pub value: f64,
    /// Standard deviation of all of its error.
    pub sd: f64,
    /// The part of it that all readings of this quantity in the run have in common, at most `sd`:
    /// an offset or gain of the sensor, the room's thermometer, the run's own scatter of K/W.
    pub shared_sd: f64,
}

impl Reading {
    /// A reading whose error is its own alone.
    pub fn new(value: f64, sd: f64) -> Self {
        Self {
            value,
            sd,
            shared_sd: 0.0,
        }
    }

    /// Standard deviation of the part of the error that is this reading's own.
    pub fn own_sd(&self) -> f64 {
        (self.sd * self.sd - self.shared_sd * self.shared_sd)
            .max(0.0)
            .sqrt()
    }
}

/// Which part of a run an average covers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Span {
    /// From and to, s after the load began. The model predicts the mean over just this time,
    /// warm-up included.
    Between(f64, f64),
    /// The boost, as long as the model itself says it lasts: its length was not noted.
    WholeBoost,
    /// All after the boost, as long as the model says: its beginning was not noted.
    AfterBoost,
    /// The settled state under the setting.
    Settled,
    /// The settled state before the load.
    Idle,
}

/// Averages over one span.
#[derive(Clone, Debug, PartialEq)]
pub struct Window {
    /// What happens there, as noted or recognised.
    pub kind: PhaseKind,
    /// Where it lies.
    pub span: Span,
    /// Mean package power, W.
    pub power_w: Option<Reading>,
    /// Mean package temperature, °C.
    pub package_c: Option<Reading>,
    /// Mean fan speed, rpm.
    pub fan_speed_rpm: Option<Reading>,
    /// Level of fan and background together, dB(A).
    pub level_dba: Option<Reading>,
    /// Background, dB(A).
    pub background_dba: Option<f64>,
    /// Clocks of up to two core kinds, MHz.
    pub clock_mhz: [Option<Reading>; 2],
}

impl Window {
    /// A window with no reading yet.
    pub fn blank(kind: PhaseKind, span: Span) -> Self {
        Self {
            kind,
            span,
            power_w: None,
            package_c: None,
            fan_speed_rpm: None,
            level_dba: None,
            background_dba: None,
            clock_mhz: [None, None],
        }
    }
}

/// One run as evidence.
#[derive(Clone, Debug, PartialEq)]
pub struct RunEvidence {
    /// The run's name.
    pub name: String,
    /// Index into [`Evidence::workloads`].
    pub workload: usize,
    /// The setting.
    pub setting: Setting,
    /// Room, °C, where known.
    pub room_c: Option<f64>,
    /// Altitude, m.
    pub altitude_m: f64,
    /// Length of the load, s.
    pub duration_s: f64,
    /// Averages.
    pub windows: Vec<Window>,
    /// Mean score with its error.
    pub score: Option<Reading>,
    /// Whether the boost's end was seen, s after the load began.
    pub boost_s: Option<Reading>,
}

impl RunEvidence {
    /// Whether only the settled state under the setting was read, so that no time course is needed.
    pub fn settled_only(&self) -> bool {
        self.boost_s.is_none()
            && self.windows.iter().any(|w| w.span == Span::Settled)
            && self
                .windows
                .iter()
                .all(|w| matches!(w.span, Span::Settled | Span::Idle))
    }
}

/// All that bears on one cooling of one machine.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Evidence {
    /// The workloads.
    pub workloads: Vec<Workload>,
    /// The runs.
    pub runs: Vec<RunEvidence>,
    /// Full fan speed where the owner knows it, rpm.
    pub fan_max_rpm: Option<f64>,
}

impl Evidence {
    /// Highest power seen in any window of `workload`, or of any workload for `None`, W.
    pub fn highest_power_w(&self, workload: Option<usize>) -> Option<f64> {
        self.runs
            .iter()
            .filter(|run| workload.is_none_or(|w| w == run.workload))
            .flat_map(|run| &run.windows)
            .filter(|window| window.kind != PhaseKind::Idle)
            .filter_map(|window| window.power_w)
            .map(|reading| reading.value)
            .reduce(f64::max)
    }

    /// Highest power limit (of any tier) under which a run was made, W.
    pub fn highest_limit_w(&self) -> Option<f64> {
        self.runs
            .iter()
            .flat_map(|run| [run.setting.pl1_w.value(), run.setting.pl2_w.value()])
            .flatten()
            .reduce(f64::max)
    }

    /// All readings picked by `pick`, in run and window order.
    pub fn readings<'a>(
        &'a self,
        pick: impl Fn(&Window) -> Option<Reading> + 'a,
    ) -> impl Iterator<Item = f64> + 'a {
        self.runs
            .iter()
            .flat_map(|run| &run.windows)
            .filter_map(pick)
            .map(|r| r.value)
    }

    /// The best score of a workload, by its direction.
    pub fn best_score(&self, workload: usize) -> Option<f64> {
        use settlepoint_domain::Direction::{Higher, Lower};
        let scores = self
            .runs
            .iter()
            .filter(|r| r.workload == workload)
            .filter_map(|r| r.score);
        match self.workloads.get(workload)?.direction {
            Higher => scores.map(|s| s.value).reduce(f64::max),
            Lower => scores.map(|s| s.value).reduce(f64::min),
        }
    }
}
