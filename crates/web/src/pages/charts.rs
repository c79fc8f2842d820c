//! Charts as files, by their names.

use axum::response::Response;
use settlepoint_draw::Chart;
use settlepoint_views::charts as views;
use settlepoint_views::charts::Asked;

use super::{choose, compare, download, run, what_if};
use crate::error::PageError;
use crate::field::Fields;
use crate::figure;
use crate::html::Reader;
use crate::state::State;

/// `/chart/NAME.ENDING`.
pub(crate) fn file(state: &State, reader: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let whole = fields.raw("name");
    let (name, ending) = whole
        .rsplit_once('.')
        .ok_or_else(|| PageError::not_found("There is no such chart."))?;
    let chart = chart(name, state, reader, fields)?;
    let (kind, bytes) = figure::file(chart.as_ref(), ending)?;
    Ok(download(whole, kind, bytes))
}

fn chart(
    name: &str,
    state: &State,
    reader: &Reader,
    fields: &Fields,
) -> Result<Box<dyn Chart>, PageError> {
    match name {
        "run" => return Ok(Box::new(run::chart(state, reader, fields)?)),
        "what-if" => return what_if::chart(state, reader, fields),
        "forest" => return Ok(Box::new(compare::chart(state, fields)?)),
        "trade-off" => return Ok(Box::new(choose::chart(state, reader, fields)?)),
        _ => {}
    }
    let study = state.study(&super::pick(fields))?;
    let asked = asked(&study, reader, fields)?;
    match name {
        "capacity" => Ok(Box::new(views::capacity(
            &study.gathered,
            study.fit()?,
            &asked,
        ))),
        "work" => Ok(Box::new(views::work(
            &study.gathered,
            study.fit()?,
            &asked,
        )?)),
        "level" => Ok(Box::new(views::level(&study.gathered, study.fit()?)?)),
        "fan-curve" => Ok(Box::new(views::fan_curve(
            &study.gathered,
            study.fit()?,
            &asked,
        ))),
        "impedance" => Ok(Box::new(views::impedance(&study.gathered, study.fit()?))),
        "map" => Ok(Box::new(views::map(&study.gathered, study.fit()?, &asked))),
        "boost" => Ok(Box::new(views::boost(
            &study.gathered,
            study.fit()?,
            &asked,
        ))),
        "held-out" => Ok(Box::new(views::held_out(&study.gathered)?)),
        _ => Err(PageError::not_found("There is no such chart.")),
    }
}

/// What charts of the fit are asked: bounds as on the choice's page, workload by name.
pub(crate) fn asked(
    study: &crate::state::Study,
    reader: &Reader,
    fields: &Fields,
) -> Result<Asked, PageError> {
    let (constraints, _) = choose::constraints(reader.degrees, fields);
    Ok(Asked {
        constraints,
        workload: study.gathered.workload(fields.text("workload"))?,
        run: None,
    })
}
