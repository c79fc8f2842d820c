//! One open file a channel, one `pread` a sample, no allocation.

use std::fs::File;
use std::io;
use std::path::Path;

use crate::found::Reading;

/// Longer than any number the kernel prints, and than the first line of `proc/stat`.
const BUFFER: usize = 160;

/// A mean power above this comes from a counter that was set back (firmware resets energy counters
/// in sleep), not from a package. A judgement.
const MOST_W: f64 = 10_000.0;

/// An open channel.
#[derive(Debug)]
pub(crate) struct Source {
    file: File,
    reading: Reading,
    before: Option<Before>,
}

/// Total and time of the reading before; for [`Reading::Busy`] idle and whole time.
#[derive(Clone, Copy, Debug)]
struct Before {
    total: f64,
    at: f64,
}

impl Source {
    pub(crate) fn open(path: &Path, reading: Reading) -> io::Result<Self> {
        Ok(Self {
            file: File::open(path)?,
            reading,
            before: None,
        })
    }

    /// The value now, NaN where a rate needs a reading before. `now_s` is asked for at the moment
    /// of reading, because a mean is only as good as the time it is taken over.
    pub(crate) fn read(&mut self, now_s: impl FnOnce() -> f64) -> io::Result<f64> {
        let mut buffer = [0_u8; BUFFER];
        let at_s = now_s();
        let length = match pread(&self.file, &mut buffer) {
            Ok(length) => length,
            Err(error) => {
                self.before = None;
                return Err(error);
            }
        };
        let value = self.value(&buffer[..length], at_s);
        if value.is_err() {
            self.before = None;
        }
        value
    }

    fn value(&mut self, bytes: &[u8], at_s: f64) -> io::Result<f64> {
        match self.reading {
            Reading::Gauge { scale } => Ok(scale * number(bytes)?),
            Reading::Counter { scale, range } => {
                let now = Before {
                    total: number(bytes)?,
                    at: at_s,
                };
                let before = self.before.replace(now);
                Ok(before.map_or(f64::NAN, |before| rate(before, now, range) * scale))
                    .map(|w| if w <= MOST_W { w } else { f64::NAN })
            }
            Reading::Events => {
                let now = Before {
                    total: number(bytes)?,
                    at: at_s,
                };
                let before = self.before.replace(now);
                Ok(before.map_or(f64::NAN, |before| (now.total - before.total).max(0.0)))
            }
            Reading::Busy => {
                let (idle, whole) = processor_time(bytes)?;
                let now = Before {
                    total: idle,
                    at: whole,
                };
                let before = self.before.replace(now);
                Ok(before.map_or(f64::NAN, |b| busy_share(b, now)))
            }
        }
    }
}

/// Reads a file once, as a sample of it would be.
pub(crate) fn once(path: &Path, reading: Reading) -> io::Result<f64> {
    Source::open(path, reading)?.read(|| 0.0)
}

#[cfg(unix)]
fn pread(file: &File, buffer: &mut [u8]) -> io::Result<usize> {
    use std::os::unix::fs::FileExt as _;
    file.read_at(buffer, 0)
}

#[cfg(not(unix))]
fn pread(file: &File, buffer: &mut [u8]) -> io::Result<usize> {
    use std::io::{Read as _, Seek as _, SeekFrom};
    let mut file = file;
    file.seek(SeekFrom::Start(0))?;
    file.read(buffer)
}

/// Units a second between two totals. A smaller later total has passed the range once
/// (`intel_rapl_common.c`: the counter starts again at 0; the true period is one count longer).
fn rate(before: Before, now: Before, range: Option<f64>) -> f64 {
    let elapsed_s = now.at - before.at;
    if elapsed_s <= 0.0 {
        return f64::NAN;
    }
    let mut delta = now.total - before.total;
    if delta < 0.0 {
        match range {
            Some(range) => delta += range,
            None => return f64::NAN,
        }
    }
    delta / elapsed_s
}

fn busy_share(before: Before, now: Before) -> f64 {
    let whole = now.at - before.at;
    if whole <= 0.0 {
        return f64::NAN;
    }
    (1.0 - (now.total - before.total) / whole).clamp(0.0, 1.0)
}

/// Idle and whole processor time, in the kernel's ticks: the first line of `proc/stat`, idle being
/// its columns idle and iowait (Documentation/filesystems/proc.rst).
fn processor_time(bytes: &[u8]) -> io::Result<(f64, f64)> {
    let text = std::str::from_utf8(bytes).map_err(|_| not_a_number(bytes))?;
    let line = text.lines().next().unwrap_or("");
    let (mut idle, mut whole) = (0.0, 0.0);
    let cells = line
        .strip_prefix("cpu ")
        .ok_or_else(|| not_a_number(bytes))?;
    // user nice system idle iowait irq softirq steal; guest time is within user time.
    for (place, cell) in cells.split_ascii_whitespace().take(8).enumerate() {
        let ticks: f64 = cell.parse().map_err(|_| not_a_number(bytes))?;
        whole += ticks;
        if place == 3 || place == 4 {
            idle += ticks;
        }
    }
    Ok((idle, whole))
}

/// The number in a file. Whole numbers, which is nearly all of them, take the short way.
pub(crate) fn number(bytes: &[u8]) -> io::Result<f64> {
    let bytes = bytes.trim_ascii();
    if bytes.is_empty() {
        return Err(io::Error::new(
            io::ErrorKind::UnexpectedEof,
            "the file is empty",
        ));
    }
    let (digits, negative) = match bytes {
        [b'-', rest @ ..] => (rest, true),
        all => (all, false),
    };
    // 15 digits are exact in a binary64.
    if digits.len() <= 15 && !digits.is_empty() && digits.iter().all(u8::is_ascii_digit) {
        let size = digits
            .iter()
            .fold(0_u64, |n, digit| n * 10 + u64::from(digit - b'0'));
        let size = size as f64;
        return Ok(if negative { -size } else { size });
    }
    std::str::from_utf8(bytes)
        .ok()
        .and_then(|text| text.parse::<f64>().ok())
        .filter(|value| value.is_finite())
        .ok_or_else(|| not_a_number(bytes))
}

fn not_a_number(bytes: &[u8]) -> io::Error {
    let shown: String = String::from_utf8_lossy(bytes).chars().take(20).collect();
    io::Error::new(
        io::ErrorKind::InvalidData,
        format!("'{shown}' is no number"),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(total: f64, at: f64) -> Before {
        Before { total, at }
    }

    /// Energy unit exponent 14 of the RAPL driver (`drivers/powercap/intel_rapl_common.c`): a range
    /// of (2^32 - 1) counts of 61.035 µJ. 1 J before the end to 2 J after the start is 3 J, less the
    /// one count that the range lacks, hence the tolerance of 62 µJ.
    #[test]
    fn energy_goes_on_over_the_end_of_its_range() {
        let range = 262_143_328_850.0;
        let uj_per_s = rate(
            at(262_142_328_850.0, 10.0),
            at(2_000_000.0, 11.0),
            Some(range),
        );
        assert!((uj_per_s - 3_000_000.0).abs() <= 62.0, "{uj_per_s}");
    }

    #[test]
    fn a_counter_set_back_gives_no_power() {
        // One second of sleep, the counter begins at 0 again: not 262 kW, but no value.
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("energy_uj");
        std::fs::write(&path, "5000000\n").expect("a file");
        let reading = Reading::Counter {
            scale: 1e-6,
            range: Some(262_143_328_850.0),
        };
        let mut source = Source::open(&path, reading).expect("opens");
        assert!(source.read(|| 0.0).expect("reads").is_nan());
        std::fs::write(&path, "35000000\n").expect("a file");
        assert!((source.read(|| 1.0).expect("reads") - 30.0).abs() < 1e-9);
        std::fs::write(&path, "20000\n").expect("a file");
        assert!(source.read(|| 2.0).expect("reads").is_nan());
        std::fs::write(&path, "30020000\n").expect("a file");
        assert!((source.read(|| 3.0).expect("reads") - 30.0).abs() < 1e-9);
    }

    #[test]
    fn numbers_as_the_kernel_writes_them() {
        let read = |text: &str| number(text.as_bytes());
        assert_eq!(read("45000\n").ok(), Some(45_000.0));
        assert_eq!(read("-5125\n").ok(), Some(-5_125.0));
        assert_eq!(read("262143328850\n").ok(), Some(262_143_328_850.0));
        assert_eq!(read(" 21.5 \n").ok(), Some(21.5));
        assert_eq!(
            read("").map_err(|e| e.kind()).err(),
            Some(io::ErrorKind::UnexpectedEof)
        );
        for odd in ["-", "N/A\n", "inf", "1 2"] {
            assert!(read(odd).is_err(), "{odd}");
        }
    }

    #[test]
    fn processor_time_is_idle_and_whole() {
        // user nice system idle iowait irq softirq steal guest guest_nice
        let line = b"cpu  100 20 30 800 40 5 5 0 7 0\ncpu0 1 2 3";
        let (idle, whole) = processor_time(line).expect("a line");
        assert!((idle - 840.0).abs() < 1e-9 && (whole - 1000.0).abs() < 1e-9);
        let share = busy_share(at(840.0, 1000.0), at(890.0, 1200.0));
        assert!((share - 0.75).abs() < 1e-12);
    }
}
