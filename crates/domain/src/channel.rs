use std::fmt;
use std::str::FromStr;

/// What a channel means. The tokens are part of the command line's contract.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[non_exhaustive]
pub enum Role {
    /// Time stamps or elapsed time.
    Time,
    /// Electrical power, W.
    Power,
    /// A running total of energy, J.
    Energy,
    /// Temperature of a part, °C.
    Temperature,
    /// Coolant temperature, °C.
    Coolant,
    /// Air at the intake, °C.
    Room,
    /// Fan speed, rpm.
    FanSpeed,
    /// Fan duty, 0 to 1.
    FanDuty,
    /// Pump speed, rpm.
    PumpSpeed,
    /// Clock frequency, MHz.
    Clock,
    /// Sound level, dB(A).
    Level,
    /// Use of the part, 0 to 1.
    Load,
    /// A limit as set or reported (W or °C).
    Limit,
    /// Whether, or how much, clocks are held down.
    Throttle,
    /// A score.
    Score,
    /// A running total of work.
    Work,
    /// Which part or device a row belongs to.
    Part,
    /// Anything else.
    Other,
}

impl Role {
    /// Every role, in the contract's order.
    pub const ALL: [Self; 18] = [
        Self::Time,
        Self::Power,
        Self::Energy,
        Self::Temperature,
        Self::Coolant,
        Self::Room,
        Self::FanSpeed,
        Self::FanDuty,
        Self::PumpSpeed,
        Self::Clock,
        Self::Level,
        Self::Load,
        Self::Limit,
        Self::Throttle,
        Self::Score,
        Self::Work,
        Self::Part,
        Self::Other,
    ];

    /// The token used on the command line and in JSON.
    pub const fn token(self) -> &'static str {
        match self {
            Self::Time => "time",
            Self::Power => "power",
            Self::Energy => "energy",
            Self::Temperature => "temperature",
            Self::Coolant => "coolant",
            Self::Room => "room",
            Self::FanSpeed => "fan_speed",
            Self::FanDuty => "fan_duty",
            Self::PumpSpeed => "pump_speed",
            Self::Clock => "clock",
            Self::Level => "level",
            Self::Load => "load",
            Self::Limit => "limit",
            Self::Throttle => "throttle",
            Self::Score => "score",
            Self::Work => "work",
            Self::Part => "part",
            Self::Other => "other",
        }
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.token())
    }
}

impl FromStr for Role {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        Self::ALL
            .into_iter()
            .find(|role| role.token() == text)
            .ok_or_else(|| {
                let all: Vec<_> = Self::ALL.iter().map(|r| r.token()).collect();
                format!("'{text}' is no role; use one of {}", all.join(", "))
            })
    }
}

/// The unit in which a channel's values are kept, after conversion.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum Unit {
    /// Seconds.
    Second,
    /// Watts.
    Watt,
    /// Joules.
    Joule,
    /// Degrees Celsius.
    Celsius,
    /// Revolutions per minute.
    Rpm,
    /// A share, 0 to 1.
    Share,
    /// Megahertz.
    Megahertz,
    /// A-weighted decibels.
    Dba,
    /// No unit, or one that is not known.
    None,
}

impl Unit {
    /// The UCUM code (Unified Code for Units of Measure), as used in recipes and JSON.
    /// A-weighted level has no code of its own there; `dB(A)` is the usual spelling.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Second => "s",
            Self::Watt => "W",
            Self::Joule => "J",
            Self::Celsius => "Cel",
            Self::Rpm => "{rpm}",
            Self::Share => "1",
            Self::Megahertz => "MHz",
            Self::Dba => "dB(A)",
            Self::None => "",
        }
    }
}

/// How a sample stands for the time since the one before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum Averaging {
    /// A reading of the moment.
    Instant,
    /// The mean since the sample before.
    Mean,
    /// A running total was read; values are the mean since the sample before.
    Counter,
}

/// One column of a log, converted to its role's unit.
///
/// `values` has one entry a row of the log; a missing reading is NaN there and never 0. Infinite
/// values do not occur. Use [`Channel::value`] and [`Channel::present`] rather than comparing.
#[derive(Clone, Debug, PartialEq)]
pub struct Channel {
    /// What it means.
    pub role: Role,
    /// The column's name as it stood in the source.
    pub column: String,
    /// Its 1-based number in the source.
    pub column_number: usize,
    /// The unit of `values`.
    pub unit: Unit,
    /// The part it belongs to: "package" unless the source says otherwise.
    pub part: String,
    /// Why this role was chosen, in words.
    pub reason: String,
    /// The smallest step between distinct values, where one was seen.
    pub resolution: Option<f64>,
    /// What a sample stands for.
    pub averaging: Averaging,
    /// One value a row; NaN is "missing".
    pub values: Vec<f64>,
}

impl Channel {
    /// The reading in row `index`, if there is one.
    pub fn value(&self, index: usize) -> Option<f64> {
        self.values.get(index).copied().filter(|v| !v.is_nan())
    }

    /// The readings that are present, with their rows.
    pub fn present(&self) -> impl Iterator<Item = (usize, f64)> + '_ {
        self.values
            .iter()
            .copied()
            .enumerate()
            .filter(|(_, v)| !v.is_nan())
    }

    /// How many readings are missing.
    pub fn missing(&self) -> usize {
        self.values.iter().filter(|v| v.is_nan()).count()
    }

    /// Mean of the readings present.
    pub fn mean(&self) -> Option<f64> {
        let (n, sum) = self
            .present()
            .fold((0_usize, 0.0), |(n, s), (_, v)| (n + 1, s + v));
        (n > 0).then(|| sum / n as f64)
    }

    /// Smallest and largest reading.
    pub fn range(&self) -> Option<(f64, f64)> {
        self.present()
            .map(|(_, v)| v)
            .fold(None, |range, v| match range {
                None => Some((v, v)),
                Some((lo, hi)) => Some((lo.min(v), hi.max(v))),
            })
    }
}
