//! Verdicts on what owners bring: single scores, three repetitions, levels, several workloads.

use settlepoint_compare::{
    CompareError, Comparison, Layout, Observation, Options, Scale, Verdict, Workload,
    common_spread, compare, whole,
};
use settlepoint_domain::Direction;

fn side(values: &[f64]) -> Vec<Observation> {
    values.iter().copied().map(Observation::of).collect()
}

fn of(name: &str, base: &[f64], other: &[f64]) -> Comparison {
    compare(
        &Workload::named(name),
        &side(base),
        &side(other),
        &Options::default(),
    )
    .expect("positive scores")
}

/// Values about `centre` with exactly this relative standard deviation of logarithms.
fn three(centre: f64, spread: f64) -> [f64; 3] {
    [-1.0, 0.0, 1.0].map(|x: f64| centre * (x * spread).exp())
}

/// 3.7 % lower on one job and slightly higher on another, one repetition each: nobody can tell.
#[test]
fn single_repetitions_cannot_tell() {
    let (lower, higher) = (
        of("export", &[21_840.0], &[21_032.0]),
        of("light", &[902.0], &[905.0]),
    );
    for c in [&lower, &higher] {
        assert_eq!(c.verdict, Verdict::CannotTell);
        assert_eq!(c.layout, Layout::Single);
        let spreads: Vec<f64> = c.repeats_at_spreads.iter().map(|r| r.spread).collect();
        assert_eq!(spreads, [0.5, 1.0, 2.0, 4.0]);
        assert!(c.ratio.lo <= 0.0 && c.ratio.hi.is_infinite());
    }
    // statsmodels 0.15.0, TTestIndPower.solve_power at |ln(21032 / 21840)| over ln(1 + s): 2.509,
    // 5.481 and 18.004 for 1, 2 and 4 %; two values are the least that scatter, enough for 0.5 %.
    let repeats: Vec<Option<u32>> = lower.repeats_at_spreads.iter().map(|r| r.repeats).collect();
    assert_eq!(repeats, [Some(2), Some(3), Some(6), Some(19)]);
    let all = whole(&[lower, higher], 1.0);
    assert_eq!(all.verdict, Verdict::CannotTell);
    assert!(!all.any_differs && !all.same_everywhere && all.left_out.len() == 2);
}

#[test]
fn a_large_loss_at_small_spread_is_slower() {
    let c = of("render", &three(1000.0, 0.005), &three(862.0, 0.005));
    assert_eq!(c.verdict, Verdict::Slower);
    assert!((c.ratio.value - 0.862).abs() < 1e-12);
    assert!(c.ratio.hi < 0.88 && c.repeats_needed.is_none());
    let note = c.cross_checks.rank_note.expect("three against three");
    assert!(note.contains("cannot reach 5 %"), "{note}");
}

#[test]
fn a_tenth_of_a_percent_is_the_same_within_one() {
    let c = of(
        "one core",
        &three(512.0, 0.002),
        &three(512.0 * 0.999, 0.002),
    );
    assert_eq!(c.verdict, Verdict::Same);
    assert!(c.p_equivalence.expect("repeated") < 0.05);
}

#[test]
fn a_real_but_small_difference_is_the_same_and_a_wide_one_is_open() {
    let small = of("job", &three(100.0, 1e-4), &three(99.8, 1e-4));
    assert!(small.p_difference.expect("repeated") < 0.05);
    assert_eq!(small.verdict, Verdict::Same);
    let wide = of("job", &three(100.0, 0.02), &three(99.0, 0.02));
    assert_eq!(wide.verdict, Verdict::CannotTell);
    assert!(wide.repeats_needed.expect("possible") > 10);
    let further = wide.further_repeats().expect("possible");
    assert_eq!(further, wide.repeats_needed.expect("possible") - 3);
}

#[test]
fn a_longer_time_is_slower() {
    let time = Workload {
        direction: Direction::Lower,
        unit: "s".to_owned(),
        ..Workload::named("compile")
    };
    let (base, other) = (side(&three(60.0, 0.003)), side(&three(66.0, 0.003)));
    let c = compare(&time, &base, &other, &Options::default()).expect("times");
    assert_eq!(c.verdict, Verdict::Slower);
    assert!(c.ratio.value > 1.0 && c.ln_speed().expect("repeated").value < 0.0);
}

#[test]
fn levels_differ_by_decibels() {
    let level = Workload {
        direction: Direction::Lower,
        scale: Scale::Decibel,
        ..Workload::named("noise")
    };
    let run = |a: &[f64], b: &[f64]| {
        compare(&level, &side(a), &side(b), &Options::default()).expect("levels")
    };
    let c = run(&[36.1, 36.4, 36.2], &[31.0, 31.3, 31.1]);
    assert_eq!(c.verdict, Verdict::Quieter);
    assert!(
        (c.ratio.value + 5.1).abs() < 1e-9,
        "a difference, not a ratio"
    );
    assert_eq!(run(&[31.0, 31.3], &[36.1, 36.4]).verdict, Verdict::Louder);
    assert_eq!(
        run(&[-1.0, -1.1, -0.9], &[-1.0, -1.2, -0.9]).verdict,
        Verdict::Same
    );
    assert!(whole(&[c], 1.0).speed_ratio.is_none());
}

/// Machines warm up: both sides drift together by far more than they differ.
#[test]
fn blocks_take_a_common_drift_out() {
    let rounds = |factor: f64, wobble: [f64; 5]| -> Vec<Observation> {
        (0..5)
            .zip(wobble)
            .map(|(i, wobble)| Observation {
                block: Some(format!("round {i}")),
                ..Observation::of(100.0 * factor * 1.03_f64.powi(i) * wobble)
            })
            .collect()
    };
    let base = rounds(1.0, [1.0, 1.001, 0.999, 1.0, 1.0]);
    let other = rounds(0.97, [1.0, 1.0, 1.001, 0.999, 1.0]);
    let workload = Workload::named("job");
    let paired = compare(&workload, &base, &other, &Options::default()).expect("rounds");
    assert_eq!(
        (paired.layout, paired.verdict),
        (Layout::Paired, Verdict::Slower)
    );
    let loose = Options {
        use_blocks: false,
        ..Options::default()
    };
    let note = paired
        .cross_checks
        .rank_note
        .expect("five blocks are too few");
    assert!(
        note.contains("within 5 blocks") && note.contains("0.06"),
        "{note}"
    );
    let independent = compare(&workload, &base, &other, &loose).expect("rounds");
    assert_eq!(independent.layout, Layout::Independent);
    assert_eq!(independent.verdict, Verdict::CannotTell);
}

#[test]
fn the_whole_weighs_and_joins() {
    let weighted = |name: &str, weight: f64, ratio: f64| {
        let mut c = of(name, &three(100.0, 0.002), &three(100.0 * ratio, 0.002));
        c.workload.weight = weight;
        c
    };
    let parts = [weighted("a", 3.0, 0.90), weighted("b", 1.0, 1.02)];
    let all = whole(&parts, 1.0);
    let want = 0.90_f64.powf(0.75) * 1.02_f64.powf(0.25);
    assert!((all.speed_ratio.expect("joined").value - want).abs() < 1e-12);
    assert_eq!(all.verdict, Verdict::Slower);
    assert!(all.any_differs && !all.same_everywhere);
    let same = [weighted("a", 1.0, 1.0), weighted("b", 1.0, 1.001)];
    let all = whole(&same, 1.0);
    assert!(all.same_everywhere && !all.any_differs && all.verdict == Verdict::Same);
}

#[test]
fn the_spread_of_other_workloads_speaks_for_a_single_repetition() {
    let repeated = of("a", &three(100.0, 0.01), &three(98.0, 0.01));
    let spread = common_spread(std::slice::from_ref(&repeated)).expect("repetitions");
    assert!((spread - 0.01).abs() < 1e-12);
    let options = Options {
        known_spread: Some(spread),
        ..Options::default()
    };
    let single = compare(
        &Workload::named("b"),
        &side(&[100.0]),
        &side(&[96.0]),
        &options,
    );
    let single = single.expect("scores");
    assert_eq!(single.repeats_at_spreads.len(), 1);
    // statsmodels 0.15.0: an effect of |ln 0.96| / 0.01 = 4.08 needs 2.38 a side.
    assert_eq!(single.repeats_needed, Some(3));
    assert_eq!(single.verdict, Verdict::CannotTell);
}

/// 24 rounds, all of which lose: the signed-rank test has 2 of 2^24 signs as far out.
#[test]
fn many_rounds_bring_the_cross_checks() {
    let rounds = |factor: f64, step: u32| -> Vec<Observation> {
        (0..24_u32)
            .map(|i| Observation {
                block: Some(i.to_string()),
                ..Observation::of(factor * (100.0 + f64::from(i * step % 24) / 10.0))
            })
            .collect()
    };
    let options = Options::default();
    let workload = Workload::named("job");
    let c = compare(&workload, &rounds(1.0, 7), &rounds(0.95, 5), &options).expect("rounds");
    assert_eq!(c.layout, Layout::Paired);
    let p = c.cross_checks.rank_p.expect("24 rounds");
    assert!((p / 2.0_f64.powi(-23) - 1.0).abs() < 1e-9, "{p}");
    let (low, high) = c.cross_checks.bca_95.expect("24 rounds");
    let outer = c.interval_95.expect("repeated");
    // As for independent values below.
    let tenth = 0.1 * (outer.1 - outer.0);
    assert!((low - outer.0).abs() < tenth && (high - outer.1).abs() < tenth);
}

#[test]
fn many_values_bring_the_cross_checks() {
    let values = |factor: f64| -> Vec<f64> {
        (0..24)
            .map(|i| factor * (100.0 + f64::from(i * 7 % 24) / 10.0))
            .collect()
    };
    let c = of("job", &values(1.0), &values(0.95));
    assert!(c.cross_checks.rank_p.expect("24 against 24") < 1e-6);
    let (low, high) = c.cross_checks.bca_95.expect("24 against 24");
    let outer = c.interval_95.expect("repeated");
    // A tenth of the width: the bootstrap's own scatter is 3 % of it, its bias at 24 values 4 %.
    let tenth = 0.1 * (outer.1 - outer.0);
    assert!((low - outer.0).abs() < tenth && (high - outer.1).abs() < tenth);
}

#[test]
fn what_cannot_be_compared_says_why() {
    let workload = Workload::named("job");
    let options = Options::default();
    let empty = compare(&workload, &[], &side(&[1.0]), &options).unwrap_err();
    assert!(matches!(empty, CompareError::Empty { .. }) && empty.to_string().contains("job"));
    let zero = compare(&workload, &side(&[0.0]), &side(&[1.0]), &options).unwrap_err();
    assert!(zero.to_string().contains("above 0"));
    let wide = Options {
        margin_pct: 80.0,
        ..options
    };
    let margin = compare(&workload, &side(&[1.0]), &side(&[1.0]), &wide).unwrap_err();
    assert!(margin.to_string().contains("80"));
    let equal = compare(&workload, &side(&[5.0, 5.0]), &side(&[5.0, 5.0]), &options);
    let equal = equal.expect("scores");
    assert_eq!(equal.verdict, Verdict::CannotTell);
    assert!(equal.layout_reason.contains("more digits"));
}
