//! A run against the prediction of the runs before it.
//!
//! What the run should have shown comes from a fit that has not seen it, with the run's own room,
//! windows and reading errors and the scatter from run to run. Each quantity is then as predicted,
//! or off to one side, or the interval is too wide to tell. What lies behind a difference is read
//! from a second fit, of all runs together, in which this run's machine may differ in K/W, watts,
//! fan curve, loudness and speed of work from that of the others.

use settlepoint_domain::{Direction, Estimate, PhaseKind};
use settlepoint_stats::distributions::StandardNormal;
use settlepoint_stats::random::Random;

use crate::evidence::{Reading, RunEvidence, Span, Window};
use crate::fit::{CoolingFit, Draw, InferError, RUN_SCATTER};
use crate::forward::{Means, predict_run};
use crate::joint::{
    At, Change, Group, Joint, fan_level_dba, joint, resistance_k_per_w, share_at_rpm,
};
use crate::layout::Key;
use crate::posterior::{clock_mhz, level_dba, score};

/// What is compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Quantity {
    /// Package temperature at the end of the load, K.
    Package,
    /// Package power there, percent.
    Power,
    /// Fan speed there, percent.
    FanSpeed,
    /// Level there, dB.
    Level,
    /// Clock of the first core kind there, percent.
    Clock,
    /// Work over the run, percent.
    Work,
    /// Length of the boost, percent.
    BoostLength,
}

impl Quantity {
    /// Every quantity, in the order in which they are told.
    pub const ALL: [Self; 7] = [
        Self::Package,
        Self::Power,
        Self::FanSpeed,
        Self::Level,
        Self::Clock,
        Self::Work,
        Self::BoostLength,
    ];

    /// The key of its readings in JSON.
    pub const fn token(self) -> &'static str {
        match self {
            Self::Package => "package_c",
            Self::Power => "power_w",
            Self::FanSpeed => "fan_speed_rpm",
            Self::Level => "level_dba",
            Self::Clock => "clock_mhz",
            Self::Work => "work_rel",
            Self::BoostLength => "boost_s",
        }
    }

    /// Whether differences are told in percent instead of the reading's unit.
    pub const fn relative(self) -> bool {
        matches!(
            self,
            Self::Power | Self::FanSpeed | Self::Clock | Self::Work | Self::BoostLength
        )
    }
}

/// Differences from which on one matters.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Matters {
    /// K.
    pub package_k: f64,
    /// Percent of the watts.
    pub power_pct: f64,
    /// Percent of the fan speed.
    pub fan_speed_pct: f64,
    /// dB.
    pub level_db: f64,
    /// Percent of the work, and of the clock.
    pub work_pct: f64,
    /// Percent of the boost's length.
    pub boost_pct: f64,
}

impl Default for Matters {
    /// Judgements: what an owner would act on, and no less than two readings of the same thing
    /// differ by.
    fn default() -> Self {
        Self {
            package_k: 3.0,
            power_pct: 3.0,
            fan_speed_pct: 8.0,
            level_db: 2.0,
            work_pct: 2.0,
            boost_pct: 25.0,
        }
    }
}

impl Matters {
    fn of(&self, quantity: Quantity) -> f64 {
        match quantity {
            Quantity::Package => self.package_k,
            Quantity::Power => self.power_pct,
            Quantity::FanSpeed => self.fan_speed_pct,
            Quantity::Level => self.level_db,
            Quantity::Clock | Quantity::Work => self.work_pct,
            Quantity::BoostLength => self.boost_pct,
        }
    }
}

/// How a quantity came out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// Where it was predicted.
    AsPredicted,
    /// Above the prediction.
    Above,
    /// Below it.
    Below,
    /// Not off, but the interval is wider than what matters.
    CannotTell,
}

/// A quantity, predicted and measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Compared {
    /// Which.
    pub quantity: Quantity,
    /// What this run should have read, its reading's own error included.
    pub predicted: Estimate,
    /// What it read.
    pub measured: f64,
    /// Measured minus predicted in K or dB, or percent of the prediction, with the prediction's
    /// interval.
    pub difference: Estimate,
    /// Smallest difference that matters, in the same unit.
    pub matters: f64,
    /// How it came out.
    pub outcome: Outcome,
}

impl Compared {
    /// The token of its verdict in JSON.
    pub const fn token(&self) -> &'static str {
        use Quantity::{BoostLength, Clock, FanSpeed, Level, Package, Power, Work};
        match (self.outcome, self.quantity) {
            (Outcome::AsPredicted, _) => "as_predicted",
            (Outcome::CannotTell, _) => "cannot_tell",
            (Outcome::Above, Package) => "hotter",
            (Outcome::Below, Package) => "cooler",
            (Outcome::Above, Power) => "draws_more",
            (Outcome::Below, Power) => "draws_less",
            (Outcome::Above, FanSpeed) => "fans_faster",
            (Outcome::Below, FanSpeed) => "fans_slower",
            (Outcome::Above, Level) => "louder",
            (Outcome::Below, Level) => "quieter",
            (Outcome::Above, Clock) => "clocks_higher",
            (Outcome::Below, Clock) => "clocks_lower",
            (Outcome::Above, Work) => "faster",
            (Outcome::Below, Work) => "slower",
            (Outcome::Above, BoostLength) => "boosts_longer",
            (Outcome::Below, BoostLength) => "boosts_shorter",
        }
    }

    /// Whether it is off.
    pub const fn differs(&self) -> bool {
        matches!(self.outcome, Outcome::Above | Outcome::Below)
    }

    /// Whether the verdict on the whole run needs it: fans and boosts only serve the rest.
    pub const fn counts(&self) -> bool {
        matches!(
            self.quantity,
            Quantity::Package | Quantity::Power | Quantity::Level | Quantity::Work
        )
    }

    /// Half of the difference's interval.
    pub fn half_width(&self) -> f64 {
        0.5 * self.difference.width()
    }
}

/// What would have to differ from the other runs' machine to give this run: each with its 90 %
/// interval, `None` where the readings for it are missing.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Causes {
    /// K/W at equal watts and fan speed, percent.
    pub resistance_pct: Option<Estimate>,
    /// Fan speed at equal temperature, percent.
    pub fan_speed_pct: Option<Estimate>,
    /// Level at equal fan speed, dB.
    pub level_db: Option<Estimate>,
    /// Work at equal watts, percent.
    pub work_pct: Option<Estimate>,
}

impl Causes {
    /// What the causes say of a quantity whose own prediction is too wide: at equal watts and fan
    /// speed much is known that is not known of the whole.
    fn outcome(&self, c: &Compared, run: &RunEvidence) -> Outcome {
        let effect = match c.quantity {
            Quantity::Package => {
                let rise_k = c.measured - run.room_c.unwrap_or(USUAL_ROOM_C.0);
                self.resistance_pct
                    .map(|e| e.affine(0.01 * rise_k.max(0.0), 0.0))
            }
            Quantity::Level => self.level_db,
            Quantity::Work => self.work_pct,
            _ => None,
        };
        match effect.filter(|e| very_surely(e) && e.value.abs() > c.matters) {
            Some(e) if e.value > 0.0 => Outcome::Above,
            Some(_) => Outcome::Below,
            None => c.outcome,
        }
    }
}

/// As far from zero as a difference must be when several are looked at: one chance in twenty of a
/// false alarm spread over five of them, in half-widths of a 90 % interval (2.58 standard deviations).
pub fn very_surely(e: &Estimate) -> bool {
    e.value.abs() > 1.57 * 0.5 * e.width()
}

/// A run against its prediction.
#[derive(Clone, Debug, PartialEq)]
pub struct Verified {
    /// What could be compared.
    pub compared: Vec<Compared>,
    /// What lies behind it.
    pub causes: Causes,
    /// Whether any run behind the prediction was heard at a fan speed near this run's; if none was,
    /// its level cannot be told.
    pub level_heard_near: bool,
    /// Watts of the runs behind the prediction, from and to, if this run's lie far outside.
    pub beyond_w: Option<(f64, f64)>,
    /// The room of the run, °C; `None` where it was not noted.
    pub room_c: Option<f64>,
}

/// Chance that any quantity of a run is called off though nothing has changed, as far as the
/// intervals hold. A run has half a dozen readings; were each judged by its 90 % interval, two runs
/// in five would raise an alarm.
const FALSE_ALARMS: f64 = 0.05;

/// Compares `run` with what `fit`, made without it, predicts.
///
/// # Errors
/// A run with nothing to compare, or a second fit that comes to no end.
pub fn verify(
    fit: &CoolingFit,
    run: &RunEvidence,
    matters: &Matters,
) -> Result<Verified, InferError> {
    let run = &without_boost(run);
    let predicted = Predicted::of(fit, run);
    let pairs: Vec<Pair> = Quantity::ALL
        .into_iter()
        .filter_map(|q| predicted.pair(q))
        .collect();
    if pairs.is_empty() {
        return Err(InferError::Missing(format!(
            "run '{}' has no reading to hold against a prediction; note its temperature, watts, fan \
             speed, level or score",
            run.name
        )));
    }
    let count = pairs.len() as f64;
    let mut compared: Vec<Compared> = pairs
        .into_iter()
        .map(|pair| pair.judged(matters, count))
        .collect();
    let level_heard_near = predicted.level_heard_near();
    let causes = causes(fit, run)?;
    for c in &mut compared {
        if c.quantity == Quantity::Level && !level_heard_near {
            c.outcome = Outcome::CannotTell;
        }
        if c.outcome == Outcome::CannotTell {
            c.outcome = causes.outcome(c, run);
        }
    }
    Ok(Verified {
        compared,
        level_heard_near,
        beyond_w: predicted.beyond_w(),
        causes,
        room_c: run.room_c,
    })
}

/// A run of which only the state that stays was typed, as its watts tell: with PL2 well above PL1 a
/// mean that held the boost would lie above PL1. Its one row then covers what follows the boost.
fn without_boost(run: &RunEvidence) -> RunEvidence {
    let mut run = run.clone();
    let limits = run.setting.pl1_w.value().zip(run.setting.pl2_w.value());
    let mut loads = run.windows.iter_mut().filter(|w| w.kind != PhaseKind::Idle);
    let (Some((pl1_w, pl2_w)), Some(window), None) = (limits, loads.next(), loads.next()) else {
        return run;
    };
    let at_pl1 = window
        .power_w
        .is_some_and(|p| (p.value / pl1_w - 1.0).abs() < AT_PL1);
    let from_start = matches!(window.span, Span::Between(from, _) if from <= 0.0);
    if window.kind == PhaseKind::Sustained && at_pl1 && from_start && pl2_w > BOOSTS * pl1_w {
        window.span = Span::AfterBoost;
    }
    run
}

/// Watts within this share of PL1 are PL1's; PL2 above PL1 by this factor makes a boost that shows in
/// a mean. Judgements.
const AT_PL1: f64 = 0.012;
const BOOSTS: f64 = 1.15;

/// The run as each draw has it.
struct Predicted<'a> {
    fit: &'a CoolingFit,
    run: &'a RunEvidence,
    draws: Vec<(Draw, Outlook)>,
    /// The last window under load.
    window: Option<usize>,
}

/// One draw's run.
struct Outlook {
    windows: Vec<Means>,
    work_rate: f64,
    boost_s: f64,
}

/// A room that was not noted: as the fit has it.
const USUAL_ROOM_C: (f64, f64) = (22.0, 3.0);

impl<'a> Predicted<'a> {
    fn of(fit: &'a CoolingFit, run: &'a RunEvidence) -> Self {
        let mut random = Random::from_seed(0x0a11_d0e5);
        let draws = fit
            .draws
            .iter()
            .map(|draw| {
                let mut there = run.clone();
                let (mean, sd) = USUAL_ROOM_C;
                let room = mean + sd * random.normal();
                there.room_c = run.room_c.or(Some(room));
                let p = predict_run(&fit.layout, &draw.z, usize::MAX, &there, draw.run_factor);
                let outlook = Outlook {
                    windows: p.windows,
                    work_rate: p.work_rate,
                    boost_s: p.boost_s,
                };
                (draw.clone(), outlook)
            })
            .collect();
        let is_load = |w: &Window| w.kind.is_load() || w.kind == PhaseKind::Unknown;
        Self {
            fit,
            run,
            draws,
            window: run.windows.iter().rposition(is_load),
        }
    }

    fn reading(&self, pick: impl Fn(&Window) -> Option<Reading>) -> Option<Reading> {
        pick(&self.run.windows[self.window?])
    }

    /// The predictions of a quantity beside its reading, on the scale on which they are compared.
    fn pair(&self, quantity: Quantity) -> Option<Pair> {
        let (reading, predicted) = match quantity {
            Quantity::Package => (self.temperature()?, self.means(|_, m| Some(m.package_c))?),
            Quantity::Power => (
                self.reading(|w| w.power_w)?,
                self.means(|_, m| Some(m.power_w))?,
            ),
            Quantity::FanSpeed => (
                self.reading(|w| w.fan_speed_rpm)?,
                self.means(|d, m| {
                    let full = self.fit.layout.value(&d.z, Key::FanFull)?;
                    Some(full * m.fan_share)
                })?,
            ),
            Quantity::Level => (self.reading(|w| w.level_dba)?, self.levels()?),
            Quantity::Clock => (
                self.reading(|w| w.clock_mhz[0])?,
                self.means(|d, m| clock_mhz(&self.fit.layout, &d.z, self.run.workload, m, 0))?,
            ),
            Quantity::Work => self.work()?,
            Quantity::BoostLength => (self.run.boost_s?, self.boosts()?),
        };
        Some(Pair {
            quantity,
            reading,
            predicted,
        })
    }

    /// The reading without the scatter of K/W from run to run, which the draws have.
    fn temperature(&self) -> Option<Reading> {
        let reading = self.reading(|w| w.package_c)?;
        let rise_k = (reading.value - self.run.room_c.unwrap_or(USUAL_ROOM_C.0)).max(0.0);
        let variance = reading.sd.powi(2) - (RUN_SCATTER * rise_k).powi(2);
        Some(Reading {
            sd: variance.max(0.25 * reading.sd.powi(2)).sqrt(),
            ..reading
        })
    }

    fn means(&self, of: impl Fn(&Draw, Means) -> Option<f64>) -> Option<Vec<f64>> {
        let window = self.window?;
        self.draws
            .iter()
            .map(|(draw, outlook)| of(draw, outlook.windows[window]))
            .collect()
    }

    fn levels(&self) -> Option<Vec<f64>> {
        let background = self.run.windows[self.window?].background_dba;
        self.means(|d, m| level_dba(&self.fit.layout, &d.z, m.fan_share, background))
    }

    /// Whether a level was heard at a fan speed near the run's, as far as speeds were read. Levels far
    /// from those heard rest on the prior's guess of what full speed sounds like.
    fn level_heard_near(&self) -> bool {
        let Some(rpm) = self.reading(|w| w.fan_speed_rpm).map(|r| r.value) else {
            return true;
        };
        let mut heard = self
            .fit
            .evidence
            .runs
            .iter()
            .flat_map(|r| &r.windows)
            .filter(|w| w.level_dba.is_some())
            .filter_map(|w| w.fan_speed_rpm)
            .map(|r| r.value / rpm)
            .peekable();
        heard.peek().is_none()
            || heard.any(|ratio| (1.0 / NEAR_SPEED..=NEAR_SPEED).contains(&ratio))
    }

    fn beyond_w(&self) -> Option<(f64, f64)> {
        let watts = self.reading(|w| w.power_w)?.value;
        let seen = self
            .fit
            .evidence
            .runs
            .iter()
            .flat_map(|r| &r.windows)
            .filter(|w| w.kind != PhaseKind::Idle)
            .filter_map(|w| w.power_w)
            .map(|r| (r.value, r.value))
            .reduce(|(lo, hi), (v, _)| (lo.min(v), hi.max(v)))?;
        (watts > FAR_WATTS * seen.1 || FAR_WATTS * watts < seen.0).then_some(seen)
    }

    /// Work relative to the best score, where any other run of this workload has one.
    fn work(&self) -> Option<(Reading, Vec<f64>)> {
        let best = self.fit.best_rate(self.run.workload)?;
        let read = self.run.score?;
        let evidence = &self.fit.evidence;
        let higher = evidence.workloads[self.run.workload].direction == Direction::Higher;
        let rate = if higher { read.value } else { 1.0 / read.value };
        // A relative error is the same for a rate and for the time that it takes.
        let reading = Reading::new(rate / best, rate / best * (read.sd / read.value).abs());
        let of = |o: &Outlook| {
            let typed = score(evidence, self.run.workload, o.work_rate);
            (if higher { typed } else { 1.0 / typed }) / best
        };
        Some((reading, self.draws.iter().map(|(_, o)| of(o)).collect()))
    }

    /// Lengths of the boost, where most draws have one that ends before the run. Where the temperature
    /// limit acts there is no sharp end to read.
    fn boosts(&self) -> Option<Vec<f64>> {
        let limit_c = self.run.setting.temp_limit_c.value().unwrap_or(f64::MAX);
        let hottest_c = self.run.windows.iter().filter_map(|w| w.package_c);
        if hottest_c.map(|r| r.value).fold(0.0, f64::max) > limit_c - NEAR_LIMIT_K {
            return None;
        }
        let lengths: Vec<f64> = self.draws.iter().map(|(_, o)| o.boost_s).collect();
        let some = lengths
            .iter()
            .filter(|s| (2.0..self.run.duration_s - 2.0).contains(*s))
            .count();
        (2 * some > lengths.len()).then_some(lengths)
    }
}

/// Factor on speed within which a level carries over: 55 dB a decade, known to a tenth, is then off
/// by 1 dB at most. A judgement.
const NEAR_SPEED: f64 = 1.5;

/// So near to the temperature limit it may have acted within a window, K. A judgement.
const NEAR_LIMIT_K: f64 = 5.0;

/// Factor on watts beyond which a prediction was carried far. A judgement.
const FAR_WATTS: f64 = 1.25;

struct Pair {
    quantity: Quantity,
    reading: Reading,
    predicted: Vec<f64>,
}

impl Pair {
    fn judged(&self, matters: &Matters, count: f64) -> Compared {
        let predicted = crate::predict::predictive(self.predicted.iter().copied(), self.reading.sd);
        let measured = self.reading.value;
        let scale = if self.quantity.relative() {
            100.0 / predicted.value
        } else {
            1.0
        };
        let difference = Estimate {
            value: scale * (measured - predicted.value),
            lo: scale * (measured - predicted.hi),
            hi: scale * (measured - predicted.lo),
            basis: predicted.basis,
        };
        let matters = matters.of(self.quantity);
        Compared {
            quantity: self.quantity,
            predicted,
            measured,
            difference,
            matters,
            outcome: outcome(difference, matters, count),
        }
    }
}

/// As predicted, if all of the interval is within what matters; off, if zero is outside of the
/// interval that keeps false alarms rare over all quantities together.
fn outcome(difference: Estimate, matters: f64, count: f64) -> Outcome {
    let wider =
        StandardNormal.quantile(1.0 - 0.5 * FALSE_ALARMS / count) / StandardNormal.quantile(0.95);
    let lo = difference.value - wider * (difference.value - difference.lo);
    let hi = difference.value + wider * (difference.hi - difference.value);
    if difference.lo > -matters && difference.hi < matters {
        Outcome::AsPredicted
    } else if lo > 0.0 {
        Outcome::Above
    } else if hi < 0.0 {
        Outcome::Below
    } else if difference.width() <= 2.0 * matters {
        Outcome::AsPredicted
    } else {
        Outcome::CannotTell
    }
}

/// How far this run's machine may lie from that of the others: wide, since the readings are to
/// speak. Judgement.
const OTHERWISE: [(Key, f64); 7] = [
    (Key::RiseAtStock, 0.2),
    (Key::SlowTime, 0.15),
    (Key::FastTime, 0.15),
    (Key::FanStart, 7.0),
    (Key::SoundFull, 4.0),
    (Key::PowerRatio, 0.1),
    (Key::LimitOffset, 2.0),
];
/// Logarithms of work at equal watts and of demand.
const WORK_OTHERWISE: f64 = 0.1;
const DEMAND_OTHERWISE: f64 = 0.1;

fn causes(fit: &CoolingFit, run: &RunEvidence) -> Result<Causes, InferError> {
    let mut changes: Vec<Change> = OTHERWISE
        .into_iter()
        .map(|(key, sd)| Change::new(key, sd))
        .collect();
    changes.push(Change::new(Key::Rate(run.workload), WORK_OTHERWISE));
    changes.push(Change::new(Key::Demand(run.workload), DEMAND_OTHERWISE));
    let groups = vec![
        Group {
            runs: fit.evidence.runs.clone(),
            changes: Vec::new(),
        },
        Group {
            runs: vec![run.clone()],
            changes,
        },
    ];
    let both = joint(
        fit.evidence.workloads.clone(),
        groups,
        fit.evidence.fan_max_rpm,
    )?;
    Ok(read_causes(&both, run))
}

fn read_causes(both: &Joint, run: &RunEvidence) -> Causes {
    let layout = &both.layout;
    let last = run
        .windows
        .iter()
        .rev()
        .find(|w| w.kind.is_load() || w.kind == PhaseKind::Unknown);
    let read = |pick: fn(&Window) -> Option<Reading>| last.and_then(pick).map(|r| r.value);
    let (power_w, rpm) = (read(|w| w.power_w), read(|w| w.fan_speed_rpm));
    let package_c = read(|w| w.package_c);
    let heard = read(|w| w.level_dba).is_some();
    let at = power_w.map(|power_w| At {
        power_w,
        room_c: run.room_c.unwrap_or(USUAL_ROOM_C.0),
        altitude_m: run.altitude_m,
    });
    // Without a speed, a level tells how fast the fans ran.
    let share = |z: &[f64]| match rpm {
        Some(rpm) => share_at_rpm(layout, z, rpm).unwrap_or(f64::NAN),
        None => layout
            .machine(z, 0)
            .fan
            .share_at(package_c.unwrap_or(f64::NAN)),
    };
    Causes {
        resistance_pct: at
            .filter(|_| package_c.is_some() && (rpm.is_some() || heard))
            .map(|at| {
                both.compare(0, 1, |a, b| {
                    let of = |z: &[f64]| resistance_k_per_w(layout, z, share(b).min(1.2), at);
                    100.0 * (of(b) / of(a) - 1.0)
                })
            }),
        fan_speed_pct: rpm.and(package_c).map(|temp_c| {
            both.compare(0, 1, |a, b| {
                let of = |z: &[f64]| layout.machine(z, 0).fan.share_at(temp_c);
                100.0 * (of(b) / of(a) - 1.0)
            })
        }),
        level_db: rpm.filter(|_| heard).map(|_| {
            both.compare(0, 1, |a, b| {
                let of = |z: &[f64]| fan_level_dba(layout, z, share(b)).unwrap_or(f64::NAN);
                of(b) - of(a)
            })
        }),
        work_pct: power_w.and(run.score).map(|_| {
            both.compare(0, 1, |a, b| {
                let of = |z: &[f64]| layout.value(z, Key::Rate(run.workload));
                match (of(a), of(b)) {
                    (Some(a), Some(b)) => 100.0 * (b / a - 1.0),
                    _ => f64::NAN,
                }
            })
        }),
    }
}

impl Verified {
    /// The comparison of one quantity.
    pub fn of(&self, quantity: Quantity) -> Option<&Compared> {
        self.compared.iter().find(|c| c.quantity == quantity)
    }

    /// The verdict on the whole run: what is off, causes before effects; else that the interval of
    /// temperature, watts, level or work is too wide to tell; else as predicted.
    pub fn verdict(&self) -> &'static str {
        match self.leading() {
            Some(c) => c.token(),
            None if self.open().any(Compared::counts) => "cannot_tell",
            None => "as_predicted",
        }
    }

    /// The quantity that is off and leads to the others. Watts lead to heat and heat to fans and
    /// noise; but with more K/W it is the heat that costs watts.
    pub fn leading(&self) -> Option<&Compared> {
        use Quantity::{BoostLength, Clock, FanSpeed, Level, Package, Power, Work};
        let worse = self.causes.resistance_pct.is_some_and(|e| e.lo > 0.0);
        let order = if worse {
            [Package, Power, Work, Level, Clock, FanSpeed, BoostLength]
        } else {
            [Power, Package, Work, Level, Clock, FanSpeed, BoostLength]
        };
        order
            .into_iter()
            .filter_map(|q| self.of(q))
            .find(|c| c.differs())
    }

    /// What cannot be told.
    pub fn open(&self) -> impl Iterator<Item = &Compared> {
        self.compared
            .iter()
            .filter(|c| c.outcome == Outcome::CannotTell)
    }
}

#[cfg(test)]
mod tests {
    use settlepoint_domain::Basis;

    use super::*;

    #[test]
    fn a_difference_is_judged_by_what_matters_and_by_its_interval() {
        let of = |value, half| {
            let e = Estimate {
                value,
                lo: value - half,
                hi: value + half,
                basis: Basis::Interpolated,
            };
            outcome(e, 2.0, 5.0)
        };
        // Narrow and near: as predicted, also where zero is outside.
        assert_eq!(of(0.1, 1.0), Outcome::AsPredicted);
        assert_eq!(of(1.5, 0.4), Outcome::AsPredicted);
        // 2.576 / 1.645 = 1.566 half-widths away: off beyond that, not before.
        assert_eq!(of(3.2, 2.0), Outcome::Above);
        assert_eq!(of(-3.2, 2.0), Outcome::Below);
        assert_eq!(of(3.1, 2.0), Outcome::AsPredicted);
        // The interval is wider than what matters: only a large difference shows.
        assert_eq!(of(0.0, 2.1), Outcome::CannotTell);
        assert_eq!(of(9.0, 2.1), Outcome::Above);
    }
}
