//! Frame times whose answers are known.

#[path = "support/frame_log.rs"]
mod simulated;

use settlepoint_compare::Verdict;
use settlepoint_compare::frames::{
    FrameError, FrameLog, FrameOptions, FramesCompared, Metric, compare_frames,
};
use settlepoint_stats::random::Random;
use simulated::frame_log;

fn options() -> FrameOptions {
    FrameOptions {
        draws: 500,
        threads: 2,
        ..FrameOptions::default()
    }
}

fn compared(base: &[FrameLog], other: &[FrameLog]) -> FramesCompared {
    compare_frames(base, other, &options()).expect("frames that vary")
}

/// 1000 frames of 1 to 1000 ms: 10 of them (1 %) take longer than 990 ms.
#[test]
fn the_time_that_a_share_exceeds() {
    let log = FrameLog::new((1..=1000).map(f64::from).collect()).unwrap();
    for (share, ms) in [(0.05, 950.0), (0.01, 990.0), (0.001, 999.0)] {
        assert!((log.exceeded_ms(share) - ms).abs() < 1e-12, "{share}");
        // The definition: this share of the frames is longer.
        let longer = log.longer_than(log.exceeded_ms(share)) as f64;
        assert!((longer - 1000.0 * share).abs() < 1e-9, "{share}: {longer}");
    }
    assert!((log.mean_ms() - 500.5).abs() < 1e-12);
}

#[test]
fn stamps_are_differences() {
    let stamps: Vec<f64> = (0..200).map(|i| 100.0 + 0.008 * f64::from(i)).collect();
    let log = FrameLog::from_stamps_s(&stamps).unwrap();
    assert_eq!(log.times_ms().len(), 199);
    // Times near 100 s carry 1.4e-14 s of rounding, 1.4e-11 ms.
    assert!((log.median_ms() - 8.0).abs() < 1e-9);
    let mut back = stamps;
    back[50] = 0.0;
    let error = FrameLog::from_stamps_s(&back).unwrap_err();
    assert!(
        matches!(error, FrameError::Time { frame: 50, .. }),
        "{error}"
    );
}

/// A tail that is 10 % longer while the mean moves by less than the margin: the tail is told.
#[test]
fn long_frames_are_told_from_the_mean() {
    let mut random = Random::from_seed(3);
    let base = frame_log(40_000, 0.5, 1.0, &mut random);
    let slow = frame_log(40_000, 0.5, 1.0, &mut random);
    let limit_ms = slow.exceeded_ms(0.02);
    let stretched = |t: &f64| if *t > limit_ms { 1.1 * t } else { *t };
    let slow = FrameLog::new(slow.times_ms().iter().map(stretched).collect()).unwrap();
    let found = compared(&[base], &[slow]);
    let row = |metric: Metric| found.rows.iter().find(|r| r.metric == metric).unwrap();
    assert_eq!(row(Metric::MeanRate).verdict, Verdict::Same);
    let tail = row(Metric::Exceeded(0.01));
    assert_eq!(tail.verdict, Verdict::Slower);
    assert!(tail.ratio.lo < 1.1 && 1.1 < tail.ratio.hi, "{tail:?}");
}

/// A burst of 300 frames in a row is one event, however many they are.
#[test]
fn one_burst_is_one_event() {
    let mut random = Random::from_seed(4);
    let base = frame_log(20_000, 0.5, 1.0, &mut random);
    let mut times = base.times_ms().to_vec();
    times[7000..7300].fill(60.0);
    let burst = FrameLog::new(times).unwrap();
    let found = compared(&[base], &[burst]);
    let tail = &found.rows[2];
    assert_eq!(
        (tail.metric, tail.verdict),
        (Metric::Exceeded(0.01), Verdict::CannotTell)
    );
    assert!(
        tail.needs.as_ref().unwrap().contains("times the recording"),
        "{tail:?}"
    );
}

/// With two recordings each the interval is Welch's on two values a side: scipy 1.17.1,
/// `ttest_ind([log(8.0), log(8.2)], [log(9.0), log(9.3)], equal_var=False)` on logarithms of mean
/// times gives the p-value and the ends of the 90 % interval below; its own digits are good to 1e-9.
#[test]
fn recordings_are_observations() {
    let flat = |mean_ms: f64| {
        // Ten equal steps about the mean, so that nothing but the mean differs.
        let times = (0..1000)
            .map(|i| mean_ms + 0.01 * (f64::from(i % 10) - 4.5))
            .collect();
        FrameLog::new(times).unwrap()
    };
    let found = compared(&[flat(8.0), flat(8.2)], &[flat(9.0), flat(9.3)]);
    let rate = &found.rows[0];
    assert!(found.between_recordings);
    assert!(
        (rate.p_difference / 0.032_246_867_203_777_944 - 1.0).abs() < 1e-9,
        "{}",
        rate.p_difference
    );
    for (got, want) in [
        (rate.ratio.lo, 0.831_105_080_120_705_3),
        (rate.ratio.hi, 0.943_023_345_874_73),
    ] {
        assert!((got / want - 1.0).abs() < 1e-9, "{got} instead of {want}");
    }
    assert!(rate.base.lo < rate.base.value && rate.base.value < rate.base.hi);
    // One recording twice on each side has no scatter that could tell anything.
    let twice = compare_frames(&[flat(8.0), flat(8.0)], &[flat(9.0), flat(9.0)], &options());
    assert_eq!(twice, Err(FrameError::Repeated));
}

/// Times read in whole milliseconds: long frames may be equal in all recordings, which tells nothing.
#[test]
fn coarse_times_leave_the_tail_open() {
    let coarse = |long: i32| {
        let times = (0..1000).map(|i| {
            if i % 40 == 0 {
                20.0
            } else if i < long {
                9.0
            } else {
                8.0
            }
        });
        FrameLog::new(times.collect()).unwrap()
    };
    let found = compared(&[coarse(100), coarse(150)], &[coarse(400), coarse(430)]);
    assert_eq!(found.rows[0].verdict, Verdict::Slower);
    assert_eq!(found.rows[2].verdict, Verdict::CannotTell);
    assert!(
        found.rows[2]
            .needs
            .as_ref()
            .unwrap()
            .contains("more digits")
    );
}
