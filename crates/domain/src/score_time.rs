use std::fmt;

/// What the seconds of a [`ScoreTime`] are counted from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum TimeOrigin {
    /// 1970-01-01T00:00, on the clock that was read: UTC where an offset was written.
    Epoch,
    /// Midnight: a time of day without its date.
    Midnight,
    /// A start that the scores share, as a stopwatch counts.
    Start,
}

/// When a score was measured, as exactly as it was noted.
///
/// Shown as it can be typed in again: `2026-03-01 14:05:00`, `14:05:00` or a number of seconds.
///
/// ```
/// use settlepoint_domain::{ScoreTime, TimeOrigin};
///
/// let noon = ScoreTime { seconds: 12.0 * 3600.0, origin: TimeOrigin::Midnight };
/// assert_eq!(noon.to_string(), "12:00:00");
/// let leap = ScoreTime { seconds: 951_782_400.5, origin: TimeOrigin::Epoch };
/// assert_eq!(leap.to_string(), "2000-02-29 00:00:00.5");
/// ```
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ScoreTime {
    /// Seconds since the origin.
    pub seconds: f64,
    /// The origin.
    pub origin: TimeOrigin,
}

const DAY_S: f64 = 86_400.0;

impl fmt::Display for ScoreTime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.origin {
            TimeOrigin::Start => write!(f, "{}", self.seconds),
            TimeOrigin::Midnight => clock(f, self.seconds),
            TimeOrigin::Epoch => {
                #[expect(clippy::cast_possible_truncation, reason = "days of a calendar")]
                let days = (self.seconds / DAY_S).floor() as i64;
                let (year, month, day) = civil_from_days(days);
                write!(f, "{year:04}-{month:02}-{day:02} ")?;
                clock(f, self.seconds - days as f64 * DAY_S)
            }
        }
    }
}

/// Hours, minutes and seconds, the latter with as many decimals as they have, to a millisecond.
fn clock(f: &mut fmt::Formatter<'_>, seconds: f64) -> fmt::Result {
    #[expect(clippy::cast_possible_truncation, reason = "milliseconds of days")]
    let ms = (1000.0 * seconds).round() as i64;
    let (minutes, ms) = (ms.div_euclid(60_000), ms.rem_euclid(60_000));
    write!(
        f,
        "{:02}:{:02}:{:02}",
        minutes / 60,
        minutes % 60,
        ms / 1000
    )?;
    match ms % 1000 {
        0 => Ok(()),
        part => write!(f, ".{}", format!("{part:03}").trim_end_matches('0')),
    }
}

/// Howard Hinnant, "chrono-compatible low-level date algorithms", `civil_from_days`.
fn civil_from_days(days: i64) -> (i64, i64, i64) {
    let z = days + 719_468;
    let era = z.div_euclid(146_097);
    let doe = z.rem_euclid(146_097);
    let yoe = (doe - doe / 1460 + doe / 36_524 - doe / 146_096) / 365;
    let doy = doe - (365 * yoe + yoe / 4 - yoe / 100);
    let mp = (5 * doy + 2) / 153;
    let day = doy - (153 * mp + 2) / 5 + 1;
    let month = if mp < 10 { mp + 3 } else { mp - 9 };
    let year = yoe + era * 400 + i64::from(month <= 2);
    (year, month, day)
}
