//! Where a scenario settles, without stepping through it.

use crate::fan::Control;
use crate::package::RUNAWAY_C;
use crate::thermal::{Chain, Nodes};
use crate::{
    ActingLimit, Boost, BudgetTier, Cooling, MAX_NODES, MachineModel, Scenario, Start, boost,
};

/// The settled state of a machine under a scenario.
#[derive(Clone, Debug, PartialEq)]
pub struct OperatingPoint {
    /// Power, W.
    pub power_w: f64,
    /// Die temperature, °C.
    pub die_c: f64,
    /// Node temperatures, die first, °C.
    pub nodes_c: Vec<f64>,
    /// Fan speed as a share of full speed.
    pub fan_share: f64,
    /// Whether the fan stands at its ceiling (or its fixed speed).
    pub fan_at_ceiling: bool,
    /// Work rate; `None` without a work law.
    pub work_rate: Option<f64>,
    /// Clocks, MHz, one for each clock law.
    pub clocks_mhz: Vec<f64>,
    /// What holds the power.
    pub acting: ActingLimit,
    /// The temperature limit is passed although the power is at its minimum.
    pub cannot_hold: bool,
    /// Leakage drives the die beyond any working temperature: there is no settled state.
    pub runaway: bool,
}

/// Settled power, temperatures and fan without anything allocated.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Settled {
    pub(crate) power_w: f64,
    pub(crate) nodes: Nodes,
    pub(crate) followed_c: f64,
    pub(crate) acting: ActingLimit,
    pub(crate) cannot_hold: bool,
}

/// The settled state that a run of `scenario` reaches from below, its room at the last value.
///
/// For a given power the settled die temperature is unique, because a faster fan only cools; it is
/// found by bracketing. Demand grows with leakage, so the power is the smallest fixed point of
/// demand over temperature: the stable one that a run from cold reaches. The temperature limit
/// then takes the power that just holds it.
///
/// With hysteresis a run that comes down from a boost keeps its fan faster; see
/// [`steady_state_from_above`].
///
/// A model or scenario that fails its `check` gives NaN.
pub fn steady_state(model: &MachineModel, scenario: &Scenario) -> OperatingPoint {
    Bench::new(model, scenario, 0.0).checked_point(scenario)
}

/// The same for a fan that came down from a higher temperature, its hysteresis used in full: the
/// coolest of the settled states that hysteresis allows.
pub fn steady_state_from_above(model: &MachineModel, scenario: &Scenario) -> OperatingPoint {
    let lag_k = Control::of(model, &scenario.fan).hysteresis_k();
    Bench::new(model, scenario, lag_k).checked_point(scenario)
}

/// The boost of a scenario in closed form, for wide searches: the firmware's tiers from the start's
/// power under the demand at the reference temperature. The temperature limit is left out; a full
/// simulation has it.
pub fn boost_of(model: &MachineModel, scenario: &Scenario) -> Boost {
    let limits = &model.limits;
    let tiers: Vec<_> = scenario
        .tiers
        .iter()
        .map(|t| BudgetTier {
            limit_w: t.limit_w * limits.power_ratio,
            window_s: t.window_s * limits.tau_ratio,
        })
        .collect();
    let start_w = match scenario.start {
        Start::SettledAt { power_w } => power_w,
        Start::SteadyState => steady_state(model, scenario).power_w,
    };
    let other_w = limits.other_limit_w.unwrap_or(f64::INFINITY);
    boost(&tiers, start_w, model.package.demand_w.min(other_w))
}

/// Watts that a cooling holds at a die temperature, room temperature, fan share and air density.
pub fn capacity_w(
    cooling: &Cooling,
    hot_spot: f64,
    die_c: f64,
    room_c: f64,
    fan_share: f64,
    air_density_kg_m3: f64,
) -> f64 {
    let chain = Chain::new(cooling, hot_spot);
    let outer = 1.0 / cooling.conductance_w_per_k(fan_share, air_density_kg_m3);
    (die_c - room_c - cooling.case_offset_k) / (chain.inner_resistance() + outer)
}

/// The room's temperature at the end of a scenario, °C.
pub(crate) fn last_room_c(scenario: &Scenario) -> f64 {
    scenario.room.last().map_or(f64::NAN, |p| p.1)
}

/// Everything that a settled state needs, worked out once.
pub(crate) struct Bench<'a> {
    model: &'a MachineModel,
    chain: Chain,
    inner_k_per_w: f64,
    control: Control<'a>,
    /// Followed temperature above the die's, K.
    lag_k: f64,
    air_c: f64,
    density: f64,
    cap_w: f64,
    cap_acting: ActingLimit,
    hold_c: Option<f64>,
    demand_w: f64,
}

impl<'a> Bench<'a> {
    pub(crate) fn new(model: &'a MachineModel, scenario: &'a Scenario, lag_k: f64) -> Self {
        let chain = Chain::new(&model.cooling, model.package.hot_spot);
        let tier_w = scenario
            .tiers
            .iter()
            .map(|t| t.limit_w)
            .fold(f64::INFINITY, f64::min)
            * model.limits.power_ratio;
        let other_w = model.limits.other_limit_w.unwrap_or(f64::INFINITY);
        Self {
            model,
            chain,
            inner_k_per_w: chain.inner_resistance(),
            control: Control::of(model, &scenario.fan),
            lag_k,
            air_c: last_room_c(scenario) + model.cooling.case_offset_k,
            density: scenario.air_density_kg_m3,
            cap_w: tier_w.min(other_w),
            cap_acting: if other_w < tier_w {
                ActingLimit::Other
            } else {
                ActingLimit::Power
            },
            hold_c: scenario
                .temp_limit_c
                .map(|t| t + model.limits.temp_limit_offset_k),
            demand_w: model.package.demand_w,
        }
    }

    /// The same in a room at another temperature.
    pub(crate) fn in_room(mut self, room_c: f64) -> Self {
        self.air_c = room_c + self.model.cooling.case_offset_k;
        self
    }

    /// The same under another demand (at the reference temperature).
    pub(crate) fn asking(mut self, demand_w: f64) -> Self {
        self.demand_w = demand_w;
        self
    }

    fn conductance(&self, die_c: f64) -> f64 {
        let share = self.control.share(die_c + self.lag_k);
        self.model.cooling.conductance_w_per_k(share, self.density)
    }

    /// Die temperature at which this power would be carried off if the fan saw `die_c`.
    fn reached_c(&self, power_w: f64, die_c: f64) -> f64 {
        self.air_c + power_w * (self.inner_k_per_w + 1.0 / self.conductance(die_c))
    }

    /// Settled die temperature at a fixed power: the unique root of a falling function.
    pub(crate) fn die_at(&self, power_w: f64) -> f64 {
        let spread = |share: f64| {
            let g = self.model.cooling.conductance_w_per_k(share, self.density);
            self.air_c + power_w * (self.inner_k_per_w + 1.0 / g)
        };
        let low = spread(self.control.max_share());
        let Some(curve) = self.control.curve else {
            return low;
        };
        // Above the curve's last point the fan no longer changes.
        let top = curve.points.last().map_or(low, |p| p.0);
        let high = spread(self.control.min_share()).min(top.max(self.reached_c(power_w, top)));
        falling_root(low, high, |t| self.reached_c(power_w, t) - t)
    }

    /// Demand at a die temperature, W.
    fn demand_at(&self, die_c: f64) -> f64 {
        let package = &self.model.package;
        self.demand_w + package.leakage_w(die_c) - package.leak_w
    }

    /// Smallest fixed point of power over temperature with no temperature limit: power, die °C.
    fn free_point(&self) -> (f64, f64) {
        let ask = |t: f64| self.demand_at(t).min(self.cap_w);
        let mut power_w = ask(self.air_c).max(0.0);
        let mut die_c = self.die_at(power_w);
        // Rising steps towards the smallest fixed point; near the edge of runaway they shorten
        // slowly and bisection on the last bracket would do no better.
        for _ in 0..10_000 {
            let next_w = ask(die_c).max(power_w);
            let settled = next_w - power_w <= 1e-11 * power_w.abs();
            power_w = next_w;
            if settled {
                break;
            }
            die_c = self.die_at(power_w);
        }
        (power_w, die_c)
    }

    /// The settled state.
    pub(crate) fn settle(&self) -> Settled {
        let (power_w, die_c) = self.free_point();
        match self.hold_c {
            Some(hold_c) if die_c > hold_c => self.settle_held(hold_c, power_w),
            _ => {
                let acting = if power_w < self.cap_w {
                    ActingLimit::Demand
                } else {
                    self.cap_acting
                };
                let floor_w = self.floor_w(die_c);
                if power_w < floor_w {
                    let die_c = self.die_at(floor_w);
                    let cannot_hold = self.hold_c.is_some_and(|hold| die_c > hold);
                    return self.settled(floor_w, die_c, acting, cannot_hold);
                }
                self.settled(power_w, die_c, acting, false)
            }
        }
    }

    fn settle_held(&self, hold_c: f64, free_w: f64) -> Settled {
        let resistance = self.inner_k_per_w + 1.0 / self.conductance(hold_c);
        let hold_w = ((hold_c - self.air_c) / resistance).min(free_w);
        let floor_w = self.floor_w(hold_c);
        if hold_w >= floor_w {
            return self.settled(hold_w, hold_c, ActingLimit::Temperature, false);
        }
        let die_c = self.die_at(floor_w);
        self.settled(floor_w, die_c, ActingLimit::Temperature, true)
    }

    /// The least power at a die temperature: the firmware's minimum, or the demand below it.
    fn floor_w(&self, die_c: f64) -> f64 {
        self.model.package.min_w.min(self.demand_at(die_c))
    }

    pub(crate) fn settled(
        &self,
        power_w: f64,
        die_c: f64,
        acting: ActingLimit,
        cannot_hold: bool,
    ) -> Settled {
        let nodes = self
            .chain
            .settled(power_w, self.conductance(die_c), self.air_c);
        Settled {
            power_w,
            nodes,
            followed_c: die_c + self.lag_k,
            acting,
            cannot_hold,
        }
    }

    fn checked_point(&self, scenario: &Scenario) -> OperatingPoint {
        if self.model.check().is_err() || scenario.check().is_err() {
            let nodes = [f64::NAN; MAX_NODES];
            let acting = ActingLimit::Demand;
            return self.point(Settled {
                power_w: f64::NAN,
                nodes,
                followed_c: f64::NAN,
                acting,
                cannot_hold: false,
            });
        }
        self.point(self.settle())
    }

    fn point(&self, s: Settled) -> OperatingPoint {
        let die_c = s.nodes[0];
        let package = &self.model.package;
        let fan_share = self.control.share(s.followed_c);
        OperatingPoint {
            power_w: s.power_w,
            die_c,
            nodes_c: s.nodes[..self.chain.n.min(MAX_NODES)].to_vec(),
            fan_share,
            fan_at_ceiling: fan_share >= self.control.max_share(),
            work_rate: package.work_rate(s.power_w, die_c),
            clocks_mhz: package.clocks_mhz(s.power_w, die_c),
            acting: s.acting,
            cannot_hold: s.cannot_hold,
            runaway: die_c >= RUNAWAY_C,
        }
    }
}

/// Root of a falling continuous function in `[low, high]` by regula falsi with the Illinois
/// change (Dowell and Jarratt, BIT 11, 1971), to about 1e-12 of the bracket's magnitude.
fn falling_root(low: f64, high: f64, f: impl Fn(f64) -> f64) -> f64 {
    let (mut a, mut b) = (low, high);
    let (mut fa, mut fb) = (f(a), f(b));
    if fa <= 0.0 {
        return a;
    }
    if fb >= 0.0 {
        return b;
    }
    let mut side = 0_i32;
    for _ in 0..200 {
        let x = (a * fb - b * fa) / (fb - fa);
        let fx = f(x);
        if fx > 0.0 {
            (a, fa) = (x, fx);
            if side > 0 {
                fb *= 0.5;
            }
            side = 1;
        } else {
            (b, fb) = (x, fx);
            if side < 0 {
                fa *= 0.5;
            }
            side = -1;
        }
        if fx.abs() <= 1e-11 || b - a <= 1e-12 * b.abs() {
            return x;
        }
    }
    0.5 * (a + b)
}
