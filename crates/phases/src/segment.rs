//! Stretches between changes of level and gaps.

use settlepoint_domain::{Channel, SensorLog};
use settlepoint_stats::change_points::{Criterion, block_means, penalty, segment_means};

use crate::driver::{Driver, Source};
use crate::series;

/// Rows `first..end`, at least one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Segment {
    pub(crate) first: usize,
    pub(crate) end: usize,
}

impl Segment {
    pub(crate) fn rows(self) -> usize {
        self.end - self.first
    }

    /// Times and values of the readings present.
    pub(crate) fn present(self, log: &SensorLog, channel: &Channel) -> (Vec<f64>, Vec<f64>) {
        (self.first..self.end)
            .filter_map(|row| channel.value(row).map(|v| (log.time_s()[row], v)))
            .unzip()
    }
}

/// A step of time longer than this many usual ones ends a phase.
pub(crate) const GAP_STEPS: f64 = 5.0;
/// Longer stretches are first reduced to about this many means.
const BLOCKS: usize = 4000;
/// Fewest means in a level: two may be the edge of a step.
const MIN_LEN: usize = 3;
/// Neighbouring levels nearer than this share of the log's range are one.
const SAME_SHARE: f64 = 0.03;
/// ... and so are those nearer than this many standard errors of their difference.
const SAME_ERRORS: f64 = 4.0;

/// First rows after gaps.
pub(crate) fn gap_ends(time_s: &[f64]) -> Vec<usize> {
    let Some(step_s) = series::median_step_s(time_s) else {
        return Vec::new();
    };
    (1..time_s.len())
        .filter(|&i| time_s[i] - time_s[i - 1] > GAP_STEPS * step_s)
        .collect()
}

/// Smallest noise of a driver as a share of its largest value: what adding up its means rounds off.
const ROUNDING_SHARE: f64 = 1e-9;

/// Cuts the log at gaps and where the driver's level changes. A log that nothing drives is one
/// stretch: where nothing is known there is nothing to tell its parts apart.
pub(crate) fn segments(log: &SensorLog, driver: &Driver) -> Vec<Segment> {
    let n = log.len();
    if driver.source == Source::None {
        return vec![Segment { first: 0, end: n }];
    }
    let mut starts = vec![0];
    starts.extend(gap_ends(log.time_s()));
    let sections: Vec<Segment> = starts
        .iter()
        .zip(starts.iter().skip(1).chain(std::iter::once(&n)))
        .map(|(&first, &end)| Segment { first, end })
        .collect();
    let range = reach(&driver.values);
    let top = driver.values.iter().fold(0.0_f64, |a, v| a.max(v.abs()));
    if range <= ROUNDING_SHARE * top {
        return sections;
    }
    let variance = series::difference_variance(&driver.values)
        .max(series::long_run_variance(&off_levels(&driver.values)))
        .max((0.005 * range).powi(2));
    sections
        .into_iter()
        .flat_map(|section| {
            let levels = levels(&driver.values, section, variance, n);
            merged(&driver.values, levels, range, variance)
        })
        .collect()
}

/// Fewest rows that a driver of two levels stays at one on average, for these to be told apart.
const STAYS: usize = 30;
/// Most readings between two levels, as a share of all.
const BETWEEN: f64 = 0.05;

/// What the readings are off their level, where there clearly are two levels (load on and off, in
/// turn) that each last: blocks that straddle their edges would pass for noise. Else the readings.
fn off_levels(values: &[f64]) -> Vec<f64> {
    let lo = series::quantile(values, 0.01).unwrap_or(0.0);
    let third = range(values) / 3.0;
    let is_high = |v: &f64| *v > lo + 1.5 * third;
    let between = values
        .iter()
        .filter(|v| **v > lo + third && **v < lo + 2.0 * third)
        .count();
    let turns = values
        .windows(2)
        .filter(|w| is_high(&w[0]) != is_high(&w[1]))
        .count();
    let two = (between as f64) < BETWEEN * values.len() as f64;
    if !two || turns == 0 || values.len() < STAYS * (turns + 1) {
        return values.to_vec();
    }
    let (high, low): (Vec<f64>, Vec<f64>) = values.iter().partition(|v| is_high(v));
    let middle = |own: &[f64]| series::quantile(own, 0.5).unwrap_or(0.0);
    let (high, low) = (middle(&high), middle(&low));
    let level = |v: &f64| if is_high(v) { high } else { low };
    values.iter().map(|v| v - level(v)).collect()
}

/// Range without the outermost hundredths; the whole range where all but those are alike.
fn reach(values: &[f64]) -> f64 {
    let inner = range(values);
    if inner > 0.0 {
        return inner;
    }
    let hi = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    hi - values.iter().copied().fold(f64::INFINITY, f64::min)
}

/// Range without the outermost hundredths.
pub(crate) fn range(values: &[f64]) -> f64 {
    let hi = series::quantile(values, 0.99).unwrap_or(0.0);
    hi - series::quantile(values, 0.01).unwrap_or(0.0)
}

fn levels(values: &[f64], section: Segment, variance: f64, log_rows: usize) -> Vec<Segment> {
    let own = &values[section.first..section.end];
    let block = own.len().div_ceil(BLOCKS);
    let means = block_means(own, block);
    let sd = (variance / block as f64).sqrt();
    let samples = log_rows.div_ceil(block);
    // Twice Schwarz's penalty: loads pulse, and their samples are not normal.
    let criterion = Criterion {
        penalty: 2.0 * penalty(sd, samples, 1),
        min_len: MIN_LEN,
    };
    let found = segment_means(&[&means], criterion).map_or_else(|_| vec![], |s| s.change_points);
    let rough: Vec<usize> = found
        .into_iter()
        .map(|k| section.first + k * block)
        .collect();
    let cuts = refined(values, section, &rough, block);
    tile(section, &cuts)
}

fn tile(section: Segment, cuts: &[usize]) -> Vec<Segment> {
    let starts = std::iter::once(section.first).chain(cuts.iter().copied());
    let ends = cuts.iter().copied().chain(std::iter::once(section.end));
    starts
        .zip(ends)
        .map(|(first, end)| Segment { first, end })
        .collect()
}

/// Moves each cut by up to a block to where two levels fit best.
fn refined(values: &[f64], section: Segment, cuts: &[usize], block: usize) -> Vec<usize> {
    if block <= 1 {
        return cuts.to_vec();
    }
    cuts.iter()
        .map(|&cut| {
            let from = cut.saturating_sub(2 * block).max(section.first);
            let to = (cut + 2 * block).min(section.end);
            best_cut(&values[from..to]).map_or(cut, |k| from + k)
        })
        .scan(section.first, |last, cut| {
            let apart = cut >= *last + MIN_LEN && cut + MIN_LEN <= section.end;
            *last = if apart { cut } else { *last };
            Some(apart.then_some(cut))
        })
        .flatten()
        .collect()
}

/// The cut that leaves the least squared deviation from two means.
fn best_cut(values: &[f64]) -> Option<usize> {
    let total: f64 = values.iter().sum();
    let n = values.len();
    let mut left = 0.0;
    (1..n)
        .map(|k| {
            left += values[k - 1];
            let right = total - left;
            (left * left / k as f64 + right * right / (n - k) as f64, k)
        })
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, k)| k)
}

/// Mean and squared standard error of a stretch.
fn level(values: &[f64], segment: Segment) -> (f64, f64) {
    let own = &values[segment.first..segment.end];
    let thinned = block_means(own, own.len().div_ceil(500));
    let (m, variance) = series::moments(&thinned);
    (m, variance / series::effective_count(&thinned, m, variance))
}

/// Joins neighbours that do not differ by enough to matter or to be sure of, the nearest first.
fn merged(values: &[f64], mut segments: Vec<Segment>, range: f64, variance: f64) -> Vec<Segment> {
    let mut levels: Vec<(f64, f64)> = segments.iter().map(|s| level(values, *s)).collect();
    loop {
        let nearest = (1..segments.len())
            .filter(|&i| {
                let (a, b) = (levels[i - 1], levels[i]);
                let apart = (a.0 - b.0).abs();
                let rows = |k: usize| segments[k].rows() as f64;
                let common = variance * (1.0 / rows(i - 1) + 1.0 / rows(i));
                apart < SAME_SHARE * range || apart < SAME_ERRORS * (a.1 + b.1).max(common).sqrt()
            })
            .min_by(|&i, &j| {
                let apart = |k: usize| (levels[k].0 - levels[k - 1].0).abs();
                apart(i).total_cmp(&apart(j))
            });
        let Some(i) = nearest else { return segments };
        segments[i - 1].end = segments[i].end;
        levels[i - 1] = level(values, segments[i - 1]);
        segments.remove(i);
        levels.remove(i);
    }
}
