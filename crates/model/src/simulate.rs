//! The closed-loop simulator: the five models stepped together.

use crate::budget::TierStep;
use crate::fan::{Control, FanState, higher, lower};
use crate::package::RUNAWAY_C;
use crate::steady::{Bench, Settled};
use crate::summary::{Entry, Ledger};
use crate::thermal::{Chain, Grid, Nodes, Response};
use crate::tracked::{Exp, Power};
use crate::{ActingLimit, MAX_NODES, MachineModel, ModelError, Scenario, Start, Summary};

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
        let whole = Span::new(scenario.step_s, false);
        for index in 0..steps - 1 {
            let start_s = index as f64 * scenario.step_s;
            let end_s = start_s + scenario.step_s;
            run.step(
                Span {
                    start_s,
                    end_s,
                    ..whole
                },
                Forced::default(),
                &mut on_step,
            );
        }
        let start_s = (steps - 1) as f64 * scenario.step_s;
        let last = Span {
            start_s,
            end_s: scenario.duration_s,
            ..Span::new(run.last_dt, true)
        };
        run.step(last, Forced::default(), &mut on_step);
        run.finish(scenario.duration_s);
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
                        ..Span::new(dt, false)
                    },
                    forced,
                    &mut on_step,
                );
            }
        }
        run.finish(trace.times_s.last().map_or(0.0, |t| t - origin_s));
        Ok(&self.summary)
    }
}

/// Where a simulated machine stands between two stretches of a run: what a caller keeps who changes
/// demand, limits or room as it goes.
#[derive(Clone, Debug)]
pub struct Standing {
    nodes: Nodes,
    fan: FanState,
    averages_w: Vec<f64>,
}

impl Standing {
    /// Node temperatures, die first, °C; those beyond the ladder's length mean nothing.
    pub fn nodes_c(&self) -> &[f64] {
        &self.nodes
    }

    /// Fan speed as a share of full speed.
    pub fn fan_share(&self) -> f64 {
        self.fan.share
    }

    /// Budget averages, W, one for each tier of the scenario.
    pub fn averages_w(&self) -> &[f64] {
        &self.averages_w
    }
}

impl Simulator {
    /// The standing at the start of `scenario`.
    ///
    /// # Errors
    /// A model or scenario that fails its check.
    pub fn standing(
        &mut self,
        model: &MachineModel,
        scenario: &Scenario,
    ) -> Result<Standing, ModelError> {
        model.check()?;
        scenario.check()?;
        let run = Loop::start(self, model, scenario, Driver::Steady);
        let (nodes, fan) = (run.nodes, run.fan);
        Ok(Standing {
            nodes,
            fan,
            averages_w: self.averages.clone(),
        })
    }

    /// Goes on from `standing` for the scenario's duration under a demand in W at the reference
    /// temperature, and leaves the new standing. Times of the steps count from the call. The
    /// scenario's start is not used; its tiers keep their averages as long as their number stays
    /// the same, and take the power of the last step where it grew.
    ///
    /// # Errors
    /// A model or scenario that fails its check.
    pub fn go_on(
        &mut self,
        model: &MachineModel,
        scenario: &Scenario,
        demand_w: f64,
        standing: &mut Standing,
        mut on_step: impl FnMut(&Step<'_>),
    ) -> Result<(), ModelError> {
        model.check()?;
        scenario.check()?;
        let demand = [(0.0, demand_w)];
        let mut run = Loop::start(self, model, scenario, Driver::Workload(&demand));
        run.take_up(standing);
        let steps = step_count(scenario);
        for index in 0..steps {
            let last = index + 1 == steps;
            let start_s = index as f64 * scenario.step_s;
            let dt = if last { run.last_dt } else { scenario.step_s };
            let span = Span {
                start_s,
                end_s: start_s + dt,
                ..Span::new(dt, last)
            };
            run.step(span, Forced::default(), &mut on_step);
        }
        (standing.nodes, standing.fan) = (run.nodes, run.fan);
        standing.averages_w.clone_from(&self.averages);
        Ok(())
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
    pub(crate) fn check(&self) -> Result<(), ModelError> {
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
    /// 1 / dt.
    per_dt: f64,
    /// The last step of a run, which may be shorter.
    last: bool,
}

impl Span {
    /// A step of this length at no particular time.
    fn new(dt: f64, last: bool) -> Self {
        Self {
            start_s: 0.0,
            end_s: dt,
            dt,
            per_dt: 1.0 / dt,
            last,
        }
    }
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
/// curve is worth some 50 K at most, so it is worth less than 5e-4 K.
const SHARE_STEP: f64 = 1e-5;

/// Constants and state of one run.
struct Loop<'a, 'w> {
    model: &'a MachineModel,
    scenario: &'a Scenario,
    driver: Driver<'a>,
    control: Control<'a>,
    chain: Chain,
    work: &'w mut Simulator,
    other_w: f64,
    hold_c: f64,
    per_useful_ref_w: f64,
    last_dt: f64,
    tiers_dt: f64,
    start_w: f64,
    // State.
    nodes: Nodes,
    fan: FanState,
    conductance: f64,
    outer_k_per_w: f64,
    share_of_conductance: f64,
    density_ratio: f64,
    natural_w_per_k: f64,
    fan_power: Power,
    /// Most that leakage can add to the demand, W.
    leak_room_w: f64,
    leak_growth: Exp,
    rate_power: Power,
    leak_w: f64,
    room_cursor: usize,
    demand_cursor: usize,
    ledger: Ledger,
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
            other_w: model.limits.other_limit_w.unwrap_or(f64::INFINITY),
            hold_c: scenario
                .temp_limit_c
                .map_or(f64::INFINITY, |t| t + model.limits.temp_limit_offset_k),
            per_useful_ref_w: 1.0 / model.package.useful_ref_w(),
            last_dt,
            tiers_dt: dt,
            start_w: begin.power_w,
            nodes: begin.nodes,
            conductance: g(fan.share),
            outer_k_per_w: 1.0 / g(fan.share),
            share_of_conductance: fan.share,
            density_ratio: density / model.cooling.reference_density_kg_m3,
            natural_w_per_k: g(0.0),
            fan_power: Power::new(model.cooling.fan_exponent, 0.0),
            leak_room_w: model.package.leakage_w(RUNAWAY_C) - model.package.leak_w,
            leak_growth: Exp::new(),
            rate_power: model.package.work.map_or(Power::new(0.0, 0.0), |law| {
                Power::new(law.exponent, law.curvature)
            }),
            fan,
            leak_w: model.package.leakage_w(begin.nodes[0]),
            room_cursor: 0,
            demand_cursor: 0,
            ledger: Ledger::new(sustained_w),
        }
    }

    /// Stands where an earlier stretch ended.
    fn take_up(&mut self, standing: &Standing) {
        self.nodes = standing.nodes;
        self.fan = standing.fan.under(&self.control);
        for (average, before_w) in self.work.averages.iter_mut().zip(&standing.averages_w) {
            *average = *before_w;
        }
        self.update_conductance(self.fan.share);
        self.leak_w = self.leakage_w(self.nodes[0]);
    }

    /// Makes the tiers fit another step length.
    fn use_step(&mut self, dt: f64) {
        if self.tiers_dt.to_bits() != dt.to_bits() {
            set_tiers(&mut self.work.tiers, self.model, self.scenario, dt);
            self.tiers_dt = dt;
        }
    }

    #[expect(clippy::inline_always, reason = "in the hottest loop")]
    #[inline(always)]
    fn step(&mut self, span: Span, forced: Forced, on_step: &mut impl FnMut(&Step<'_>)) {
        let Span {
            start_s,
            end_s,
            dt,
            last,
            ..
        } = span;
        let room_c = self.room_at(0.5 * (start_s + end_s));
        let air_c = room_c + self.model.cooling.case_offset_k;
        let share = forced.share.unwrap_or(self.fan.share);
        self.update_conductance(share);
        let Response { free, gain } =
            self.work
                .grid
                .respond(&self.nodes, air_c, self.conductance, dt);
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
        let die_mean_c = air_c
            + self.chain.mean_rise(
                &before,
                &self.nodes,
                choice.power_w,
                self.outer_k_per_w,
                span.per_dt,
            );
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
        self.ledger.add(
            &mut self.work.summary,
            &Entry {
                start_s,
                dt,
                acting: choice.acting,
                cannot_hold: choice.cannot_hold,
                die_c,
                row: [choice.power_w, die_mean_c, share, work_rate],
            },
        );
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
        let x = p.leak_beta_per_k * (lower(die_c, RUNAWAY_C) - p.reference_c);
        p.leak_w * self.leak_growth.at(x)
    }

    /// The power of a step whose end temperature is `free_c + gain * power`.
    #[expect(clippy::inline_always, reason = "in the hottest loop")]
    #[inline(always)]
    fn choose(&mut self, span: Span, free_c: f64, gain: f64) -> Choice {
        let package = &self.model.package;
        let asked_w = self
            .driver
            .mean_w(span.start_s, span.end_s, &mut self.demand_cursor)
            .unwrap_or(package.demand_w);
        // Leakage at the end of the step, linear about its start, for the power that the start
        // alone would draw: exact once settled. It ends where leakage stops growing.
        let at_start_w = asked_w + self.leak_w - package.leak_w;
        let slope_w_per_k = package.leak_beta_per_k * self.leak_w;
        let warming_k = free_c + gain * at_start_w - self.nodes[0];
        let demand_w = lower(
            at_start_w + slope_w_per_k * warming_k,
            asked_w + self.leak_room_w,
        );
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
        let floor_w = higher(lower(package.min_w, demand_w), 0.0);
        let cannot_hold = power_w < floor_w && acting == ActingLimit::Temperature;
        Choice {
            power_w: higher(power_w, floor_w),
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
        law.rate_ref * self.rate_power.at(useful_w * self.per_useful_ref_w)
    }

    fn finish(self, end_s: f64) {
        self.ledger.finish(&mut self.work.summary, end_s);
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
