//! Waiting until a machine at rest has settled.

use std::collections::VecDeque;

use crate::error::BenchError;
use crate::recorder::Recorder;
use crate::session::{Columns, Snapshot, Stage};

/// When a machine at rest counts as settled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rest {
    /// Two stretches of this length, one after the other, are compared, s.
    pub stretch_s: f64,
    /// Their mean package temperatures differ by no more than this, K.
    pub within_k: f64,
    /// The wait ends after this, settled or not, s.
    pub longest_s: f64,
}

impl Rest {
    /// A minute against the minute before, within 0.3 K. A heat sink with a time constant of 150 s
    /// then stands 0.9 K above its resting temperature: the mean over a minute falls by
    /// `d (1 - exp(-60/150))`, so that d at the middle of the later one is 0.3 K exp(-0.4) / 0.33 =
    /// 0.6 K, and one of 300 s by 1.3 K.
    pub const fn within(longest_s: f64) -> Self {
        Self {
            stretch_s: 60.0,
            within_k: 0.3,
            longest_s,
        }
    }
}

/// How the wait ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settled {
    /// How long it took, s.
    pub took_s: f64,
    /// Whether the machine had settled.
    pub is_settled: bool,
    /// By how much the later stretch was warmer, K; `None` without a temperature or two stretches.
    pub drift_k: Option<f64>,
    /// Whether the user ended the wait.
    pub asked: bool,
}

/// Ticks until the machine has settled. `show` sees each row, with the time left at most, and says
/// whether to go on.
///
/// # Errors
/// As [`Recorder::tick`].
pub fn settle(
    mut recorder: Recorder<'_>,
    rest: Rest,
    mut show: impl FnMut(&Snapshot<'_>) -> bool,
) -> Result<Settled, BenchError> {
    let columns = Columns::of(recorder.channels());
    let mut watch = Watch::new(rest);
    loop {
        let tick = recorder.tick()?;
        let (time_s, slept_s) = (tick.time_s, tick.slept_s);
        let seen = columns.see(tick.readings);
        let ended = watch.step(time_s, seen.package_c);
        let go_on = show(&Snapshot {
            stage: Stage::Lead,
            time_s,
            left_s: Some((rest.longest_s - time_s).max(0.0)),
            slept_s,
            ..seen
        });
        if ended || !go_on {
            return Ok(Settled {
                took_s: time_s,
                is_settled: watch.is_settled(),
                drift_k: watch.drift_k(),
                asked: !go_on,
            });
        }
    }
}

/// The last two stretches.
struct Watch {
    rest: Rest,
    readings: VecDeque<(f64, f64)>,
    began_s: f64,
    now_s: f64,
}

impl Watch {
    fn new(rest: Rest) -> Self {
        Self {
            rest,
            readings: VecDeque::new(),
            began_s: 0.0,
            now_s: 0.0,
        }
    }

    /// Takes a reading; true if the wait is over.
    fn step(&mut self, time_s: f64, package_c: Option<f64>) -> bool {
        self.now_s = time_s;
        if let Some(c) = package_c {
            if self.readings.is_empty() {
                self.began_s = time_s;
            }
            self.readings.push_back((time_s, c));
        }
        let oldest_s = time_s - 2.0 * self.rest.stretch_s;
        while self.readings.front().is_some_and(|(t, _)| *t < oldest_s) {
            self.readings.pop_front();
        }
        self.is_settled() || time_s >= self.rest.longest_s
    }

    fn drift_k(&self) -> Option<f64> {
        if self.now_s - self.began_s < 2.0 * self.rest.stretch_s {
            return None;
        }
        let middle_s = self.now_s - self.rest.stretch_s;
        let mean = |later: bool| {
            let of = self
                .readings
                .iter()
                .filter(|(t, _)| (*t >= middle_s) == later);
            let (sum, count) = of.fold((0.0, 0_u32), |(s, n), (_, c)| (s + c, n + 1));
            (count > 0).then(|| sum / f64::from(count))
        };
        Some(mean(true)? - mean(false)?)
    }

    fn is_settled(&self) -> bool {
        self.drift_k()
            .is_some_and(|drift_k| drift_k.abs() <= self.rest.within_k)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Seconds until a package at `of(time)` counts as settled, looked at once a second.
    fn wait(of: impl Fn(f64) -> Option<f64>) -> (f64, bool) {
        let mut watch = Watch::new(Rest::within(900.0));
        for second in 0..10_000 {
            let time_s = f64::from(second);
            if watch.step(time_s, of(time_s)) {
                return (time_s, watch.is_settled());
            }
        }
        panic!("no end");
    }

    #[test]
    fn rest_is_seen_after_two_minutes_and_never_before() {
        assert_eq!(wait(|_| Some(30.0)), (120.0, true));
    }

    #[test]
    fn what_cools_is_waited_for_until_it_is_near_its_end() {
        let cooling = |time_s: f64| 30.0 + 25.0 * (-time_s / 150.0).exp();
        let (took_s, settled) = wait(|t| Some(cooling(t)));
        assert!(settled && took_s > 300.0, "{took_s}");
        // Half a stretch back, where the later mean stands, it is the document's 0.6 K.
        let left_k = cooling(took_s - 30.0) - 30.0;
        assert!((0.5..0.7).contains(&left_k), "{left_k}");
    }

    #[test]
    fn whole_degrees_do_not_hide_a_drift() {
        let (took_s, settled) = wait(|t| Some((30.0 + 25.0 * (-t / 150.0_f64).exp()).round()));
        assert!(settled && took_s > 250.0, "{took_s}");
    }

    #[test]
    fn what_does_not_settle_or_cannot_be_read_ends_at_the_limit() {
        assert_eq!(wait(|t| Some(30.0 + 0.01 * t)), (900.0, false));
        assert_eq!(wait(|_| None), (900.0, false));
    }
}
