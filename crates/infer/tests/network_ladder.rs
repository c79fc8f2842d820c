//! Foster to Cauer against an exact rational continued fraction (Python's `fractions`), rounded
//! to double; stages of 0.05 s to 300 s.

#![expect(
    clippy::unwrap_used,
    reason = "a check that cannot read its data must fail"
)]

use settlepoint_infer::network::ladder_of_stages;

/// Source's statement: 1e-9 relative is fair for a conversion in plain double precision.
const TOLERANCE: f64 = 1e-9;

fn check(stages: &[(f64, f64)], resistance_k_per_w: &[f64], capacity_j_per_k: &[f64]) {
    let ladder = ladder_of_stages(stages).unwrap();
    assert_eq!(ladder.len(), stages.len());
    for ((step, r), c) in ladder.iter().zip(resistance_k_per_w).zip(capacity_j_per_k) {
        assert!(
            (step.resistance_k_per_w / r - 1.0).abs() < TOLERANCE,
            "{step:?} {r}"
        );
        assert!(
            (step.capacity_j_per_k / c - 1.0).abs() < TOLERANCE,
            "{step:?} {c}"
        );
    }
}

#[test]
fn three_stages() {
    check(
        &[(0.08, 0.05), (0.12, 4.0), (0.15, 120.0)],
        &[
            0.083_136_005_514_330_79,
            0.127_013_128_929_662_63,
            0.139_850_865_556_006_6,
        ],
        &[
            0.613_026_819_923_371_6,
            32.170_031_834_367_76,
            824.095_131_315_591,
        ],
    );
}

#[test]
fn four_stages() {
    check(
        &[(0.05, 0.05), (0.1, 0.8), (0.06, 25.0), (0.18, 300.0)],
        &[
            0.063_125_720_988_742_6,
            0.091_957_605_841_618_69,
            0.087_788_136_425_723_14,
            0.147_128_536_743_915_57,
        ],
        &[
            0.886_524_822_695_035_4,
            7.978_739_025_185_68,
            343.691_281_355_975_15,
            1_645.890_074_750_102_7,
        ],
    );
}

#[test]
fn what_is_no_impedance_has_no_ladder() {
    assert!(ladder_of_stages(&[]).is_none());
    assert!(ladder_of_stages(&[(-0.1, 1.0), (0.3, 10.0)]).is_none());
    assert!(ladder_of_stages(&[(0.1, 0.0)]).is_none());
}
