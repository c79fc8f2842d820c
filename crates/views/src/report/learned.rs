//! What the runs tell: parameters, curves, predictions put to the test, comparisons.

use settlepoint_infer::fit::CoolingFit;

use super::context::Context;
use super::{Block, Figure, Grid};
use crate::ViewError;
use crate::charts::{self, forest};
use crate::compared::Sides;
use crate::models::parameters;
use crate::words::{ends, sentence, span};
use settlepoint_draw::plain;

/// Parameters, and the curves that they make.
pub(super) fn models(context: &Context<'_>) -> Vec<Block> {
    let fit = match &context.fit {
        Ok(fit) => fit,
        Err(why) => {
            return vec![Block::Text(format!(
                "Nothing can be fitted: {}",
                sentence(why)
            ))];
        }
    };
    let mut blocks = vec![Block::Text(headline(context, fit))];
    blocks.extend(figures(context, fit).into_iter().map(Block::Figure));
    let rows = parameters(fit)
        .into_iter()
        .map(|p| {
            vec![
                p.name.replace('_', " "),
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
    let inside = |p: &settlepoint_draw::HeldOutPoint| {
        (p.predicted.lo..=p.predicted.hi).contains(&p.measured)
    };
    let sentences: Vec<String> = chart
        .panels
        .iter()
        .map(|panel| {
            let errors = panel.points.iter().map(|p| p.predicted.value - p.measured);
            let n = panel.points.len() as f64;
            let rms = (errors.map(|e| e * e).sum::<f64>() / n).sqrt();
            format!(
                "{}: off by {} {} (root mean square), {} of {} within the 90 % interval.",
                panel.name,
                settlepoint_draw::short(rms),
                panel.unit,
                panel.points.iter().filter(|p| inside(p)).count(),
                panel.points.len()
            )
        })
        .collect();
    Ok(vec![
        Block::Text(
            "Each run under load was left out in turn, predicted from the others, and compared with \
             what it read."
                .into(),
        ),
        Block::List(sentences),
        Block::Figure(Figure::new(chart).shaped(0.62)),
    ])
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
    let shape = 0.16 + 0.05 * chart.rows.len().min(14) as f64;
    Ok(vec![
        Block::Text(
            "Scores of the settings against those of the first one. That a setting costs nothing has to \
             be shown too: the same means that the whole interval lies within the margin."
                .into(),
        ),
        Block::Figure(Figure::new(chart).shaped(shape)),
    ])
}
