//! The closed-loop simulator: the five models stepped together.

use settlepoint_domain::PhaseKind;

use crate::budget::TierStep;
use crate::fan::{Control, FanState};
use crate::package::RUNAWAY_C;
use crate::steady::{Bench, Settled};
use crate::thermal::{Chain, Grid, MeanFlow, Nodes};
use crate::tracked::{Exp, Ln, Power};
use crate::{ActingLimit, MAX_NODES, MachineModel, ModelError, Scenario, Start};

/// One step of a run, as handed to the caller.
#[derive(Clone, Copy, Debug)]
pub struct Step<'a> {
    /// End of the step, s.
    pub time_s: f64,
    /// Its length, s.
    pub dt_s: f64,
    /// Power, constant over the step, W.
    pub power_w: f64,
    /// Die temperature at its end, °C.
    pub die_c: f64,
    /// Mean die temperature over it, °C.
    pub die_mean_c: f64,
    /// Node temperatures at its end, die first, °C.
    pub nodes_c: &'a [f64],
    /// Fan speed over the step, as a share of full speed.
    pub fan_share: f64,
    /// Work rate over the step; 0 without a work law.
    pub work_rate: f64,
    /// Room over the step, °C.
    pub room_c: f64,
    /// What held the power.
    pub acting: ActingLimit,
    /// Whether the temperature limit was passed at minimum power.
    pub cannot_hold: bool,
    /// Budget averages at its end, W, one for each tier of the scenario.
    pub budgets_w: &'a [f64],
}

/// Means over a stretch of time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Means {
    /// Power, W.
    pub power_w: f64,
    /// Die temperature, °C.
    pub die_c: f64,
    /// Fan speed as a share of full speed.
    pub fan_share: f64,
    /// Work rate; 0 without a work law.
    pub work_rate: f64,
}

/// A stretch of a run held by one thing. The phases of a run tile it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PhaseSummary {
    /// Boost: above the power that stays; `temp_limited`: held by the temperature limit; sustained:
    /// anything else.
    pub kind: PhaseKind,
    /// Start, s.
    pub start_s: f64,
    /// End, s.
    pub end_s: f64,
    /// Means over the phase.
    pub mean: Means,
    /// Values in its last step; the die temperature is that at its end.
    pub end: Means,
}

/// A run in figures.
#[derive(Clone, Debug, PartialEq)]
pub struct Summary {
    /// Phases in time order; they tile the run.
    pub phases: Vec<PhaseSummary>,
    /// Means over the run.
    pub mean: Means,
    /// Values in the last step; the die temperature is that at the end.
    pub end: Means,
    /// What held the power in the last step.
    pub acting: ActingLimit,
    /// Energy, J.
    pub energy_j: f64,
    /// Work done: the work rate over time.
    pub work: f64,
    /// Highest die temperature at the end of any step, °C.
    pub max_die_c: f64,
    /// Time held by the temperature limit, s.
    pub time_at_temp_limit_s: f64,
    /// Start of the first step held by the temperature limit, s.
    pub first_temp_limit_s: Option<f64>,
    /// Time from the start above the power that stays, s; within the last step of the boost by
    /// its energy.
    pub boost_duration_s: f64,
    /// The temperature limit was passed at minimum power in some step.
    pub cannot_hold: bool,
}

impl Summary {
    const fn blank() -> Self {
        let means = Means {
            power_w: f64::NAN,
            die_c: f64::NAN,
            fan_share: f64::NAN,
            work_rate: f64::NAN,
        };
        Self {
            phases: Vec::new(),
            mean: means,
            end: means,
            acting: ActingLimit::Demand,
            energy_j: f64::NAN,
            work: f64::NAN,
            max_die_c: f64::NAN,
            time_at_temp_limit_s: 0.0,
            first_temp_limit_s: None,
            boost_duration_s: 0.0,
            cannot_hold: false,
        }
    }
}

/// Demand over time at the package's reference temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Driver<'a> {
    /// The package's own demand from start to end.
    Steady,
    /// (from time s, demand W) in time order: each holds until the next, the first from the start.
    /// Leakage over that at the reference temperature comes on top.
    Workload(&'a [(f64, f64)]),
}

impl Driver<'_> {
    /// Mean demand between two times; `None` for the package's own.
    fn mean_w(self, from_s: f64, to_s: f64, cursor: &mut usize) -> Option<f64> {
        let Self::Workload(points) = self else {
            return None;
        };
        while points.get(*cursor + 1).is_some_and(|p| p.0 <= from_s) {
            *cursor += 1;
        }
        let mut energy_j = 0.0;
        let (mut at, mut index) = (from_s, *cursor);
        while at < to_s {
            let until = points.get(index + 1).map_or(to_s, |p| p.0.min(to_s));
            energy_j += (until - at) * points.get(index).map_or(0.0, |p| p.1);
            at = until;
            index += 1;
        }
        Some(energy_j / (to_s - from_s))
    }
}

/// Runs `scenario` once. See [`Simulator::run`]; keep a [`Simulator`] for many runs.
pub fn simulate(
    model: &MachineModel,
    scenario: &Scenario,
    on_step: impl FnMut(&Step<'_>),
) -> Summary {
    let mut simulator = Simulator::new();
    simulator.run(model, scenario, on_step);
    simulator.summary
}

/// The simulator with its buffers, for many runs without allocation. Propagators are kept between
/// runs of the same ladder, step and range of fan speeds.
#[derive(Clone, Debug)]
pub struct Simulator {
    grid: Grid,
    tiers: Vec<TierStep>,
    last_tiers: Vec<TierStep>,
    averages: Vec<f64>,
    summary: Summary,
}

impl Default for Simulator {
    fn default() -> Self {
        Self::new()
    }
}

impl Simulator {
    /// An empty workspace.
    pub fn new() -> Self {
        Self {
            grid: Grid::new(),
            tiers: Vec::new(),
            last_tiers: Vec::new(),
            averages: Vec::new(),
            summary: Summary::blank(),
        }
    }

    /// Runs `scenario` under the package's own demand.
    ///
    /// In each step the fan is constant at the speed that the temperatures before gave it, and the
    /// power is constant at the least of: demand (with leakage linearised about the start of the
    /// step and taken at its end), what each tier's average allows, the other limit, and the power
    /// that just holds the temperature limit at the end of the step; but not below `min_w`. The
    /// ladder is then propagated exactly.
    ///
    /// The holding power is stable: the ladder's sampled step response is completely monotone, so
    /// the power sequence that keeps the die constant has positive, falling terms (Kaluza,
    /// "Über die Koeffizienten reziproker Potenzreihen", Math. Z. 28, 1928) and cannot chatter.
    ///
    /// A model or scenario that fails its `check` gives no step and a summary of NaN.
    pub fn run(
        &mut self,
        model: &MachineModel,
        scenario: &Scenario,
        on_step: impl FnMut(&Step<'_>),
    ) -> &Summary {
        self.run_driven(model, scenario, Driver::Steady, on_step)
    }

    /// Runs `scenario` under a demand that changes with time.
    pub fn run_driven(
        &mut self,
        model: &MachineModel,
        scenario: &Scenario,
        driver: Driver<'_>,
        mut on_step: impl FnMut(&Step<'_>),
    ) -> &Summary {
        if model.check().is_err() || scenario.check().is_err() {
            self.summary = Summary::blank();
            return &self.summary;
        }
        let mut phases = std::mem::take(&mut self.summary.phases);
        phases.clear();
        self.summary = Summary {
            phases,
            ..Summary::blank()
        };
        let mut run = Loop::start(self, model, scenario, driver);
        let steps = step_count(scenario);
        for index in 0..steps {
            let start_s = index as f64 * scenario.step_s;
            let last = index + 1 == steps;
            let span = if last {
                Span {
                    start_s,
                    end_s: scenario.duration_s,
                    dt: run.last_dt,
                    last,
                }
            } else {
                Span {
                    start_s,
                    end_s: start_s + scenario.step_s,
                    dt: scenario.step_s,
                    last,
                }
            };
            run.step(span, Forced::default(), &mut on_step);
        }
        run.finish();
        &self.summary
    }

    /// What the models say of a logged run: the logged power is imposed, and the logged fan speed
    /// where there is one; no limit acts. The scenario gives start, fan control (where no speed was
    /// logged), room, air and the tiers whose averages are kept; its step and duration are not used
    /// and may be anything that passes its check. Steps run from sample to sample and are exact for
    /// the mean power between them; times may be irregular and may repeat.
    ///
    /// # Errors
    /// A model or scenario that fails its check; lists of unequal length, fewer than two samples,
    /// times that fall.
    pub fn follow(
        &mut self,
        model: &MachineModel,
        scenario: &Scenario,
        trace: &PowerTrace<'_>,
        mut on_step: impl FnMut(&Step<'_>),
    ) -> Result<&Summary, ModelError> {
        model.check()?;
        scenario.check()?;
        trace.check()?;
        let mut phases = std::mem::take(&mut self.summary.phases);
        phases.clear();
        self.summary = Summary {
            phases,
            ..Summary::blank()
        };
        let mut run = Loop::start(self, model, scenario, Driver::Steady);
        let mut forced = Forced::default();
        let origin_s = trace.times_s[0];
        for (i, pair) in trace.times_s.windows(2).enumerate() {
            let known = |list: &[f64]| list.get(i + 1).copied().filter(|v| v.is_finite());
            forced.power_w = known(trace.power_w)
                .or(forced.power_w)
                .or(Some(run.start_w));
            forced.share = trace.fan_share.and_then(known).or(forced.share);
            let dt = pair[1] - pair[0];
            if dt > 0.0 {
                run.use_step(dt);
                let (start_s, end_s) = (pair[0] - origin_s, pair[1] - origin_s);
                run.step(
                    Span {
                        start_s,
                        end_s,
                        dt,
                        last: false,
                    },
                    forced,
                    &mut on_step,
                );
            }
        }
        run.scenario_end_s = trace.times_s.last().map_or(0.0, |t| t - origin_s);
        run.finish();
        Ok(&self.summary)
    }
}

/// A logged power, and perhaps a logged fan speed, to be followed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PowerTrace<'a> {
    /// Times of the samples, s.
    pub times_s: &'a [f64],
    /// Mean power since the sample before, W; the first is not used; NaN is missing and takes the
    /// last one known (the start's power before any).
    pub power_w: &'a [f64],
    /// Mean fan speed since the sample before, as a share of full speed; the first is not used;
    /// NaN is missing and takes the last one known (the model's before any).
    pub fan_share: Option<&'a [f64]>,
}

impl PowerTrace<'_> {
    fn check(&self) -> Result<(), ModelError> {
        let n = self.times_s.len();
        let short = |field, len: usize| ModelError::Points {
            field,
            index: len.min(n),
        };
        if n < 2 {
            return Err(short("trace times_s", n));
        }
        if self.power_w.len() != n {
            return Err(short("trace power_w", self.power_w.len()));
        }
        if let Some(list) = self.fan_share.filter(|list| list.len() != n) {
            return Err(short("trace fan_share", list.len()));
        }
        let bad = |i: &usize| {
            !self.times_s[*i].is_finite() || (*i > 0 && self.times_s[*i] < self.times_s[*i - 1])
        };
        match (0..n).find(bad) {
            Some(index) => Err(ModelError::Points {
                field: "trace times_s",
                index,
            }),
            None => Ok(()),
        }
    }
}

/// Time of one step.
#[derive(Clone, Copy)]
struct Span {
    start_s: f64,
    end_s: f64,
    dt: f64,
    /// The last step of a run, which may be shorter.
    last: bool,
}

/// What a log imposes on a step.
#[derive(Clone, Copy, Default)]
struct Forced {
    power_w: Option<f64>,
    share: Option<f64>,
}

/// Number of steps: a remainder of the duration makes a shorter last one.
fn step_count(scenario: &Scenario) -> usize {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "checked range"
    )]
    let steps = (scenario.duration_s / scenario.step_s - 1e-9)
        .ceil()
        .max(1.0) as usize;
    steps
}

/// Smallest change of fan speed that the conductance follows, as a share of full speed. A whole fan
/// curve is worth some 50 K at most, so it is worth less than 1e-4 K.
const SHARE_STEP: f64 = 2e-6;

/// Constants and state of one run.
struct Loop<'a, 'w> {
    model: &'a MachineModel,
    scenario: &'a Scenario,
    driver: Driver<'a>,
    control: Control<'a>,
    chain: Chain,
    work: &'w mut Simulator,
    sustained_w: f64,
    other_w: f64,
    hold_c: f64,
    per_useful_ref_w: f64,
    last_dt: f64,
    tiers_dt: f64,
    start_w: f64,
    scenario_end_s: f64,
    // State.
    nodes: Nodes,
    fan: FanState,
    conductance: f64,
    outer_k_per_w: f64,
    share_of_conductance: f64,
    density_ratio: f64,
    natural_w_per_k: f64,
    fan_power: Power,
    leak_growth: Exp,
    useful_ln: Ln,
    rate_exp: Exp,
    leak_w: f64,
    room_cursor: usize,
    demand_cursor: usize,
    totals: Totals,
    phase: PhaseTotals,
    boosting: bool,
    previous_w: f64,
}

/// Sums over time.
#[derive(Clone, Copy, Debug, Default)]
struct Totals {
    time: f64,
    power: f64,
    die: f64,
    fan: f64,
    work: f64,
}

impl Totals {
    #[inline]
    fn add(&mut self, dt: f64, m: &Means) {
        self.time += dt;
        self.power += dt * m.power_w;
        self.die += dt * m.die_c;
        self.fan += dt * m.fan_share;
        self.work += dt * m.work_rate;
    }

    fn merge(&mut self, other: &Self) {
        self.time += other.time;
        self.power += other.power;
        self.die += other.die;
        self.fan += other.fan;
        self.work += other.work;
    }

    fn means(&self) -> Means {
        Means {
            power_w: self.power / self.time,
            die_c: self.die / self.time,
            fan_share: self.fan / self.time,
            work_rate: self.work / self.time,
        }
    }
}

#[derive(Clone, Copy, Debug)]
struct PhaseTotals {
    kind: PhaseKind,
    start_s: f64,
    sums: Totals,
    end: Means,
}

/// Power of a step and what set it.
#[derive(Clone, Copy)]
struct Choice {
    power_w: f64,
    acting: ActingLimit,
    cannot_hold: bool,
}

impl<'a, 'w> Loop<'a, 'w> {
    fn start(
        work: &'w mut Simulator,
        model: &'a MachineModel,
        scenario: &'a Scenario,
        driver: Driver<'a>,
    ) -> Self {
        let control = Control::of(model, &scenario.fan);
        let chain = Chain::new(&model.cooling, model.package.hot_spot);
        let density = scenario.air_density_kg_m3;
        let begin = starting_state(model, scenario, driver);
        let dt = scenario.step_s.min(scenario.duration_s);
        let steps = step_count(scenario);
        let remainder = scenario.duration_s - (steps - 1) as f64 * scenario.step_s;
        let last_dt = if (remainder - dt).abs() < 1e-6 * dt {
            dt
        } else {
            remainder
        };
        set_tiers(&mut work.tiers, model, scenario, dt);
        set_tiers(&mut work.last_tiers, model, scenario, last_dt);
        work.averages.clear();
        work.averages.resize(scenario.tiers.len(), begin.power_w);
        let g = |share| model.cooling.conductance_w_per_k(share, density);
        work.grid
            .prepare(chain, dt, g(control.min_share()), g(control.max_share()));
        let fan = FanState::settled(&control, begin.followed_c);
        let sustained_w = scenario
            .tiers
            .iter()
            .map(|t| t.limit_w)
            .fold(f64::INFINITY, f64::min)
            * model.limits.power_ratio;
        Self {
            model,
            scenario,
            driver,
            control,
            chain,
            work,
            sustained_w,
            other_w: model.limits.other_limit_w.unwrap_or(f64::INFINITY),
            hold_c: scenario
                .temp_limit_c
                .map_or(f64::INFINITY, |t| t + model.limits.temp_limit_offset_k),
            per_useful_ref_w: 1.0 / model.package.useful_ref_w(),
            last_dt,
            tiers_dt: dt,
            start_w: begin.power_w,
            scenario_end_s: scenario.duration_s,
            nodes: begin.nodes,
            conductance: g(fan.share),
            outer_k_per_w: 1.0 / g(fan.share),
            share_of_conductance: fan.share,
            density_ratio: density / model.cooling.reference_density_kg_m3,
            natural_w_per_k: g(0.0),
            fan_power: Power::new(model.cooling.fan_exponent),
            leak_growth: Exp::new(),
            useful_ln: Ln::new(),
            rate_exp: Exp::new(),
            fan,
            leak_w: model.package.leakage_w(begin.nodes[0]),
            room_cursor: 0,
            demand_cursor: 0,
            totals: Totals::default(),
            phase: PhaseTotals {
                kind: PhaseKind::Unknown,
                start_s: 0.0,
                sums: Totals::default(),
                end: Summary::blank().end,
            },
            boosting: true,
            previous_w: f64::NAN,
        }
    }

    /// Makes the tiers fit another step length.
    fn use_step(&mut self, dt: f64) {
        if self.tiers_dt.to_bits() != dt.to_bits() {
            set_tiers(&mut self.work.tiers, self.model, self.scenario, dt);
            self.tiers_dt = dt;
        }
    }

    #[inline]
    fn step(&mut self, span: Span, forced: Forced, on_step: &mut impl FnMut(&Step<'_>)) {
        let Span {
            start_s,
            end_s,
            dt,
            last,
        } = span;
        let room_c = self.room_at(0.5 * (start_s + end_s));
        let air_c = room_c + self.model.cooling.case_offset_k;
        let share = forced.share.unwrap_or(self.fan.share);
        self.update_conductance(share);
        let propagator = self.work.grid.at(self.conductance, dt);
        let free = propagator.free(&self.nodes, air_c);
        let gain = propagator.power;
        let choice = match forced.power_w {
            Some(power_w) => Choice {
                power_w,
                acting: ActingLimit::Demand,
                cannot_hold: false,
            },
            None => self.choose(span, free[0], gain[0]),
        };
        let before = self.nodes;
        for i in 0..MAX_NODES {
            self.nodes[i] = free[i] + gain[i] * choice.power_w;
        }
        let flow = MeanFlow {
            power_w: choice.power_w,
            per_s: 1.0 / dt,
            air_c,
            outer_k_per_w: self.outer_k_per_w,
        };
        let die_mean_c = self.chain.mean_die(&before, &self.nodes, &flow);
        let work = &mut *self.work;
        let tiers = if last { &work.last_tiers } else { &work.tiers };
        for (average, tier) in work.averages.iter_mut().zip(tiers) {
            *average = tier.advance(*average, choice.power_w);
        }
        let die_c = self.nodes[0];
        self.leak_w = self.leakage_w(die_c);
        let work_rate = self.work_rate(choice.power_w);
        self.fan.follow(&self.control, before[0], die_c, dt);
        let step = Step {
            time_s: end_s,
            dt_s: dt,
            power_w: choice.power_w,
            die_c,
            die_mean_c,
            nodes_c: &self.nodes[..self.chain.n],
            fan_share: share,
            work_rate,
            room_c,
            acting: choice.acting,
            cannot_hold: choice.cannot_hold,
            budgets_w: &self.work.averages,
        };
        on_step(&step);
        let mean = Means {
            power_w: choice.power_w,
            die_c: die_mean_c,
            fan_share: share,
            work_rate,
        };
        self.account(start_s, dt, choice, mean);
    }

    /// Room at a time: straight lines between the points, level outside.
    #[inline]
    fn room_at(&mut self, time_s: f64) -> f64 {
        let points = &self.scenario.room;
        if points.len() == 1 {
            return points[0].1;
        }
        while points
            .get(self.room_cursor + 1)
            .is_some_and(|p| p.0 <= time_s)
        {
            self.room_cursor += 1;
        }
        let a = points[self.room_cursor];
        match points.get(self.room_cursor + 1) {
            Some(b) if time_s > a.0 => a.1 + (b.1 - a.1) * (time_s - a.0) / (b.0 - a.0),
            _ => a.1,
        }
    }

    /// Takes up another fan speed; a change below [`SHARE_STEP`] of full speed waits.
    #[inline]
    fn update_conductance(&mut self, share: f64) {
        if (share - self.share_of_conductance).abs() <= SHARE_STEP {
            return;
        }
        let cooling = &self.model.cooling;
        let fan = if share > 0.0 {
            self.fan_power.at(self.density_ratio * share)
        } else {
            0.0
        };
        self.conductance = self.natural_w_per_k + cooling.g_fan_w_per_k * fan;
        self.outer_k_per_w = 1.0 / self.conductance;
        self.share_of_conductance = share;
    }

    /// Leakage at a die temperature, as [`crate::Package::leakage_w`] has it.
    #[inline]
    fn leakage_w(&mut self, die_c: f64) -> f64 {
        let p = &self.model.package;
        let x = p.leak_beta_per_k * (die_c.min(RUNAWAY_C) - p.reference_c);
        p.leak_w * self.leak_growth.at(x)
    }

    /// The power of a step whose end temperature is `free_c + gain * power`.
    #[inline]
    fn choose(&mut self, span: Span, free_c: f64, gain: f64) -> Choice {
        let package = &self.model.package;
        let asked_w = self
            .driver
            .mean_w(span.start_s, span.end_s, &mut self.demand_cursor)
            .unwrap_or(package.demand_w);
        // Leakage at the end of the step, linear about its start. The divisor stays positive: a
        // gain of leakage above 0.9 in one step is a runaway, and the next steps show it.
        let slope = package.leak_beta_per_k * self.leak_w;
        let at_start = asked_w + self.leak_w - package.leak_w;
        let demand_w =
            (at_start + slope * (free_c - self.nodes[0])) / (1.0 - (slope * gain).min(0.9));
        let (mut power_w, mut acting) = (demand_w, ActingLimit::Demand);
        let tiers = if span.last {
            &self.work.last_tiers
        } else {
            &self.work.tiers
        };
        for (tier, average) in tiers.iter().zip(&self.work.averages) {
            let allowed_w = tier.allowed_w(*average);
            if allowed_w < power_w {
                (power_w, acting) = (allowed_w, ActingLimit::Power);
            }
        }
        if self.other_w < power_w {
            (power_w, acting) = (self.other_w, ActingLimit::Other);
        }
        if free_c + gain * power_w > self.hold_c {
            (power_w, acting) = ((self.hold_c - free_c) / gain, ActingLimit::Temperature);
        }
        let floor_w = package.min_w.min(demand_w).max(0.0);
        let cannot_hold = power_w < floor_w && acting == ActingLimit::Temperature;
        Choice {
            power_w: power_w.max(floor_w),
            acting,
            cannot_hold,
        }
    }

    /// Work rate, as [`crate::WorkLaw::rate`] has it.
    #[inline]
    fn work_rate(&mut self, power_w: f64) -> f64 {
        let Some(law) = self.model.package.work else {
            return 0.0;
        };
        let useful_w = power_w - self.leak_w - self.model.package.base_w;
        if useful_w <= 0.0 {
            return 0.0;
        }
        let x = self.useful_ln.at(useful_w * self.per_useful_ref_w);
        law.rate_ref * self.rate_exp.at(x * (law.exponent + law.curvature * x))
    }

    #[inline]
    fn account(&mut self, start_s: f64, dt: f64, choice: Choice, mean: Means) {
        let over = choice.power_w > self.sustained_w * (1.0 + 1e-9);
        let kind = match choice.acting {
            ActingLimit::Temperature => PhaseKind::TempLimited,
            _ if over => PhaseKind::Boost,
            _ => PhaseKind::Sustained,
        };
        if kind != self.phase.kind {
            self.close_phase(start_s);
            self.phase.kind = kind;
        }
        self.phase.sums.add(dt, &mean);
        let end = Means {
            die_c: self.nodes[0],
            ..mean
        };
        self.phase.end = end;
        let summary = &mut self.work.summary;
        summary.max_die_c = summary.max_die_c.max(end.die_c);
        summary.acting = choice.acting;
        summary.cannot_hold |= choice.cannot_hold;
        if choice.acting == ActingLimit::Temperature {
            summary.time_at_temp_limit_s += dt;
            summary.first_temp_limit_s.get_or_insert(start_s);
        }
        if self.boosting {
            self.count_boost(dt, choice, over);
        }
    }

    /// Adds a step to the boost; the one in which a tier cuts in counts by its share of energy.
    fn count_boost(&mut self, dt: f64, choice: Choice, over: bool) {
        if !over {
            self.boosting = false;
            return;
        }
        let full_w = self.previous_w - self.sustained_w;
        let share = if choice.acting == ActingLimit::Power && full_w > 0.0 {
            ((choice.power_w - self.sustained_w) / full_w).min(1.0)
        } else {
            1.0
        };
        self.work.summary.boost_duration_s += dt * share;
        self.previous_w = choice.power_w;
    }

    fn close_phase(&mut self, end_s: f64) {
        let phase = &mut self.phase;
        if phase.sums.time > 0.0 {
            self.totals.merge(&phase.sums);
            self.work.summary.phases.push(PhaseSummary {
                kind: phase.kind,
                start_s: phase.start_s,
                end_s,
                mean: phase.sums.means(),
                end: phase.end,
            });
        }
        phase.start_s = end_s;
        phase.sums = Totals::default();
    }

    fn finish(mut self) {
        self.close_phase(self.scenario_end_s);
        let summary = &mut self.work.summary;
        summary.mean = self.totals.means();
        summary.end = self.phase.end;
        summary.energy_j = self.totals.power;
        summary.work = self.totals.work;
    }
}

/// The scenario's tiers, as the firmware holds them, over one step length.
fn set_tiers(tiers: &mut Vec<TierStep>, model: &MachineModel, scenario: &Scenario, dt: f64) {
    let limits = &model.limits;
    tiers.clear();
    tiers.extend(scenario.tiers.iter().map(|t| {
        TierStep::new(
            t.limit_w * limits.power_ratio,
            t.window_s * limits.tau_ratio,
            dt,
        )
    }));
}

/// Settled at the start's power, or under the scenario itself.
fn starting_state(model: &MachineModel, scenario: &Scenario, driver: Driver<'_>) -> Settled {
    let room_c = scenario.room.first().map_or(f64::NAN, |p| p.1);
    let bench = Bench::new(model, scenario, 0.0).in_room(room_c);
    match scenario.start {
        Start::SettledAt { power_w } => {
            bench.settled(power_w, bench.die_at(power_w), ActingLimit::Demand, false)
        }
        Start::SteadyState => match driver {
            Driver::Workload([first, ..]) => bench.asking(first.1).settle(),
            _ => bench.settle(),
        },
    }
}
