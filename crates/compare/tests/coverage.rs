//! A sample of the simulation in `examples/coverage.rs`, few enough trials for every test run.

mod support;

use settlepoint_stats::random::Random;
use support::Law;

/// Trials of each kind; at 2000 the share of a 95 % event scatters by 0.5 points.
const TRIALS: u32 = 2000;
/// Three standard deviations of a share of 5 % over the trials, added to the bounds asked for.
const SCATTER: f64 = 0.0147;

/// 95 % intervals cover 93 to 99 %, false "different" and "same" at most 6 %.
#[test]
fn verdicts_on_scores_err_as_seldom_as_stated() {
    let mut random = Random::from_seed(41);
    for law in Law::ALL {
        for n in [3, 5, 10, 30] {
            let s = support::scores(law, n, TRIALS, &mut random);
            let what = format!("{law:?}, {n} a side: {s:?}");
            assert!(
                (0.93 - SCATTER..=0.99 + SCATTER).contains(&s.covered),
                "{what}"
            );
            assert!(s.false_different <= 0.06, "{what}");
            assert!(s.false_same <= 0.06, "{what}");
        }
    }
}

/// The same for frame times that resemble their neighbours: 150 trials, shares scatter by 1.8
/// points, three of which are allowed.
#[test]
fn verdicts_on_frame_times_err_as_seldom_as_stated() {
    let mut random = Random::from_seed(43);
    let scatter = 3.0 * (0.05_f64 * 0.95 / 150.0).sqrt();
    for (metric, s) in support::frames(5000, 0.7, 150, &mut random) {
        let what = format!("{}: {s:?}", metric.token());
        assert!(s.covered >= 0.93 - scatter, "{what}");
        assert!(s.false_different <= 0.06 + scatter, "{what}");
        assert!(s.false_same <= 0.06 + scatter, "{what}");
    }
}
