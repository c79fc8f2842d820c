//! Change points against a general-purpose library, plain dynamic programming, and themselves.

use proptest::prelude::*;
use settlepoint_stats::change_points::{
    ChangePointError, Criterion, block_means, penalty, segment_means,
};
use settlepoint_stats::random::Random;

fn squared_deviations(values: &[f64]) -> f64 {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    values.iter().map(|v| (v - mean).powi(2)).sum()
}

/// Least objective by plain dynamic programming over all segmentations, nothing pruned.
fn least_objective(channels: &[&[f64]], criterion: Criterion) -> f64 {
    let n = channels[0].len();
    let mut best = vec![f64::INFINITY; n + 1];
    best[0] = -criterion.penalty;
    for end in criterion.min_len..=n {
        for start in 0..=end - criterion.min_len {
            let cost: f64 = channels
                .iter()
                .map(|c| squared_deviations(&c[start..end]))
                .sum();
            best[end] = best[end].min(best[start] + cost + criterion.penalty);
        }
    }
    best[n]
}

/// Table of ruptures 1.1.10 and of an exact program; see the head of the file.
#[test]
fn reference_cases() {
    let table: toml::Table = include_str!("data/change-points.toml")
        .parse()
        .expect("TOML");
    let mut fits = 0;
    for case in table["case"].as_array().expect("cases") {
        let y: Vec<f64> = case["y"]
            .as_array()
            .expect("samples")
            .iter()
            .map(|v| v.as_float().expect("a float"))
            .collect();
        for fit in case["fit"].as_array().expect("fits") {
            let criterion = Criterion {
                penalty: fit["penalty"].as_float().expect("a float"),
                min_len: usize::try_from(fit["min_size"].as_integer().expect("a count"))
                    .expect("small"),
            };
            let expected: Vec<usize> = fit["exact_change_points"]
                .as_array()
                .expect("indices")
                .iter()
                .map(|v| usize::try_from(v.as_integer().expect("an index")).expect("small"))
                .collect();
            let objective = fit["exact_objective"].as_float().expect("a float");
            // A zero second channel leaves the optimum alone but takes the other method.
            let zero = vec![0.0; y.len()];
            for channels in [vec![y.as_slice()], vec![y.as_slice(), zero.as_slice()]] {
                let found = segment_means(&channels, criterion).expect("segments");
                assert_eq!(
                    found.change_points, expected,
                    "{} {criterion:?}",
                    case["name"]
                );
                // The table has 12 digits.
                assert!((found.objective - objective).abs() <= 1e-9 * objective);
            }
            fits += 1;
        }
    }
    assert!(fits >= 30, "the whole table: {fits}");
}

#[test]
fn two_channels_share_their_changes() {
    let first: Vec<f64> = (0..60).map(|k| if k < 20 { 0.0 } else { 4.0 }).collect();
    let second: Vec<f64> = (0..60).map(|k| if k < 45 { 70.0 } else { 75.0 }).collect();
    let criterion = Criterion {
        penalty: 5.0,
        min_len: 3,
    };
    let found = segment_means(&[&first, &second], criterion).expect("segments");
    assert_eq!(found.change_points, [20, 45]);
    assert_eq!(found.segments(), [0..20, 20..45, 45..60]);
}

#[test]
fn bad_input_is_refused_with_its_place() {
    let criterion = Criterion {
        penalty: 1.0,
        min_len: 3,
    };
    let too_short = segment_means(&[&[1.0, 2.0]], criterion).unwrap_err();
    assert_eq!(
        too_short,
        ChangePointError::TooShort {
            samples: 2,
            min_len: 3
        }
    );
    let gap = segment_means(&[&[1.0, f64::NAN, 2.0]], criterion).unwrap_err();
    assert_eq!(
        gap,
        ChangePointError::NotFinite {
            channel: 0,
            sample: 1
        }
    );
    let unequal = segment_means(&[&[1.0; 4], &[1.0; 3]], criterion).unwrap_err();
    assert_eq!(unequal, ChangePointError::UnequalChannels { channel: 1 });
    let negative = Criterion {
        penalty: -1.0,
        min_len: 3,
    };
    let negative = segment_means(&[&[1.0; 4]], negative).unwrap_err();
    assert_eq!(negative, ChangePointError::Criterion);
    assert_eq!(
        segment_means(&[], criterion).unwrap_err(),
        ChangePointError::TooShort {
            samples: 0,
            min_len: 3
        }
    );
}

fn noisy(levels: &[(usize, f64)], seed: u64) -> Vec<f64> {
    let mut random = Random::from_seed(seed);
    let mut values = Vec::new();
    for &(len, level) in levels {
        values.extend((0..len).map(|_| level + random.normal()));
    }
    values
}

/// A long log must stay interactive, with changes or without. Quadratic effort would evaluate
/// 5e9 segments here, minutes in a test build.
#[test]
fn a_hundred_thousand_samples() {
    let flat = noisy(&[(100_000, 70.0)], 1);
    let stepped = noisy(&[(30_000, 0.0), (20_000, 3.0), (50_000, -2.0)], 2);
    let criterion = Criterion {
        penalty: 2.0 * penalty(1.0, 100_000, 1),
        min_len: 5,
    };
    let start = std::time::Instant::now();
    assert!(
        segment_means(&[&flat], criterion)
            .expect("segments")
            .change_points
            .is_empty()
    );
    let found = segment_means(&[&stepped], criterion)
        .expect("segments")
        .change_points;
    println!("200 000 samples: {:?}", start.elapsed());
    assert_eq!(found.len(), 2);
    // A shift of 3 sd is placed to within 6 samples with probability above 0.999.
    assert!(found[0].abs_diff(30_000) <= 6 && found[1].abs_diff(50_000) <= 6);
}

#[test]
fn blocks_keep_changes_in_place() {
    let values = noisy(&[(3000, 0.0), (2000, 3.0)], 4);
    let short = block_means(&values, 50);
    assert_eq!(short.len(), 100);
    let criterion = Criterion {
        penalty: penalty(1.0 / 50_f64.sqrt(), 100, 1),
        min_len: 2,
    };
    let found = segment_means(&[&short], criterion).expect("segments");
    assert_eq!(found.change_points, [60]);
}

proptest! {
    /// Pruning must not cost anything: both methods reach the least objective of all.
    #[test]
    fn pruning_is_exact(
        coarse in prop::collection::vec(-4_i8..4, 12..60),
        noise in prop::collection::vec(-1.0..1.0_f64, 60),
        penalty in 0.0..20.0_f64,
        min_len in 1_usize..7,
    ) {
        let first: Vec<f64> = coarse.iter().zip(&noise).map(|(c, e)| f64::from(*c / 2) * 2.0 + e).collect();
        let second: Vec<f64> = noise[..first.len()].iter().map(|e| 70.0 + 3.0 * e).collect();
        let criterion = Criterion { penalty, min_len };
        for channels in [vec![first.as_slice()], vec![first.as_slice(), second.as_slice()]] {
            let found = segment_means(&channels, criterion).expect("segments");
            let least = least_objective(&channels, criterion);
            // Rounding of sums of 60 squares.
            prop_assert!((found.objective - least).abs() < 1e-9, "{} {least}", found.objective);
            prop_assert!(found.segments().iter().all(|s| s.len() >= min_len));
        }
    }

    /// Neither an offset nor the direction of time matters.
    #[test]
    fn shifting_and_reversing_change_nothing(
        values in prop::collection::vec(-5.0..5.0_f64, 10..80),
        offset in -1000.0..1000.0_f64,
    ) {
        let criterion = Criterion { penalty: 10.0, min_len: 2 };
        let plain = segment_means(&[&values], criterion).expect("segments");
        let shifted: Vec<f64> = values.iter().map(|v| v + offset).collect();
        let reversed: Vec<f64> = values.iter().rev().copied().collect();
        for other in [shifted, reversed] {
            let other = segment_means(&[&other], criterion).expect("segments");
            // Rounding of the shifted samples: 1e-13 each.
            prop_assert!((other.objective - plain.objective).abs() < 1e-8);
        }
    }
}
