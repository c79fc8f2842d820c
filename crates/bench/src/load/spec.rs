//! Loads as they are written: a kind, then what differs from the usual, with commas between.

use std::fmt;
use std::str::FromStr;

/// What a load does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum LoadKind {
    /// Multiplications and additions on long rows of numbers: the most power.
    Vector,
    /// Streams through more memory than caches hold.
    Memory,
    /// Whole numbers and jumps that cannot be foreseen.
    Branch,
    /// The three in turn.
    Mixed,
    /// Nothing: to record a machine at rest.
    Rest,
}

impl LoadKind {
    const ALL: [Self; 5] = [
        Self::Vector,
        Self::Memory,
        Self::Branch,
        Self::Mixed,
        Self::Rest,
    ];

    /// Its word.
    pub const fn token(self) -> &'static str {
        match self {
            Self::Vector => "vector",
            Self::Memory => "memory",
            Self::Branch => "branch",
            Self::Mixed => "mixed",
            Self::Rest => "rest",
        }
    }
}

/// Alternately on and off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pulse {
    /// Length of on and off together, s.
    pub period_s: f64,
    /// Share of it that is on.
    pub duty: f64,
}

impl Pulse {
    /// Whether it is on at a time since the load began.
    pub(crate) fn is_on(self, time_s: f64) -> bool {
        time_s.rem_euclid(self.period_s) < self.duty * self.period_s
    }
}

/// A built-in load.
///
/// ```
/// use settlepoint_bench::{LoadKind, LoadSpec};
/// let load: LoadSpec = "vector,cores=4,kind=large,period=2,duty=0.5".parse()?;
/// assert_eq!(load.kind, LoadKind::Vector);
/// assert_eq!(load.cores, Some(4));
/// # Ok::<(), String>(())
/// ```
#[derive(Clone, Debug, PartialEq)]
pub struct LoadSpec {
    /// What it does.
    pub kind: LoadKind,
    /// This many cores, one thread each; every logical processor if `None`.
    pub cores: Option<usize>,
    /// Only cores of this kind.
    pub core_kind: Option<String>,
    /// On and off, if not steady.
    pub pulse: Option<Pulse>,
    /// Passes after which it ends by itself; endless if `None`.
    pub work: Option<u64>,
}

impl LoadSpec {
    /// Every processor, steady, endless.
    pub const fn of(kind: LoadKind) -> Self {
        Self {
            kind,
            cores: None,
            core_kind: None,
            pulse: None,
            work: None,
        }
    }
}

const FORM: &str = "vector, memory, branch, mixed or rest, then any of cores=N, kind=large|small, \
                    period=SECONDS, duty=SHARE, work=PASSES with commas between, as \
                    'vector,cores=4,period=2,duty=0.5'";

impl FromStr for LoadSpec {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let mut pieces = text.split(',').map(str::trim);
        let word = pieces.next().unwrap_or("");
        let kind = LoadKind::ALL
            .into_iter()
            .find(|kind| kind.token() == word)
            .ok_or_else(|| format!("'{word}' is no load; write {FORM}"))?;
        let mut spec = Self::of(kind);
        let (mut period_s, mut duty) = (None, None);
        for piece in pieces {
            let (key, value) = piece
                .split_once('=')
                .ok_or_else(|| format!("'{piece}' says nothing of a load; write {FORM}"))?;
            match key {
                "cores" => spec.cores = Some(at_least_one(key, value)?),
                "kind" => spec.core_kind = Some(value.to_owned()),
                "work" => spec.work = Some(at_least_one(key, value)?),
                "period" => period_s = Some(within(key, value, 0.02, 3600.0)?),
                "duty" => duty = Some(within(key, value, 0.01, 0.99)?),
                _ => return Err(format!("'{key}' says nothing of a load; write {FORM}")),
            }
        }
        spec.pulse = match (period_s, duty) {
            (None, None) => None,
            (Some(period_s), duty) => Some(Pulse {
                period_s,
                duty: duty.unwrap_or(0.5),
            }),
            (None, Some(_)) => return Err("duty needs a period, as period=2,duty=0.5".to_owned()),
        };
        Ok(spec)
    }
}

fn at_least_one<T: FromStr + PartialOrd + From<u8>>(key: &str, value: &str) -> Result<T, String> {
    match value.parse::<T>() {
        Ok(number) if number >= T::from(1) => Ok(number),
        _ => Err(format!("{key}={value}: give a whole number from 1")),
    }
}

fn within(key: &str, value: &str, lo: f64, hi: f64) -> Result<f64, String> {
    match value.parse::<f64>() {
        Ok(number) if (lo..=hi).contains(&number) => Ok(number),
        _ => Err(format!("{key}={value}: give a number from {lo} to {hi}")),
    }
}

impl fmt::Display for LoadSpec {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.kind.token())?;
        if let Some(cores) = self.cores {
            write!(f, ",cores={cores}")?;
        }
        if let Some(kind) = &self.core_kind {
            write!(f, ",kind={kind}")?;
        }
        if let Some(Pulse { period_s, duty }) = self.pulse {
            write!(f, ",period={period_s},duty={duty}")?;
        }
        if let Some(work) = self.work {
            write!(f, ",work={work}")?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn loads_are_read_back_as_written() {
        for text in [
            "vector",
            "rest",
            "memory,cores=2",
            "branch,cores=1,kind=small",
            "mixed,period=2,duty=0.25,work=100",
        ] {
            assert_eq!(text.parse::<LoadSpec>().expect(text).to_string(), text);
        }
    }

    #[test]
    fn what_is_no_load_says_what_is() {
        for text in [
            "",
            "heat",
            "vector,cores",
            "vector,cores=0",
            "vector,duty=0.5",
            "vector,period=2,duty=2",
            "vector,speed=3",
            "branch,work=-1",
        ] {
            let error = text.parse::<LoadSpec>().expect_err(text);
            assert!(error.contains("give") || error.contains("write") || error.contains("needs"));
        }
    }

    #[test]
    fn a_pulse_is_on_for_its_share() {
        let pulse = Pulse {
            period_s: 2.0,
            duty: 0.25,
        };
        let on = (0..2000)
            .filter(|i| pulse.is_on(0.01 * f64::from(*i)))
            .count();
        assert_eq!(on, 500);
    }
}
