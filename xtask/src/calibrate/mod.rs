//! `cargo xtask calibrate`: how far the predictions and their intervals can be trusted.
//!
//! Machines are drawn from a population that is wider than the fit's priors and has structure that
//! the fitted models lack. Each makes a few noisy runs; the fit sees only those, predicts a grid of
//! settings and rooms, and is held against how the machine really behaves there.

mod grid;
mod plan;
mod planned;
mod population;
mod readings;
mod report;
mod spreadsheet;
mod tally;
mod truth;
pub(crate) mod verdicts;

use std::time::Instant;

use settlepoint_domain::{Direction, Id, ScoreKind, Workload};
use settlepoint_infer::evidence::Evidence;
use settlepoint_infer::fit::fit;
use settlepoint_model::Simulator;
use settlepoint_stats::random::Random;

use grid::{Cell, Grid, Guess};
use plan::Plan;
use population::Population;
use readings::{Bench, Measured};
use tally::Tally;
use truth::Truth;

const USAGE: &str = "usage: cargo xtask calibrate [--machines N] [--harsh | --well-specified] \
                     [--plans even,planned,random,near_stock] [--runs 2,3,5,8] [--forms log,typed] \
                     [--seed S] [--json]";

/// Draws behind each prediction: all that a fit keeps.
const ALL_DRAWS: usize = 200;
/// Error of the background level as its owner measured it, dB.
const BACKGROUND_DB: f64 = 0.5;

/// How the truth differs from the models.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Trial {
    /// Neither intake warming nor hysteresis nor a moving hot spot: the models' own structure.
    WellSpecified,
    /// As the file says.
    Population,
    /// Errors of sensors and effects that the models lack, doubled.
    Harsh,
}

impl Trial {
    const fn token(self) -> &'static str {
        match self {
            Self::WellSpecified => "well_specified",
            Self::Population => "population",
            Self::Harsh => "harsh",
        }
    }

    /// Factor on the sensors' errors.
    pub(crate) const fn factor(self) -> f64 {
        match self {
            Self::WellSpecified | Self::Population => 1.0,
            Self::Harsh => 2.0,
        }
    }

    /// Factor on what the models lack.
    pub(crate) const fn unmodelled(self) -> f64 {
        match self {
            Self::WellSpecified => 0.0,
            Self::Population => 1.0,
            Self::Harsh => 2.0,
        }
    }
}

/// What a run leaves behind.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Form {
    /// Averages of whole phases in whole units.
    Typed,
    /// A log with one row a second.
    Log,
}

impl Form {
    const fn token(self) -> &'static str {
        match self {
            Self::Typed => "typed",
            Self::Log => "log",
        }
    }
}

/// Standard deviations of the sensors' errors, and their steps.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Sensors {
    pub(crate) temperature_k: f64,
    pub(crate) temperature_step_k: f64,
    pub(crate) run_offset_k: f64,
    pub(crate) power_share: f64,
    pub(crate) fan_speed_share: f64,
    pub(crate) level_db: f64,
    pub(crate) level_step_db: f64,
    pub(crate) score_share: f64,
    pub(crate) room_known_k: f64,
    pub(crate) room_drift_k: f64,
}

/// What was asked for.
#[derive(Clone, Debug)]
pub(crate) struct Options {
    pub(crate) machines: usize,
    pub(crate) seed: u64,
    pub(crate) trial: Trial,
    plans: Vec<Plan>,
    forms: Vec<Form>,
    runs: Vec<usize>,
    /// Draws behind each prediction.
    draws: usize,
    json: bool,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            machines: 24,
            seed: 1,
            trial: Trial::Population,
            plans: vec![Plan::Even],
            forms: vec![Form::Log, Form::Typed],
            runs: vec![2, 3, 5, 8],
            draws: ALL_DRAWS,
            json: false,
        }
    }
}

/// One way of measuring and predicting, over all machines.
pub(crate) struct Outcome {
    pub(crate) plan: &'static str,
    pub(crate) method: &'static str,
    pub(crate) runs: usize,
    pub(crate) tally: Tally,
}

/// The method without intervals.
const SPREADSHEET: &str = "spreadsheet";

impl Outcome {
    pub(crate) fn intervals(&self) -> bool {
        self.method != SPREADSHEET
    }
}

/// Runs the chore.
///
/// # Errors
/// Words that are no options, a population file that cannot be read, a fit that fails.
pub(crate) fn run(words: impl Iterator<Item = String>) -> Result<(), String> {
    let options = options(words)?;
    let outcomes = calibrate(&options)?;
    let text = if options.json {
        format!("{:#}", report::json(&outcomes, &options))
    } else {
        report::text(&outcomes, &options)
    };
    #[expect(clippy::print_stdout, reason = "the result of the chore")]
    {
        println!("{text}");
    }
    Ok(())
}

fn options(mut words: impl Iterator<Item = String>) -> Result<Options, String> {
    let mut options = Options::default();
    while let Some(word) = words.next() {
        let mut value = || {
            words
                .next()
                .ok_or_else(|| format!("{word} needs a value\n{USAGE}"))
        };
        match word.as_str() {
            "--machines" => options.machines = whole(&value()?)?,
            "--seed" => options.seed = whole(&value()?)?,
            "--harsh" => options.trial = Trial::Harsh,
            "--well-specified" => options.trial = Trial::WellSpecified,
            "--json" => options.json = true,
            "--runs" => options.runs = list(&value()?, whole)?,
            "--plans" => {
                options.plans = list(&value()?, |t| one_of(t, &Plan::ALL, Plan::token))?;
            }
            "--forms" => {
                let all = [Form::Log, Form::Typed];
                options.forms = list(&value()?, |t| one_of(t, &all, Form::token))?;
            }
            _ => return Err(format!("'{word}' is not known\n{USAGE}")),
        }
    }
    if options.machines == 0 || options.runs.contains(&0) {
        return Err(format!(
            "at least one machine and one run are needed\n{USAGE}"
        ));
    }
    Ok(options)
}

fn whole<T: std::str::FromStr>(text: &str) -> Result<T, String> {
    text.parse()
        .map_err(|_| format!("'{text}' is no whole number\n{USAGE}"))
}

fn list<T>(text: &str, one: impl Fn(&str) -> Result<T, String>) -> Result<Vec<T>, String> {
    text.split(',').map(one).collect()
}

fn one_of<T: Copy>(text: &str, all: &[T], token: impl Fn(T) -> &'static str) -> Result<T, String> {
    all.iter()
        .copied()
        .find(|one| token(*one) == text)
        .ok_or_else(|| format!("'{text}' is not known\n{USAGE}"))
}

/// All machines under all ways of measuring.
fn calibrate(options: &Options) -> Result<Vec<Outcome>, String> {
    let population = Population::read()?;
    let grid = Grid::read(&population)?;
    let mut outcomes = ways(options);
    let mut simulator = Simulator::new();
    for number in 0..options.machines {
        let machine = Machine::draw(options, &population, &grid, &mut simulator, number)?;
        for way in &mut outcomes {
            machine.try_way(&grid, &mut simulator, way)?;
        }
    }
    Ok(outcomes)
}

fn ways(options: &Options) -> Vec<Outcome> {
    let mut ways = Vec::new();
    for plan in &options.plans {
        let methods = options.forms.iter().map(|f| f.token());
        for method in methods.chain((*plan == Plan::Even).then_some(SPREADSHEET)) {
            ways.extend(options.runs.iter().map(|&runs| Outcome {
                plan: plan.token(),
                method,
                runs,
                tally: Tally::default(),
            }));
        }
    }
    ways
}

/// One machine with all that its runs have in common.
struct Machine {
    truth: Truth,
    cells: Vec<Cell>,
    sensors: Sensors,
    background_dba: f64,
    draws: usize,
    seed: u64,
}

impl Machine {
    /// Every machine has a stream of its own, so that a larger population begins like a smaller.
    fn draw(
        options: &Options,
        population: &Population,
        grid: &Grid,
        simulator: &mut Simulator,
        number: usize,
    ) -> Result<Self, String> {
        let mut random = Random::from_seed(options.seed.wrapping_mul(1_000_003) + number as u64);
        let truth = population.machine(options.trial, &mut random)?;
        let background = truth.machine.sound.and_then(|s| s.background_dba);
        Ok(Self {
            cells: grid.truth(&truth, simulator),
            sensors: population.sensors(options.trial)?,
            background_dba: background.unwrap_or(f64::NAN) + BACKGROUND_DB * random.normal(),
            draws: options.draws,
            truth,
            seed: random.next_u64(),
        })
    }

    fn try_way(
        &self,
        grid: &Grid,
        simulator: &mut Simulator,
        way: &mut Outcome,
    ) -> Result<(), String> {
        let measured = self.measure(grid, simulator, way)?;
        let best_rate = measured.iter().map(|m| m.row.score).fold(0.0, f64::max);
        if way.method == SPREADSHEET {
            let rows: Vec<_> = measured.iter().map(|m| m.row).collect();
            let guesses: Option<Vec<Guess>> = self
                .cells
                .iter()
                .map(|cell| spreadsheet::predict(&rows, cell))
                .collect();
            if let Some(guesses) = guesses {
                way.tally.add(&self.cells, &guesses, best_rate);
            }
            return Ok(());
        }
        let started = Instant::now();
        let fit = fit(Evidence {
            workloads: vec![workload(grid.duration_s)],
            runs: measured.into_iter().map(|m| m.evidence).collect(),
            fan_max_rpm: None,
        })
        .map_err(|e| e.to_string())?;
        way.tally.fit_s.push(started.elapsed().as_secs_f64());
        way.tally.acceptance.push(fit.acceptance);
        let started = Instant::now();
        let guesses: Vec<Guess> = self
            .cells
            .iter()
            .map(|cell| grid::predict(&fit, &self.truth, cell, self.draws))
            .collect();
        way.tally.predict_s.push(started.elapsed().as_secs_f64());
        way.tally.add(&self.cells, &guesses, best_rate);
        Ok(())
    }

    fn measure(
        &self,
        grid: &Grid,
        simulator: &mut Simulator,
        way: &Outcome,
    ) -> Result<Vec<Measured>, String> {
        // The same runs for every method: the seed depends on their number alone.
        let mut random = Random::from_seed(self.seed ^ way.runs as u64);
        let plan = Plan::ALL
            .into_iter()
            .find(|p| p.token() == way.plan)
            .unwrap_or(Plan::Even);
        let bench = Bench {
            truth: &self.truth,
            sensors: self.sensors,
            form: if way.method == Form::Log.token() {
                Form::Log
            } else {
                Form::Typed
            },
            background_dba: self.background_dba,
            duration_s: grid.duration_s,
        };
        if plan == Plan::Planned {
            return planned::measure(&bench, grid, simulator, way.runs, &mut random);
        }
        plan.runs(way.runs, &grid.ratios, &grid.limits_c, &mut random)
            .into_iter()
            .enumerate()
            .map(|(i, planned)| {
                let mut own = Random::from_seed(random.next_u64());
                bench.measure(simulator, planned, i + 1, &mut own)
            })
            .collect()
    }
}

/// The workload of every run.
pub(crate) fn workload(duration_s: f64) -> Workload {
    Workload {
        id: Id::from_u128(1),
        name: "load".into(),
        unit: "units/s".into(),
        direction: Direction::Higher,
        kind: ScoreKind::MeanRate,
        duration_s,
        hours_per_week: None,
        weight: None,
        loss_max_pct: None,
        idle: false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn few() -> Options {
        Options {
            machines: 6,
            seed: 11,
            forms: vec![Form::Typed],
            runs: vec![3],
            draws: 40,
            ..Options::default()
        }
    }

    /// Six machines, three typed runs each. The bounds are those that any honest fit meets on so small
    /// a sample: the full report is a command of its own. 576 cells, but six machines: with 90 %
    /// intervals that hold for a machine as a whole or not at all, fewer than three of six happens
    /// once in 800 samples, so a coverage below 45 % is an error and no bad luck. The median error of
    /// temperature is bounded by a straight line's through the same runs.
    #[test]
    fn intervals_hold_on_a_few_machines_and_a_line_does_worse() {
        let outcomes = calibrate(&few()).unwrap();
        let fitted = &outcomes[0].tally;
        let line = &outcomes[1].tally;
        assert_eq!(outcomes[1].method, SPREADSHEET);
        for (name, errors) in [
            ("temperature", &fitted.temperature),
            ("power", &fitted.power),
            ("work", &fitted.work),
            ("level", &fitted.level),
        ] {
            assert!(errors.count() > 50, "{name}: {} cells", errors.count());
            assert!(errors.coverage() > 0.45, "{name}: {}", errors.coverage());
        }
        assert!(fitted.temperature.absolute(0.5) < line.temperature.absolute(0.5));
        assert!(fitted.work_of_top.absolute(0.5) < line.work_of_top.absolute(0.5));
    }

    #[test]
    fn a_seed_gives_its_machines_and_a_larger_population_begins_like_a_smaller() {
        let population = Population::read().unwrap();
        let grid = Grid::read(&population).unwrap();
        let one = |number| Machine::draw(&few(), &population, &grid, &mut Simulator::new(), number);
        let (first, again, other) = (one(0).unwrap(), one(0).unwrap(), one(1).unwrap());
        assert_eq!(first.truth.machine, again.truth.machine);
        assert_eq!(first.seed, again.seed);
        assert_ne!(first.truth.machine, other.truth.machine);
    }

    #[test]
    fn options_are_read_and_slips_named() {
        let read = |text: &str| options(text.split_whitespace().map(str::to_owned));
        let all = read("--machines 7 --harsh --plans even,near_stock --runs 2,5 --seed 9 --json");
        let all = all.unwrap();
        assert_eq!((all.machines, all.seed, all.trial), (7, 9, Trial::Harsh));
        assert_eq!(all.plans, [Plan::Even, Plan::NearStock]);
        assert_eq!(all.runs, [2, 5]);
        for (wrong, names) in [
            ("--machines", "--machines"),
            ("--runs 2,x", "'x'"),
            ("--plans odd", "'odd'"),
            ("--loud", "'--loud'"),
            ("--machines 0", "at least one machine"),
        ] {
            assert!(read(wrong).unwrap_err().contains(names), "{wrong}");
        }
    }
}
