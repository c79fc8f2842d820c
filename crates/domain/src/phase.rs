use std::fmt;
use std::str::FromStr;

use crate::Estimate;

/// What happens in a stretch of a run. The tokens are the same everywhere.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum PhaseKind {
    /// Little power before or between loads.
    Idle,
    /// Above the sustained limit while the budget lasts.
    Boost,
    /// Under load at the power that stays.
    Sustained,
    /// Held by the temperature limit.
    TempLimited,
    /// Little power after a load, still cooling.
    CoolDown,
    /// On the way between two others.
    Transition,
    /// Cannot be told.
    Unknown,
}

impl PhaseKind {
    /// Every kind.
    pub const ALL: [Self; 7] = [
        Self::Idle,
        Self::Boost,
        Self::Sustained,
        Self::TempLimited,
        Self::CoolDown,
        Self::Transition,
        Self::Unknown,
    ];

    /// The token in files, JSON and tables.
    pub const fn token(self) -> &'static str {
        match self {
            Self::Idle => "idle",
            Self::Boost => "boost",
            Self::Sustained => "sustained",
            Self::TempLimited => "temp_limited",
            Self::CoolDown => "cool_down",
            Self::Transition => "transition",
            Self::Unknown => "unknown",
        }
    }

    /// Whether the machine works in this phase.
    pub const fn is_load(self) -> bool {
        matches!(self, Self::Boost | Self::Sustained | Self::TempLimited)
    }
}

impl fmt::Display for PhaseKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.token())
    }
}

impl FromStr for PhaseKind {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        Self::ALL
            .into_iter()
            .find(|kind| kind.token() == text)
            .ok_or_else(|| {
                let all: Vec<_> = Self::ALL.iter().map(|k| k.token()).collect();
                format!("'{text}' is no phase; use one of {}", all.join(", "))
            })
    }
}

/// The settled end of a phase.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plateau {
    /// The temperature it settles (or would settle) at, °C.
    pub temp_c: Estimate,
    /// Whether it was reached within the phase; if not, `temp_c` is extrapolated.
    pub settled: bool,
}

/// A stretch of a log. The phases of a log tile it: no gap, no overlap.
#[derive(Clone, Debug, PartialEq)]
pub struct Phase {
    /// What happens.
    pub kind: PhaseKind,
    /// First row.
    pub first_row: usize,
    /// One past the last row.
    pub end_row: usize,
    /// Start, s.
    pub start_s: f64,
    /// End, s: the next phase's start.
    pub end_s: f64,
    /// Mean power with autocorrelation-corrected interval, W.
    pub power_w: Option<Estimate>,
    /// Mean temperature of the package, °C.
    pub package_c: Option<Estimate>,
    /// Mean fan speed, rpm.
    pub fan_speed_rpm: Option<Estimate>,
    /// The settled end.
    pub plateau: Option<Plateau>,
}

/// How bad a finding is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// Worth knowing.
    Note,
    /// A result may be off.
    Warning,
    /// Not fit to use as it is.
    Error,
}

impl Severity {
    /// The token in JSON and on the command line.
    pub const fn token(self) -> &'static str {
        match self {
            Self::Note => "note",
            Self::Warning => "warning",
            Self::Error => "error",
        }
    }
}

/// Something seen in the data that the user should know, with what to do about it.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// Stable name of the rule, `snake_case`.
    pub rule: &'static str,
    /// How bad.
    pub severity: Severity,
    /// The run or file it concerns, if one.
    pub run: Option<String>,
    /// Numbers, lines, time ranges.
    pub evidence: String,
    /// What to do.
    pub remedy: String,
}

impl Finding {
    /// A finding about no run in particular.
    pub fn new(
        rule: &'static str,
        severity: Severity,
        evidence: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Self {
        Self {
            rule,
            severity,
            run: None,
            evidence: evidence.into(),
            remedy: remedy.into(),
        }
    }
}
