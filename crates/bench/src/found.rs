//! What can be recorded, as it was found.

use std::path::PathBuf;

use settlepoint_domain::{Averaging, Channel, Role, Unit};

/// How the number in a file becomes a value in the channel's unit.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum Reading {
    /// The number of the moment times `scale`.
    Gauge {
        /// Factor to the channel's unit.
        scale: f64,
    },
    /// A running total that wraps: the mean rate since the reading before.
    Counter {
        /// Factor to the unit of the total.
        scale: f64,
        /// The largest total that the file shows before it starts again at 0, in the file's unit;
        /// `None` if it never does.
        range: Option<f64>,
    },
    /// A running count: how many since the reading before.
    Events,
    /// The kernel's account of processor time (`proc/stat`): share not idle since the reading before.
    Busy,
}

/// Why a channel that exists cannot be read now.
#[derive(Clone, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Problem {
    /// No permission.
    Denied,
    /// The driver gives no value now; the words are the system's.
    NoValue(String),
}

impl std::fmt::Display for Problem {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Denied => f.write_str("no permission"),
            Self::NoValue(why) => write!(f, "no value: {why}"),
        }
    }
}

/// A channel that can be recorded.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    /// Its name across reboots: by chip and label or attribute, never by a number that the kernel
    /// gave out. Unique within a discovery.
    pub id: String,
    /// A name for people, the column of the log. Unique within a discovery.
    pub label: String,
    /// What it most likely means.
    pub role: Role,
    /// Unit of the values recorded.
    pub unit: Unit,
    /// The part it belongs to.
    pub part: String,
    /// The file it is read from, or the command in words.
    pub source: PathBuf,
    /// Why the role was chosen, in words.
    pub reason: String,
    /// How its numbers are read.
    pub reading: Reading,
    /// Smallest step between values, in the unit, where the kernel's documents tell it.
    pub resolution: Option<f64>,
    /// Why it cannot be read now, if so.
    pub problem: Option<Problem>,
    /// How well it stands for its role: the lowest comes first in the log.
    pub(crate) rank: u32,
}

impl Found {
    /// The channel of a log in place `index` (from 0), without values.
    pub fn channel(&self, index: usize) -> Channel {
        Channel {
            role: self.role,
            column: self.label.clone(),
            column_number: index + 1,
            unit: self.unit,
            part: self.part.clone(),
            reason: self.reason.clone(),
            resolution: self.resolution,
            averaging: match self.reading {
                Reading::Gauge { .. } => Averaging::Instant,
                Reading::Counter { .. } | Reading::Events => Averaging::Counter,
                Reading::Busy => Averaging::Mean,
            },
            values: Vec::new(),
        }
    }
}
