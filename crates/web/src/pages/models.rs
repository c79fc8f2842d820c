//! What the runs say: parameters, curves, what is not known, how well runs are predicted.

use axum::response::Response;
use maud::{Markup, html};
use settlepoint_draw::{Chart, Table};
use settlepoint_views::charts as views;
use settlepoint_views::models::open_words;
use settlepoint_views::models::parameters;

use super::charts::asked;
use super::{cooling_picker, download, pick, query, warm_notice};
use crate::error::PageError;
use crate::field::Fields;
use crate::figure::{PLAIN, TALL, csv, figure};
use crate::html::{self, Page, Reader, section};
use crate::number::range;
use crate::state::{State, Study};

pub(crate) fn show(state: &State, reader: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let study = state.study(&pick(fields))?;
    let fit = study.fit()?;
    let key = format!("models {:?} {}", reader.degrees, same_query(fields));
    let charts = study.answer(&key, || Ok(charts(&study, reader, fields)?.into_string()))?;
    let findings = fit.findings();
    let body = html! {
        p .lead { (study.gathered.machine.name) " with " (study.gathered.cooling.name) ", from " (super::start::count(fit.evidence.runs.len(), "run")) "." }
        (warm_notice(&study))
        (cooling_picker(state, &study, "/models")?)
        (section("open", "Not known", "What these runs cannot tell, and what would.", not_known(&study)?))
        (html::drawn(&charts))
        (section("parameters", "Parameters", "Measured ones come from the runs; assumed ones still rest on what is usual.", html! {
            (html::table("Parameters", &table(&study)?))
            p .files { "File: " a href={ "/models.csv?" (same_query(fields)) } download { "CSV" } }
        }))
        @if !findings.is_empty() {
            (section("findings", "Findings", "Of the fit as a whole.", html::findings(&findings)))
        }
        (section("held-out", "Held out", "The plainest test: each run predicted from all the others.", html! {
            @if fields.ticked("test") { (held_out(&study, fields)?) }
            @else { p { a href={ "/models?test=1&" (same_query(fields)) "#held-out" } { "Predict each run from the others" } " (one fit a run: some seconds)" } }
        }))
    };
    Ok(Page {
        state,
        reader,
        title: "Models".into(),
        place: "/models",
        body,
    }
    .answer())
}

fn not_known(study: &Study) -> Result<Markup, PageError> {
    let open = study.fit()?.unidentified();
    Ok(html! {
        @if open.is_empty() { p { "Nothing of what the models need is left open." } }
        @else {
            dl .pairs { @for u in &open {
                dt { (open_words(&u.parameter)) }
                dd { (u.needs) }
            } }
        }
    })
}

/// The same cooling for links.
fn same_query(fields: &Fields) -> String {
    query(&[
        ("machine", fields.raw("machine")),
        ("cooling", fields.raw("cooling")),
        ("workload", fields.raw("workload")),
    ])
}

fn charts(study: &Study, reader: &Reader, fields: &Fields) -> Result<Markup, PageError> {
    let fit = study.fit()?;
    let own = &study.gathered;
    let asked = asked(study, reader, fields)?;
    let rest = same_query(fields);
    let draw = |chart: &dyn Chart| figure(chart, PLAIN, &format!("/chart/{}", chart.name()), &rest);
    let work = views::work(own, fit, &asked);
    let level = views::level(own, fit);
    Ok(html! {
        (section("cooling", "Cooling", "Watts that it holds, and how it answers a step of power.", html! {
            (draw(&views::capacity(own, fit, &asked)))
            (draw(&views::impedance(own, fit)))
        }))
        (section("fans", "Fans", "As the machine drives them. A result, not a control.", draw(&views::fan_curve(own, fit, &asked))))
        (section("package", "Package", "Work and clocks against watts.", html! {
            @match &work {
                Ok(chart) => (figure(chart, if chart.panels.len() > 1 { TALL } else { PLAIN }, "/chart/work", &rest)),
                Err(why) => p { (html::sentence(&why.to_string())) },
            }
        }))
        (section("limits", "Limits", "How long the boost lasts.", draw(&views::boost(own, fit, &asked))))
        (section("sound", "Sound", "Fans and background added as energies.", html! {
            @match &level {
                Ok(chart) => (draw(chart)),
                Err(why) => p { (html::sentence(&why.to_string())) },
            }
        }))
    })
}

fn table(study: &Study) -> Result<Table, PageError> {
    let rows = parameters(study.fit()?).into_iter().map(|p| {
        vec![
            p.words,
            settlepoint_draw::plain(p.estimate.value, p.decimals),
            range(p.estimate, p.decimals),
            p.estimate.basis.to_string(),
        ]
    });
    let header = ["parameter", "value", "90 %", "basis"];
    Ok(Table {
        header: header.map(str::to_owned).to_vec(),
        rows: rows.collect(),
    })
}

pub(crate) fn file(state: &State, _: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let study = state.study(&pick(fields))?;
    Ok(download(
        "parameters.csv",
        "text/csv; charset=utf-8",
        csv(&table(&study)?).into_bytes(),
    ))
}

fn held_out(study: &Study, fields: &Fields) -> Result<Markup, PageError> {
    let made = study.answer("held-out", || {
        let chart = views::held_out(&study.gathered)?;
        Ok(figure(&chart, TALL, "/chart/held-out", &same_query(fields)).into_string())
    })?;
    Ok(html::drawn(&made))
}
