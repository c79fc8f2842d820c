//! What the runs tell: parameters, curves, predictions put to the test, comparisons.

use settlepoint_draw::{HeldOutPanel, plain, short};
use settlepoint_infer::fit::CoolingFit;

use super::context::Context;
use super::{Block, Figure, Grid};
use crate::ViewError;
use crate::charts::{self, forest};
use crate::compared::Sides;
use crate::models::parameters;
use crate::words::{ends, span};

/// Parameters, and the curves that they make.
pub(super) fn models(context: &Context<'_>) -> Vec<Block> {
    // Why there is none stands where the choice would.
    let Ok(fit) = &context.fit else {
        return Vec::new();
    };
    let mut blocks = vec![Block::Text(headline(context, fit))];
    blocks.extend(figures(context, fit).into_iter().map(Block::Figure));
    let rows = parameters(fit)
        .into_iter()
        .map(|p| {
            vec![
                p.words,
                plain(p.estimate.value, p.decimals),
                ends(p.estimate, p.decimals),
                p.estimate.basis.to_string(),
            ]
        })
        .collect();
    blocks.push(Block::Table(Grid::new(
        "Parameters of the models",
        &["parameter", "value", "90 %", "rests on"],
        rows,
    )));
    blocks
}

/// The cooling in one sentence.
fn headline(context: &Context<'_>, fit: &CoolingFit) -> String {
    let bounds = &context.bounds;
    let temp_c = bounds.temp_max_c.unwrap_or(90.0);
    let watts = fit.capacity_w(temp_c, bounds.room_c, bounds.altitude_m, &|_, _| 1.0);
    format!(
        "From package to air the cooling has {} K/W at full fan speed. In a room of {} °C it holds {} W \
         at {} °C ({}).",
        span(fit.resistance_k_per_w(), 3),
        plain(bounds.room_c, 0),
        span(watts, 0),
        plain(temp_c, 0),
        watts.basis
    )
}

fn figures(context: &Context<'_>, fit: &CoolingFit) -> Vec<Figure> {
    let (gathered, asked) = (&context.gathered, context.asked());
    let mut figures = vec![Figure::new(charts::capacity(gathered, fit, &asked))];
    if gathered
        .workloads
        .get(context.workload)
        .is_some_and(|w| !w.idle)
    {
        figures.push(Figure::new(charts::map(gathered, fit, &asked)));
        figures.extend(charts::work(gathered, fit, &asked).ok().map(Figure::new));
        figures.push(Figure::new(charts::fan_curve(gathered, fit, &asked)));
    }
    figures.extend(charts::level(gathered, fit).ok().map(Figure::new));
    if gathered
        .workloads
        .get(context.workload)
        .is_some_and(|w| !w.idle)
    {
        figures.push(Figure::new(charts::boost(gathered, fit, &asked)));
    }
    figures.push(Figure::new(charts::impedance(gathered, fit)));
    figures
}

/// Each run predicted from the others, where there are enough.
pub(super) fn held_out(context: &Context<'_>) -> Result<Vec<Block>, ViewError> {
    if context.fit.is_err() {
        return Ok(Vec::new());
    }
    let chart = match charts::held_out(&context.gathered) {
        Ok(chart) if !chart.panels.is_empty() => chart,
        Ok(_) | Err(ViewError::Unknown(_) | ViewError::Infer(_)) => return Ok(Vec::new()),
        Err(error) => return Err(error),
    };
    let alone = alone(context);
    let mut blocks = vec![Block::Text(
        "Each run under load was left out in turn, predicted from the others, and compared with what \
         it read."
            .into(),
    )];
    if !alone.is_empty() {
        blocks.push(Block::Text(format!(
            "The only run of its work: {}. What that work draws was then a guess, so it is shown but not \
             counted.",
            alone.join(", ")
        )));
    }
    blocks.push(Block::List(
        chart
            .panels
            .iter()
            .filter_map(|p| errors_of(p, &alone))
            .collect(),
    ));
    let panels = chart.panels.len();
    // Two stand beside each other on a page, one on a phone.
    let (wide, tall) = (
        0.2 + 0.25 * panels.div_ceil(2) as f64,
        0.2 + 0.6 * panels as f64,
    );
    blocks.push(Block::Figure(Figure::new(chart).shaped(wide, tall)));
    Ok(blocks)
}

/// Runs that are the only ones of their workload.
fn alone(context: &Context<'_>) -> Vec<String> {
    let runs = &context.gathered.runs;
    let count = |workload: usize| runs.iter().filter(|(_, e)| e.workload == workload).count();
    runs.iter()
        .filter(|(_, e)| count(e.workload) == 1)
        .map(|(run, _)| run.name.clone())
        .collect()
}

fn errors_of(panel: &HeldOutPanel, alone: &[String]) -> Option<String> {
    let counted: Vec<_> = panel
        .points
        .iter()
        .filter(|p| !alone.contains(&p.label))
        .collect();
    let n = counted.len();
    if n == 0 {
        return None;
    }
    let squares = counted
        .iter()
        .map(|p| (p.predicted.value - p.measured).powi(2));
    let rms = (squares.sum::<f64>() / n as f64).sqrt();
    let inside = counted
        .iter()
        .filter(|p| (p.predicted.lo..=p.predicted.hi).contains(&p.measured));
    Some(format!(
        "{}: off by {} {} (root mean square), {} of {n} within the 90 % interval",
        panel.name,
        short(rms),
        unit_of_differences(&panel.unit),
        inside.count(),
    ))
}

/// Differences of temperatures are in kelvins, of levels in decibels.
fn unit_of_differences(unit: &str) -> &str {
    match unit {
        "°C" => "K",
        "dB(A)" => "dB",
        other => other,
    }
}

/// Settings compared by their scores, where some were repeated.
pub(super) fn comparisons(context: &Context<'_>) -> Result<Vec<Block>, ViewError> {
    let chart = match forest(context.book, &Sides::default()) {
        Ok(chart) => chart,
        Err(ViewError::Unknown(_)) => return Ok(Vec::new()),
        Err(error) => return Err(error),
    };
    if chart.rows.iter().all(|row| row.ratio.hi <= row.ratio.lo) {
        return Ok(Vec::new());
    }
    let rows = chart.rows.len().min(14) as f64;
    Ok(vec![
        Block::Text(
            "Scores of the settings against those of the first one. That a setting costs nothing has to \
             be shown too: the same means that the whole interval lies within the margin."
                .into(),
        ),
        Block::Figure(Figure::new(chart).shaped(0.16 + 0.05 * rows, 0.3 + 0.12 * rows)),
    ])
}
