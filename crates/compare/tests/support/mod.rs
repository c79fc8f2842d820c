//! Simulated scores and frame times whose truth is known.

#[path = "frame_log.rs"]
mod simulated;

use settlepoint_compare::frames::{FrameOptions, Metric, compare_frames};
use settlepoint_compare::{Observation, Options, Verdict, Workload, compare};
use settlepoint_stats::random::Random;
use simulated::frame_log;

/// How single scores scatter.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Law {
    /// Normal, 2 %.
    Normal,
    /// Lognormal, 10 %.
    Lognormal,
    /// Student's t with 3 degrees of freedom, scale 2 %: now and then far off.
    HeavyTailed,
}

impl Law {
    pub(crate) const ALL: [Self; 3] = [Self::Normal, Self::Lognormal, Self::HeavyTailed];

    /// Standard deviation of logarithms; margins are set in it.
    pub(crate) fn spread(self) -> f64 {
        match self {
            Self::Normal => 0.02,
            Self::Lognormal => 0.10,
            Self::HeavyTailed => 0.02 * 3.0_f64.sqrt(),
        }
    }

    fn score(self, random: &mut Random) -> f64 {
        match self {
            Self::Normal => 1.0 + 0.02 * random.normal(),
            Self::Lognormal => (0.10 * random.normal()).exp(),
            Self::HeavyTailed => {
                let chi: f64 = (0..3).map(|_| random.normal().powi(2)).sum();
                (0.02 * random.normal() / (chi / 3.0).sqrt()).exp()
            }
        }
    }
}

/// Shares over many trials.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Shares {
    /// 95 % intervals that hold the truth.
    pub(crate) covered: f64,
    /// Faster or slower where nothing differs.
    pub(crate) false_different: f64,
    /// Same where the truth is at the margin.
    pub(crate) false_same: f64,
}

/// Two settings without a difference, and two that differ by exactly the margin.
pub(crate) fn scores(law: Law, n: usize, trials: u32, random: &mut Random) -> Shares {
    // A margin of four standard deviations of the difference: equivalence can then be found, and is
    // found wrongly at the edge as often as its level allows.
    let margin = (4.0 * law.spread() * (2.0 / n as f64).sqrt()).min(0.4);
    let options = |margin_pct: f64| Options {
        margin_pct,
        cross_checks: false,
        ..Options::default()
    };
    // Within the narrowest margin nothing is "the same", so every "different" is seen.
    let (narrow, wide) = (options(0.01), options(100.0 * (1.0 - (-margin).exp())));
    let workload = Workload::named("job");
    let mut shares = Shares::default();
    for _ in 0..trials {
        let mut side = |factor: f64| -> Vec<Observation> {
            (0..n)
                .map(|_| Observation::of(factor * law.score(random)))
                .collect()
        };
        let (base, other, worse) = (side(100.0), side(100.0), side(100.0 * (-margin).exp()));
        let null = compare(&workload, &base, &other, &narrow).expect("scores");
        let (low, high) = null.interval_95.expect("repeated");
        shares.covered += f64::from(u8::from(low <= 1.0 && 1.0 <= high));
        shares.false_different += f64::from(u8::from(null.verdict.differs()));
        let edge = compare(&workload, &base, &worse, &wide).expect("scores");
        shares.false_same += f64::from(u8::from(edge.verdict == Verdict::Same));
    }
    over(shares, trials)
}

fn over(shares: Shares, trials: u32) -> Shares {
    let n = f64::from(trials);
    Shares {
        covered: shares.covered / n,
        false_different: shares.false_different / n,
        false_same: shares.false_same / n,
    }
}

/// The same for frame times, one entry a metric.
pub(crate) fn frames(
    count: usize,
    phi: f64,
    trials: u32,
    random: &mut Random,
) -> Vec<(Metric, Shares)> {
    let options = |margin_pct: f64| FrameOptions {
        draws: 500,
        threads: 1,
        margin_pct,
        ..FrameOptions::default()
    };
    let mut all: Vec<(Metric, Shares)> = Metric::all()
        .into_iter()
        .map(|m| (m, Shares::default()))
        .collect();
    for _ in 0..trials {
        let (base, other) = (
            [frame_log(count, phi, 1.0, random)],
            [frame_log(count, phi, 1.0, random)],
        );
        let null = compare_frames(&base, &other, &options(0.5)).expect("varies");
        // Slower by exactly the margin.
        let worse = [frame_log(count, phi, 1.0 / 0.98, random)];
        let edge = compare_frames(&base, &worse, &options(2.0)).expect("varies");
        for ((_, shares), (null, edge)) in all.iter_mut().zip(null.rows.iter().zip(&edge.rows)) {
            let (low, high) = null.interval_95;
            shares.covered += f64::from(u8::from(low <= 1.0 && 1.0 <= high));
            shares.false_different += f64::from(u8::from(null.verdict.differs()));
            shares.false_same += f64::from(u8::from(edge.verdict == Verdict::Same));
        }
    }
    all.into_iter().map(|(m, s)| (m, over(s, trials))).collect()
}
