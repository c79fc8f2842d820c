use crate::{Channel, Role};

/// What is known of the clock behind the time stamps.
#[derive(Clone, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Zone {
    /// Stamps were UTC or carried an offset or zone name, kept here as read.
    Known(String),
    /// Local time, the zone was not written.
    Unknown,
}

/// When a log began.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LogStart {
    /// Nanoseconds since 1970-01-01T00:00, in UTC if the zone is known and else in local time.
    pub unix_ns: i128,
    /// The zone as read.
    pub zone: Zone,
}

/// Why samples do not make a log.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum LogError {
    /// There are no rows.
    Empty,
    /// A channel has another number of rows than the time.
    Length {
        /// The channel's column.
        column: String,
        /// Its number of rows.
        rows: usize,
        /// The number expected.
        expected: usize,
    },
    /// Time does not rise.
    Time {
        /// The row (from 0) whose time is not above the one before it.
        row: usize,
    },
    /// A value is infinite.
    Infinite {
        /// The channel's column.
        column: String,
        /// The row, from 0.
        row: usize,
    },
}

impl std::fmt::Display for LogError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Empty => write!(f, "no rows with readings"),
            Self::Length {
                column,
                rows,
                expected,
            } => {
                write!(
                    f,
                    "column '{column}' has {rows} rows where the time has {expected}"
                )
            }
            Self::Time { row } => write!(f, "time does not rise at row {}", row + 1),
            Self::Infinite { column, row } => {
                write!(f, "column '{column}' is infinite at row {}", row + 1)
            }
        }
    }
}

impl std::error::Error for LogError {}

/// Samples of one or more channels over time.
///
/// Time is seconds from the first row on a clock that never goes back. Rows may be irregular.
/// A time that repeats is allowed (two readings within the clock's resolution); one that falls is
/// not: readers repair or report it before they build a log.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorLog {
    start: Option<LogStart>,
    time_s: Vec<f64>,
    time_known: bool,
    channels: Vec<Channel>,
}

impl SensorLog {
    /// Checks and keeps the samples. `time_known` is false where the source had no time and the
    /// rows were merely counted.
    ///
    /// # Errors
    /// No rows, columns of different length, a time that falls, an infinite value.
    pub fn new(
        start: Option<LogStart>,
        time_s: Vec<f64>,
        time_known: bool,
        channels: Vec<Channel>,
    ) -> Result<Self, LogError> {
        if time_s.is_empty() {
            return Err(LogError::Empty);
        }
        if let Some(row) = (1..time_s.len()).find(|&i| time_s[i] < time_s[i - 1]) {
            return Err(LogError::Time { row });
        }
        if let Some(row) = time_s.iter().position(|t| !t.is_finite()) {
            return Err(LogError::Time { row });
        }
        for channel in &channels {
            if channel.values.len() != time_s.len() {
                return Err(LogError::Length {
                    column: channel.column.clone(),
                    rows: channel.values.len(),
                    expected: time_s.len(),
                });
            }
            if let Some(row) = channel.values.iter().position(|v| v.is_infinite()) {
                return Err(LogError::Infinite {
                    column: channel.column.clone(),
                    row,
                });
            }
        }
        Ok(Self {
            start,
            time_s,
            time_known,
            channels,
        })
    }

    /// When it began, if the source said so.
    pub fn start(&self) -> Option<&LogStart> {
        self.start.as_ref()
    }

    /// Seconds from the first row, one a row.
    pub fn time_s(&self) -> &[f64] {
        &self.time_s
    }

    /// Whether the source had a time; if not, times count rows.
    pub fn time_known(&self) -> bool {
        self.time_known
    }

    /// Seconds from first to last row.
    pub fn span_s(&self) -> f64 {
        self.time_s[self.time_s.len() - 1] - self.time_s[0]
    }

    /// Number of rows.
    pub fn len(&self) -> usize {
        self.time_s.len()
    }

    /// Never true: a log has at least one row.
    pub fn is_empty(&self) -> bool {
        self.time_s.is_empty()
    }

    /// All channels.
    pub fn channels(&self) -> &[Channel] {
        &self.channels
    }

    /// The first channel with this role.
    pub fn channel(&self, role: Role) -> Option<&Channel> {
        self.channels.iter().find(|c| c.role == role)
    }

    /// The rows in `from..to` as a log of their own, time starting at 0 again.
    ///
    /// # Errors
    /// [`LogError::Empty`] if the range holds no row.
    pub fn slice(&self, from: usize, to: usize) -> Result<Self, LogError> {
        let to = to.min(self.len());
        if from >= to {
            return Err(LogError::Empty);
        }
        let t0 = self.time_s[from];
        // Whole nanoseconds: the shift is far below the stamps' own resolution.
        #[expect(clippy::cast_possible_truncation, reason = "a log spans years at most")]
        let shift_ns = ((t0 - self.time_s[0]) * 1e9).round() as i128;
        Self::new(
            self.start.as_ref().map(|s| LogStart {
                unix_ns: s.unix_ns + shift_ns,
                ..s.clone()
            }),
            self.time_s[from..to].iter().map(|t| t - t0).collect(),
            self.time_known,
            self.channels
                .iter()
                .map(|c| Channel {
                    values: c.values[from..to].to_vec(),
                    ..c.clone()
                })
                .collect(),
        )
    }
}
