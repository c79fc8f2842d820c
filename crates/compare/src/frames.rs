//! Logs of frame times: mean rate, the times that few frames exceed, long frames.
//!
//! Frames of one recording resemble their neighbours, so intervals come from a bootstrap in blocks
//! as long as the correlation asks for. With two or more recordings on both sides each recording is
//! one observation, and scatter from recording to recording counts too.

use std::fmt;
use std::num::NonZero;

use settlepoint_domain::{Basis, Estimate};
use settlepoint_stats::distributions::{StandardNormal, StudentT};
use settlepoint_stats::random::Random;
use settlepoint_stats::resample::{BlockBootstrap, Replicates, block_length, percentile_interval};
use settlepoint_stats::series::median;
use settlepoint_stats::two_sample::welch;

use crate::pair::Verdict;

/// Shares of frames that exceed the times reported.
pub const SHARES: [f64; 3] = [0.05, 0.01, 0.001];
/// Fewest frames in a recording.
const LEAST_FRAMES: usize = 100;
/// Independent long frames of a share from which its interval is believed: with fewer, the
/// percentiles of the bootstrap are those of a handful of events.
const LEAST_EVENTS: f64 = 20.0;

/// Frame times of one recording.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameLog {
    times_ms: Vec<f64>,
}

/// Why frame times cannot be compared.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum FrameError {
    /// A recording is too short.
    TooFew {
        /// Its frames.
        frames: usize,
        /// The least number.
        needed: usize,
    },
    /// A frame time is not above 0 or not finite.
    Time {
        /// The frame, from 1.
        frame: usize,
        /// Its time, ms.
        time_ms: f64,
    },
    /// All frames take equally long, so there is no scatter.
    Constant,
    /// The recordings of each side equal each other.
    Repeated,
    /// A side has no recording.
    Empty,
}

impl fmt::Display for FrameError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooFew { frames, needed } => {
                write!(
                    f,
                    "{frames} frames where {needed} are needed; record longer"
                )
            }
            Self::Time { frame, time_ms } => write!(
                f,
                "frame {frame} takes {time_ms} ms; frame times must be above 0 and time stamps must rise"
            ),
            Self::Constant => {
                f.write_str("all frames take equally long; is a cap active, or the column wrong?")
            }
            Self::Repeated => f.write_str(
                "the recordings of each side equal each other; was one file given twice?",
            ),
            Self::Empty => f.write_str("a side has no recording"),
        }
    }
}

impl std::error::Error for FrameError {}

impl FrameLog {
    /// From the time of each frame, ms.
    ///
    /// # Errors
    ///
    /// [`FrameError`] unless there are 100 frames with times above 0.
    pub fn new(times_ms: Vec<f64>) -> Result<Self, FrameError> {
        if times_ms.len() < LEAST_FRAMES {
            let frames = times_ms.len();
            return Err(FrameError::TooFew {
                frames,
                needed: LEAST_FRAMES,
            });
        }
        match times_ms.iter().position(|t| !(t.is_finite() && *t > 0.0)) {
            Some(place) => Err(FrameError::Time {
                frame: place + 1,
                time_ms: times_ms[place],
            }),
            None => Ok(Self { times_ms }),
        }
    }

    /// From the time stamp of each frame, s: the differences are the frame times.
    ///
    /// # Errors
    ///
    /// As [`FrameLog::new`]; stamps that do not rise give a frame time that is not above 0.
    pub fn from_stamps_s(stamps_s: &[f64]) -> Result<Self, FrameError> {
        Self::new(
            stamps_s
                .windows(2)
                .map(|w| 1000.0 * (w[1] - w[0]))
                .collect(),
        )
    }

    /// Time of each frame, ms.
    pub fn times_ms(&self) -> &[f64] {
        &self.times_ms
    }

    /// Mean frame time, ms.
    pub fn mean_ms(&self) -> f64 {
        self.times_ms.iter().sum::<f64>() / self.times_ms.len() as f64
    }

    /// Time that this share of the frames exceeds, ms.
    pub fn exceeded_ms(&self, share: f64) -> f64 {
        let mut times = self.times_ms.clone();
        let from_top = share * times.len() as f64;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a share of the number of frames"
        )]
        let place = (from_top as usize).min(times.len() - 1);
        let (_, value, _) = times.select_nth_unstable_by(place, |a, b| b.total_cmp(a));
        *value
    }

    /// Frames that take longer than `limit_ms`.
    pub fn longer_than(&self, limit_ms: f64) -> usize {
        self.times_ms.iter().filter(|t| **t > limit_ms).count()
    }

    /// Median frame time, ms.
    pub fn median_ms(&self) -> f64 {
        median(&self.times_ms).unwrap_or(f64::NAN)
    }
}

/// What is compared of two recordings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Metric {
    /// Frames a second over the whole recording.
    MeanRate,
    /// Time that this share of the frames exceeds, ms.
    Exceeded(f64),
}

impl Metric {
    /// Every metric reported, the mean rate first.
    pub fn all() -> Vec<Self> {
        std::iter::once(Self::MeanRate)
            .chain(SHARES.map(Self::Exceeded))
            .collect()
    }

    /// The token in JSON and tables.
    pub fn token(self) -> String {
        match self {
            Self::MeanRate => "mean_rate_per_s".to_owned(),
            Self::Exceeded(share) => format!("exceeded_by_{}_pct_ms", 100.0 * share),
        }
    }

    /// The value as shown from a time in ms.
    fn shown(self, time_ms: f64) -> f64 {
        match self {
            Self::MeanRate => 1000.0 / time_ms,
            Self::Exceeded(_) => time_ms,
        }
    }

    fn time_ms(self, log: &FrameLog) -> f64 {
        match self {
            Self::MeanRate => log.mean_ms(),
            Self::Exceeded(share) => log.exceeded_ms(share),
        }
    }
}

/// How to compare.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrameOptions {
    /// Difference that does not matter, percent.
    pub margin_pct: f64,
    /// Bootstrap draws.
    pub draws: usize,
    /// The same seed gives the same intervals.
    pub seed: u64,
    /// Threads that share the draws; the result does not depend on their number.
    pub threads: usize,
}

impl Default for FrameOptions {
    fn default() -> Self {
        Self {
            margin_pct: 1.0,
            draws: 2000,
            seed: 0x5e77,
            threads: std::thread::available_parallelism().map_or(1, NonZero::get),
        }
    }
}

/// One metric of two sides.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct FrameComparison {
    /// The metric.
    pub metric: Metric,
    /// Value of the base, frames/s or ms, with its 90 % interval.
    pub base: Estimate,
    /// Value of the other side.
    pub other: Estimate,
    /// Other over base with its 90 % interval.
    pub ratio: Estimate,
    /// The 95 % interval, which decides whether there is a difference.
    pub interval_95: (f64, f64),
    /// Two-sided p-value of "no difference".
    pub p_difference: f64,
    /// The answer.
    pub verdict: Verdict,
    /// Why it cannot be told, and what would tell.
    pub needs: Option<String>,
}

/// Two sides' frame times.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct FramesCompared {
    /// Every metric.
    pub rows: Vec<FrameComparison>,
    /// Where the intervals come from, for people.
    pub method: String,
    /// Length of the blocks on each side, frames; `None` where recordings are the observations.
    pub block_frames: Option<(usize, usize)>,
    /// Whether scatter from recording to recording is in the intervals.
    pub between_recordings: bool,
}

/// Compares the frame times of two sides, each one or more recordings.
///
/// # Errors
///
/// [`FrameError`] for a side without recordings or without scatter, or with one recording given
/// twice.
pub fn compare_frames(
    base: &[FrameLog],
    other: &[FrameLog],
    options: &FrameOptions,
) -> Result<FramesCompared, FrameError> {
    if base.is_empty() || other.is_empty() {
        return Err(FrameError::Empty);
    }
    if base.len() >= 2 && other.len() >= 2 {
        return by_recording(base, other, options);
    }
    let (base, other) = (Side::of(base, options, 0)?, Side::of(other, options, 1)?);
    let rows = Metric::all()
        .into_iter()
        .enumerate()
        .map(|(place, metric)| by_blocks(metric, place, &base, &other, options.margin_pct))
        .collect::<Result<_, _>>()?;
    Ok(FramesCompared {
        rows,
        method: format!(
            "bootstrap of {} draws in blocks of {} and {} frames; one recording on a side, so \
             scatter from recording to recording is not in the intervals",
            options.draws, base.block_frames, other.block_frames
        ),
        block_frames: Some((base.block_frames, other.block_frames)),
        between_recordings: false,
    })
}

/// Bounds of "the same" as logarithms.
fn bounds(margin_pct: f64) -> (f64, f64) {
    let low = (-margin_pct / 100.0).ln_1p();
    (low, -low)
}

/// Each recording one observation.
fn by_recording(
    base: &[FrameLog],
    other: &[FrameLog],
    options: &FrameOptions,
) -> Result<FramesCompared, FrameError> {
    let row = |metric: Metric| {
        let logs = |side: &[FrameLog]| -> Vec<f64> {
            side.iter().map(|l| metric.time_ms(l).ln()).collect()
        };
        let (base, other) = (logs(base), logs(other));
        // Speed as a logarithm: base time over other time.
        let speed = match welch(&base, &other) {
            Ok(speed) => speed,
            Err(_) if metric == Metric::MeanRate => return Err(FrameError::Repeated),
            Err(_) => return Ok(without_scatter(metric, &base, &other)),
        };
        let bounds = bounds(options.margin_pct);
        let same = speed.equivalence(bounds.0, bounds.1).p() <= 0.05;
        let (inner, outer) = (speed.interval(0.9), speed.interval(0.95));
        Ok(FrameComparison {
            metric,
            base: of_recordings(metric, &base),
            other: of_recordings(metric, &other),
            ratio: ratio(metric, speed.value, inner),
            interval_95: ends(metric, outer),
            p_difference: speed.p_two_sided(0.0),
            verdict: verdict(same, outer),
            needs: (!same && outer.0 <= 0.0 && outer.1 >= 0.0)
                .then(|| "more recordings on each side".to_owned()),
        })
    };
    Ok(FramesCompared {
        rows: Metric::all()
            .into_iter()
            .map(row)
            .collect::<Result<_, _>>()?,
        method: format!(
            "{} and {} recordings, each one observation (Welch on logarithms)",
            base.len(),
            other.len()
        ),
        block_frames: None,
        between_recordings: true,
    })
}

/// Times read in coarse steps may be the same in every recording, which tells nothing.
fn without_scatter(metric: Metric, base_ln_ms: &[f64], other_ln_ms: &[f64]) -> FrameComparison {
    let (base, other) = (
        of_recordings(metric, base_ln_ms),
        of_recordings(metric, other_ln_ms),
    );
    FrameComparison {
        metric,
        ratio: Estimate {
            value: other.value / base.value,
            lo: 0.0,
            hi: f64::INFINITY,
            basis: Basis::Measured,
        },
        base,
        other,
        interval_95: (0.0, f64::INFINITY),
        p_difference: 1.0,
        verdict: Verdict::CannotTell,
        needs: Some("frame times with more digits, or more recordings".to_owned()),
    }
}

/// One side's value with Student's 90 % interval of the recordings' logarithms.
fn of_recordings(metric: Metric, ln_ms: &[f64]) -> Estimate {
    let n = ln_ms.len() as f64;
    let mean = ln_ms.iter().sum::<f64>() / n;
    let squares: f64 = ln_ms.iter().map(|x| (x - mean).powi(2)).sum();
    let error = (squares / (n - 1.0) / n).sqrt();
    let half = StudentT::new(n - 1.0).map_or(f64::INFINITY, |t| t.coverage_factor(0.9) * error);
    let (a, b) = (
        metric.shown((mean - half).exp()),
        metric.shown((mean + half).exp()),
    );
    Estimate {
        value: metric.shown(mean.exp()),
        lo: a.min(b),
        hi: a.max(b),
        basis: Basis::Measured,
    }
}

fn verdict(same: bool, outer_ln_speed: (f64, f64)) -> Verdict {
    if same {
        Verdict::Same
    } else if outer_ln_speed.0 > 0.0 {
        Verdict::Faster
    } else if outer_ln_speed.1 < 0.0 {
        Verdict::Slower
    } else {
        Verdict::CannotTell
    }
}

/// Interval of other over base from that of the speed: a rate rises with speed, a time falls.
fn ends(metric: Metric, ln_speed: (f64, f64)) -> (f64, f64) {
    match metric {
        Metric::MeanRate => (ln_speed.0.exp(), ln_speed.1.exp()),
        Metric::Exceeded(_) => ((-ln_speed.1).exp(), (-ln_speed.0).exp()),
    }
}

fn ratio(metric: Metric, ln_speed: f64, inner: (f64, f64)) -> Estimate {
    let (lo, hi) = ends(metric, inner);
    let (value, _) = ends(metric, (ln_speed, ln_speed));
    Estimate {
        value,
        lo,
        hi,
        basis: Basis::Measured,
    }
}

/// One side's times with replicates, as logarithms of ms, in the order of the metrics.
struct Side {
    values: Vec<f64>,
    replicates: Vec<Vec<f64>>,
    block_frames: usize,
    /// Frames beyond each share, as many as tell as much if they were independent.
    events: Vec<f64>,
}

/// The automatic length makes the mean squared error of the variance least; intervals suffer more
/// from its bias, which is always towards narrow ones and falls with the length, than from its
/// scatter. In simulation (`examples/coverage.rs`) the plain length covered a point too little.
const BLOCK_FACTOR: f64 = 2.0;
/// Parts into which the draws are split, each with a stream of its own.
const PARTS: usize = 16;

impl Side {
    fn of(logs: &[FrameLog], options: &FrameOptions, stream: u64) -> Result<Self, FrameError> {
        let times: Vec<f64> = logs.iter().flat_map(FrameLog::times_ms).copied().collect();
        let whole = block_length(&times).map_err(|_| FrameError::Constant)?;
        let (mut longest, mut memory) = (whole.circular, whole.memory);
        let mut events = vec![f64::INFINITY];
        let joined = FrameLog { times_ms: times };
        for share in SHARES {
            let beyond = exceedances(&joined, share);
            longest = longest.max(beyond.length);
            memory = memory.max(beyond.memory);
            events.push(beyond.events);
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a length in frames"
        )]
        let block_frames = ((BLOCK_FACTOR * longest).ceil() as usize)
            .min(joined.times_ms.len() / 10)
            .max(1);
        let boot = BlockBootstrap::new(joined.times_ms(), block_frames, &SHARES)
            .map_err(|_| FrameError::Constant)?;
        let drawn = draw(&boot, options, stream);
        let factor = stretch(joined.times_ms.len(), block_frames, memory);
        let ln = |list: Vec<f64>| {
            let logs: Vec<f64> = list.into_iter().map(f64::ln).collect();
            let centre = logs.iter().sum::<f64>() / logs.len().max(1) as f64;
            logs.into_iter()
                .map(|x| centre + factor * (x - centre))
                .collect::<Vec<f64>>()
        };
        Ok(Self {
            values: Metric::all()
                .into_iter()
                .map(|m| m.time_ms(&joined).ln())
                .collect(),
            replicates: std::iter::once(drawn.means)
                .chain(drawn.quantiles)
                .map(ln)
                .collect(),
            block_frames,
            events,
        })
    }
}

/// Largest share of the variance that blocks are taken to have lost.
const MOST_LOST: f64 = 0.3;

/// By how much replicates must be spread about their centre: for the variance that blocks lose
/// between them, and for their small number, as Student's distribution does. The variance from n/b
/// overlapping blocks has a relative variance of 4b/3n (H. R. Künsch, Ann. Statist. 17 (1989)
/// 1217-1241), so 3n/2b degrees of freedom.
fn stretch(frames: usize, block_frames: usize, memory: f64) -> f64 {
    let blocks = frames as f64 / block_frames as f64;
    let lost = (memory / block_frames as f64 + 1.0 / blocks).min(MOST_LOST);
    let wider = StudentT::new(1.5 * blocks).map_or(1.0, |t| {
        t.coverage_factor(0.95) / StandardNormal.quantile(0.975)
    });
    wider / (1.0 - lost).sqrt()
}

/// What is known of the series "takes longer than the time this share exceeds".
struct Exceedances {
    /// Block length for it, frames.
    length: f64,
    /// As [`settlepoint_stats::resample::BlockLength::memory`].
    memory: f64,
    /// How many frames are longer, over how many of them come together.
    events: f64,
}

fn exceedances(log: &FrameLog, share: f64) -> Exceedances {
    let limit_ms = log.exceeded_ms(share);
    let beyond: Vec<f64> = log
        .times_ms
        .iter()
        .map(|t| f64::from(u8::from(*t > limit_ms)))
        .collect();
    let count: f64 = beyond.iter().sum();
    block_length(&beyond).map_or(
        Exceedances {
            length: 1.0,
            memory: 0.0,
            events: count,
        },
        |b| Exceedances {
            length: b.circular,
            memory: b.memory,
            events: count / b.inflation.max(1.0),
        },
    )
}

/// The draws, in parts that threads share.
fn draw(boot: &BlockBootstrap, options: &FrameOptions, stream: u64) -> Replicates {
    let mut seeds = Random::from_seed(options.seed.wrapping_add(stream));
    let mut parts: Vec<(usize, Random, Replicates)> = (0..PARTS)
        .map(|part| {
            let draws = (options.draws + part) / PARTS;
            (draws, seeds.split(), Replicates::default())
        })
        .collect();
    let per_thread = PARTS.div_ceil(options.threads.clamp(1, PARTS));
    std::thread::scope(|scope| {
        for share in parts.chunks_mut(per_thread) {
            scope.spawn(move || {
                for (draws, random, out) in share {
                    *out = boot.replicates(*draws, random);
                }
            });
        }
    });
    parts
        .into_iter()
        .fold(Replicates::default(), |all, (_, _, part)| all.joined(part))
}

fn by_blocks(
    metric: Metric,
    place: usize,
    base: &Side,
    other: &Side,
    margin_pct: f64,
) -> Result<FrameComparison, FrameError> {
    let speeds: Vec<f64> = base.replicates[place]
        .iter()
        .zip(&other.replicates[place])
        .map(|(base, other)| base - other)
        .collect();
    let interval =
        |list: &[f64], level| percentile_interval(list, level).map_err(|_| FrameError::Constant);
    let (inner, outer) = (interval(&speeds, 0.9)?, interval(&speeds, 0.95)?);
    let bounds = bounds(margin_pct);
    let same = bounds.0 < inner.0 && inner.1 < bounds.1;
    let events = base.events[place].min(other.events[place]);
    let few = events < LEAST_EVENTS;
    let verdict = if few {
        Verdict::CannotTell
    } else {
        verdict(same, outer)
    };
    let needs = match (few, verdict) {
        (true, _) => Some(format!(
            "{:.0} times the recording: its long frames are worth {events:.0} independent ones",
            (LEAST_EVENTS / events.max(0.1)).ceil()
        )),
        (false, Verdict::CannotTell) => Some(longer(inner, margin_pct)),
        _ => None,
    };
    let side = |side: &Side| -> Result<Estimate, FrameError> {
        let (low, high) = interval(&side.replicates[place], 0.9)?;
        let (a, b) = (metric.shown(low.exp()), metric.shown(high.exp()));
        Ok(Estimate {
            value: metric.shown(side.values[place].exp()),
            lo: a.min(b),
            hi: a.max(b),
            basis: Basis::Measured,
        })
    };
    Ok(FrameComparison {
        metric,
        base: side(base)?,
        other: side(other)?,
        ratio: ratio(metric, base.values[place] - other.values[place], inner),
        interval_95: ends(metric, outer),
        p_difference: p_of(&speeds),
        verdict,
        needs,
    })
}

/// How much longer a recording must be until its interval is as narrow as the margin: widths fall
/// with the root of the length.
fn longer(inner: (f64, f64), margin_pct: f64) -> String {
    let half = 0.5 * (inner.1 - inner.0);
    let times = (half / bounds(margin_pct).1).powi(2).max(1.0);
    format!("about {:.0} times the recording", (2.0 * times).ceil())
}

/// Two-sided p-value by inverting the percentile interval.
fn p_of(speeds: &[f64]) -> f64 {
    let n = speeds.len() as f64;
    let below = speeds.iter().filter(|s| **s <= 0.0).count() as f64;
    let above = speeds.iter().filter(|s| **s >= 0.0).count() as f64;
    (2.0 * (below.min(above) + 1.0) / (n + 1.0)).min(1.0)
}
