//! Power budgets: exponentially weighted averages and how long a load may exceed a limit.
//!
//! A tier keeps the average `A` with `dA/dt = (P - A) / tau` at or below its limit.

use crate::BudgetTier;

/// How long a constant load may last before the average reaches the limit, s:
/// `tau ln((P2 - P0) / (P2 - P1))` with the average at the start `P0`, the limit `P1` and the load
/// `P2`, the solution of the first-order lag.
///
/// 0 if the average already stands at the limit, infinite if the load never brings it there.
///
/// ```
/// let t = settlepoint_model::step_load_time_s(28.0, 20.0, 115.0, 240.0);
/// assert!((t - 15.828_786_653_4).abs() < 1e-9);
/// ```
pub fn step_load_time_s(tau_s: f64, start_w: f64, limit_w: f64, load_w: f64) -> f64 {
    if start_w >= limit_w {
        0.0
    } else if load_w <= limit_w {
        f64::INFINITY
    } else {
        // ln_1p keeps full precision where the average starts close to its limit.
        tau_s * ((limit_w - start_w) / (load_w - limit_w)).ln_1p()
    }
}

/// How a sampled average is advanced.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sampling {
    /// `a = 1 - exp(-dt / tau)`: exact for a power held over the step.
    Exact,
    /// `a = dt / tau`: forward Euler, as simple firmware does it.
    Euler,
}

/// An exponentially weighted average of power.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RunningAverage {
    /// Its value, W.
    pub value_w: f64,
    /// Its time constant, s; 0 follows at once.
    pub tau_s: f64,
}

impl RunningAverage {
    /// Advances it by `dt_s` at a constant power.
    pub fn advance(&mut self, power_w: f64, dt_s: f64, sampling: Sampling) {
        let share = match sampling {
            _ if self.tau_s <= 0.0 => 1.0,
            Sampling::Exact => -(-dt_s / self.tau_s).exp_m1(),
            Sampling::Euler => dt_s / self.tau_s,
        };
        self.value_w += share * (power_w - self.value_w);
    }

    /// The constant power over the next `dt_s` that brings the average exactly to `limit_w`.
    pub fn allowed_w(&self, limit_w: f64, dt_s: f64) -> f64 {
        TierStep::new(limit_w, self.tau_s, dt_s).allowed_w(self.value_w)
    }
}

/// A tier over one step length: with `d = exp(-dt / tau)` the power that brings the average `A`
/// to the limit `L` at the end of the step is `(L - A d) / (1 - d)`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct TierStep {
    decay: f64,
    gain: f64,
    limit_over_gain: f64,
    decay_over_gain: f64,
}

impl TierStep {
    pub(crate) fn new(limit_w: f64, tau_s: f64, dt_s: f64) -> Self {
        let gain = if tau_s > 0.0 {
            -(-dt_s / tau_s).exp_m1()
        } else {
            1.0
        };
        let decay = 1.0 - gain;
        Self {
            decay,
            gain,
            limit_over_gain: limit_w / gain,
            decay_over_gain: decay / gain,
        }
    }

    #[inline]
    pub(crate) fn allowed_w(&self, average_w: f64) -> f64 {
        self.limit_over_gain - average_w * self.decay_over_gain
    }

    #[inline]
    pub(crate) fn advance(&self, average_w: f64, power_w: f64) -> f64 {
        average_w * self.decay + power_w * self.gain
    }
}

/// A boost in closed form.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Boost {
    /// Time above the sustained power, s; infinite if no tier ends it.
    pub duration_s: f64,
    /// Mean power over it, W (the sustained power if there is no boost).
    pub power_w: f64,
}

/// How long a constant demand stays above the smallest limit, with every tier's average starting
/// at `start_w`, and its mean power meanwhile.
///
/// Exact for any number of tiers: when one is used up the power falls to its limit and the next
/// one's time follows in closed form.
pub fn boost(tiers: &[BudgetTier], start_w: f64, demand_w: f64) -> Boost {
    let sustained_w = tiers.iter().map(|t| t.limit_w).fold(demand_w, f64::min);
    let mut averages: Vec<f64> = vec![start_w; tiers.len()];
    let (mut time_s, mut energy_j) = (0.0, 0.0);
    // Each pass uses up at least one tier.
    for _ in 0..=tiers.len() {
        let used_up = |(tier, avg): (&BudgetTier, &f64)| {
            (tier.window_s <= 0.0 || *avg >= tier.limit_w * (1.0 - 1e-12)).then_some(tier.limit_w)
        };
        let power_w = tiers
            .iter()
            .zip(&averages)
            .filter_map(used_up)
            .fold(demand_w, f64::min);
        if power_w <= sustained_w {
            break;
        }
        let wait_s = tiers
            .iter()
            .zip(&averages)
            .filter(|(tier, avg)| tier.window_s > 0.0 && **avg < tier.limit_w * (1.0 - 1e-12))
            .map(|(tier, avg)| step_load_time_s(tier.window_s, *avg, tier.limit_w, power_w))
            .fold(f64::INFINITY, f64::min);
        if !wait_s.is_finite() {
            return Boost {
                duration_s: f64::INFINITY,
                power_w,
            };
        }
        for (tier, avg) in tiers.iter().zip(&mut averages) {
            let mut average = RunningAverage {
                value_w: *avg,
                tau_s: tier.window_s,
            };
            average.advance(power_w, wait_s, Sampling::Exact);
            *avg = average.value_w;
        }
        time_s += wait_s;
        energy_j += wait_s * power_w;
    }
    Boost {
        duration_s: time_s,
        power_w: if time_s > 0.0 {
            energy_j / time_s
        } else {
            sustained_w
        },
    }
}
