//! From runs and fits to the values of charts.

mod fitted;
mod forest;
mod measured;

use settlepoint_domain::Estimate;
use settlepoint_draw::{Chart, Ranged};
use settlepoint_infer::choose::{Constraints, choose};
use settlepoint_infer::fit::CoolingFit;
use settlepoint_notebook::Notebook;

use crate::ViewError;
use crate::compared::Sides;
use crate::gather::Gathered;

pub use fitted::{boost, capacity, fan_curve, impedance, level, map, trade_off, work};
pub use forest::{forest, forest_of};
pub use measured::{held_out, log_over_time, one_run, ranking, run, stretch};

/// Names of the charts, with what each shows.
pub const NAMES: [(&str, &str); 12] = [
    (
        "run",
        "one logged run over time: phases, limits, what held it",
    ),
    (
        "trade-off",
        "work against noise and temperature, with the setting to use",
    ),
    ("map", "settled temperature over room and sustained limit"),
    (
        "capacity",
        "watts held against fan speed, for several rooms",
    ),
    ("work", "work and clocks against watts"),
    ("level", "sound level against fan speed"),
    ("boost", "the boost budget: average power against its limit"),
    (
        "impedance",
        "thermal impedance against time, with its stages",
    ),
    ("held-out", "each run predicted from the others"),
    ("ranking", "runs by work, with bars"),
    (
        "fan-curve",
        "the fan curve and the temperatures that it meets",
    ),
    (
        "forest",
        "settings compared by their scores, with the margin that does not matter",
    ),
];

/// What the charts of a fit are asked.
#[derive(Clone, Debug, PartialEq)]
pub struct Asked {
    /// Bounds of the choice; its room is that of the charts.
    pub constraints: Constraints,
    /// Workload by index.
    pub workload: usize,
    /// Run by name or id, for the chart of a run; the last logged one if `None`.
    pub run: Option<String>,
}

/// Draws a chart's values by its name.
///
/// # Errors
/// A name that is no chart's, or what the chart needs is not in the notebook; the message says what.
pub fn chart(
    name: &str,
    book: &Notebook,
    gathered: &Gathered,
    asked: &Asked,
) -> Result<Box<dyn Chart>, ViewError> {
    match name {
        "run" => return Ok(Box::new(run(book, gathered, asked.run.as_deref())?)),
        "ranking" => return Ok(Box::new(ranking(book, gathered)?)),
        "held-out" => return Ok(Box::new(held_out(gathered)?)),
        "forest" => return Ok(Box::new(forest(book, &Sides::default())?)),
        _ if NAMES.iter().all(|(n, _)| *n != name) => return Err(no_chart(name)),
        _ => {}
    }
    let (fit, _) = gathered.fit(&[])?;
    of_fit(name, gathered, &fit, asked)
}

fn of_fit(
    name: &str,
    gathered: &Gathered,
    fit: &CoolingFit,
    asked: &Asked,
) -> Result<Box<dyn Chart>, ViewError> {
    Ok(match name {
        "trade-off" => {
            let choice = choose(fit, &asked.constraints)?;
            Box::new(trade_off(gathered, &choice, &asked.constraints))
        }
        "map" => Box::new(map(gathered, fit, asked)),
        "capacity" => Box::new(capacity(gathered, fit, asked)),
        "work" => Box::new(work(gathered, fit, asked)?),
        "level" => Box::new(level(gathered, fit)?),
        "boost" => Box::new(boost(gathered, fit, asked)),
        "impedance" => Box::new(impedance(gathered, fit)),
        "fan-curve" => Box::new(fan_curve(gathered, fit, asked)),
        _ => return Err(no_chart(name)),
    })
}

fn no_chart(name: &str) -> ViewError {
    let names: Vec<&str> = NAMES.iter().map(|(n, _)| *n).collect();
    ViewError::Unknown(format!(
        "there is no chart '{name}'; there are {}",
        names.join(", ")
    ))
}

fn ranged(estimate: Estimate) -> Ranged {
    Ranged {
        value: estimate.value,
        lo: estimate.lo,
        hi: estimate.hi,
    }
}

fn scaled(estimate: Estimate, factor: f64) -> Ranged {
    ranged(estimate.affine(factor, 0.0))
}

/// "attic studio with tower".
fn whose(gathered: &Gathered) -> String {
    format!("{} with {}", gathered.machine.name, gathered.cooling.name)
}

/// `n` values from `lo` to `hi`.
fn steps(lo: f64, hi: f64, n: u32) -> Vec<f64> {
    (0..n)
        .map(|i| lo + (hi - lo) * f64::from(i) / f64::from(n.max(2) - 1))
        .collect()
}
