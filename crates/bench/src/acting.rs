//! What holds the power just now, judged by readings against limits: for people who watch a run.

use settlepoint_model::{RunningAverage, Sampling};

/// Power within this share of a limit is held by it. A judgement: sensors, rounding and averaging
/// differ by a percent or two.
const NEAR_SHARE: f64 = 0.03;
/// Firmware holds a degree or two off its temperature limit.
const NEAR_K: f64 = 2.0;

/// Limits as far as they are known.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct KnownLimits {
    /// Sustained power limit, W.
    pub pl1_w: Option<f64>,
    /// Short-time power limit, W.
    pub pl2_w: Option<f64>,
    /// Window of the sustained limit, s.
    pub tau_s: Option<f64>,
    /// Temperature limit, °C.
    pub temp_limit_c: Option<f64>,
}

/// What holds the power.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Acting {
    /// Nothing but the load itself.
    Demand,
    /// The sustained limit.
    Sustained,
    /// The short-time limit.
    ShortTime,
    /// The temperature limit.
    Temperature,
    /// A limit is not known, so it cannot be told.
    Unknown,
}

impl Acting {
    /// For people.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Demand => "not limited",
            Self::Sustained => "held by PL1",
            Self::ShortTime => "held by PL2",
            Self::Temperature => "held by the temperature limit",
            Self::Unknown => "limit not known",
        }
    }

    /// The phase that it makes of a stretch under load.
    pub const fn phase(self) -> &'static str {
        match self {
            Self::ShortTime => "boost",
            Self::Temperature => "temp_limited",
            Self::Demand | Self::Sustained | Self::Unknown => "sustained",
        }
    }
}

/// Follows a run's power and temperature.
#[derive(Clone, Copy, Debug)]
pub struct Watcher {
    limits: KnownLimits,
    average: Option<RunningAverage>,
    before_s: f64,
}

impl Watcher {
    /// A watcher of a run under these limits.
    pub const fn new(limits: KnownLimits) -> Self {
        Self {
            limits,
            average: None,
            before_s: 0.0,
        }
    }

    /// Takes a reading: time since the start in s, power in W, package temperature in °C.
    pub fn see(&mut self, time_s: f64, power_w: Option<f64>, package_c: Option<f64>) -> Acting {
        if let (Some(power_w), Some(tau_s)) = (power_w, self.limits.tau_s) {
            let average = self.average.get_or_insert(RunningAverage {
                value_w: power_w,
                tau_s,
            });
            average.advance(power_w, (time_s - self.before_s).max(0.0), Sampling::Exact);
        }
        self.before_s = time_s;
        self.acting(power_w, package_c)
    }

    /// Watts by which the average of the sustained limit's window stays below that limit; `None` where
    /// limit, window or power are not known.
    pub fn budget_w(&self) -> Option<f64> {
        Some((self.limits.pl1_w? - self.average?.value_w).max(0.0))
    }

    fn acting(&self, power_w: Option<f64>, package_c: Option<f64>) -> Acting {
        let limits = self.limits;
        if let (Some(c), Some(limit_c)) = (package_c, limits.temp_limit_c)
            && c >= limit_c - NEAR_K
        {
            return Acting::Temperature;
        }
        let (Some(power_w), Some(pl1_w)) = (power_w, limits.pl1_w) else {
            return Acting::Unknown;
        };
        let near = |limit_w: f64| (power_w - limit_w).abs() <= NEAR_SHARE * limit_w;
        if near(pl1_w) {
            return Acting::Sustained;
        }
        match limits.pl2_w {
            Some(pl2_w) if near(pl2_w) || power_w > pl2_w => Acting::ShortTime,
            _ if power_w > pl1_w => Acting::ShortTime,
            _ => Acting::Demand,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMITS: KnownLimits = KnownLimits {
        pl1_w: Some(125.0),
        pl2_w: Some(253.0),
        tau_s: Some(56.0),
        temp_limit_c: Some(100.0),
    };

    #[test]
    fn readings_tell_which_limit_acts() {
        for (power_w, package_c, acting) in [
            (253.0, 70.0, Acting::ShortTime),
            (200.0, 80.0, Acting::ShortTime),
            (124.0, 70.0, Acting::Sustained),
            (95.0, 60.0, Acting::Demand),
            (180.0, 99.0, Acting::Temperature),
        ] {
            let mut watcher = Watcher::new(LIMITS);
            assert_eq!(watcher.see(0.0, Some(power_w), Some(package_c)), acting);
        }
        let mut blind = Watcher::new(KnownLimits::default());
        assert_eq!(blind.see(0.0, Some(125.0), Some(70.0)), Acting::Unknown);
    }

    /// From 20 W at 240 W under 115 W with 28 s: the budget is used up after 15.83 s, which is
    /// `tau ln((P2 - P0) / (P2 - P1))` worked out by hand.
    #[test]
    fn the_budget_runs_out_when_the_step_load_formula_says() {
        let mut watcher = Watcher::new(KnownLimits {
            pl1_w: Some(115.0),
            tau_s: Some(28.0),
            ..LIMITS
        });
        watcher.see(0.0, Some(20.0), None);
        let mut time_s = 0.0;
        while watcher.budget_w().is_some_and(|w| w > 0.0) {
            time_s += 0.01;
            watcher.see(time_s, Some(240.0), None);
        }
        // One step of 0.01 s late at most.
        assert!((time_s - 15.828_8).abs() <= 0.011, "{time_s}");
    }
}
