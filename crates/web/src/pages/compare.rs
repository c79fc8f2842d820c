//! Is the difference real: sides of the notebook set against each other.

use axum::response::Response;
use maud::{Markup, html};
use settlepoint_compare::{Comparison, Options, Scale};
use settlepoint_draw::{Forest, Table, signed};
use settlepoint_views::charts::forest_of;
use settlepoint_views::compared::{
    Against, By, Evidence, Sides, against, joint, of_notebook, pairs, words,
};

use super::{download, query};
use crate::error::PageError;
use crate::field::{Fields, Problem, Reader as FieldReader};
use crate::figure::{Sizes, csv, figure};
use crate::html::{self, Input, Page, Reader, section, select};
use crate::number::{NOTHING, typed};
use crate::state::State;

/// What the sides may be.
const SIDES: [(&str, &str, By); 4] = [
    ("setting", "settings", By::Setting),
    ("cooling", "coolings", By::Cooling),
    ("tune", "tunes", By::Tune),
    ("run", "runs", By::Run),
];

/// What is asked.
struct Question {
    by: usize,
    base: Option<String>,
    margin_pct: f64,
    problems: Vec<Problem>,
}

/// What came out.
struct Compared {
    evidence: Evidence,
    against: Vec<Against>,
    /// Names of all sides, in the order of entry.
    known: Vec<String>,
    /// Why there is nothing to compare.
    why_none: Option<String>,
}

fn question(fields: &Fields) -> Question {
    let mut read = FieldReader::new(fields, crate::number::Degrees::Celsius);
    let margin_pct = read.number("margin_pct", 0.01..=50.0).unwrap_or(1.0);
    Question {
        by: SIDES
            .iter()
            .position(|(token, _, _)| *token == fields.raw("by"))
            .unwrap_or(0),
        base: fields.text("base").map(str::to_owned),
        margin_pct,
        problems: read.problems,
    }
}

fn compared(state: &State, own: &Question) -> Result<Compared, PageError> {
    let sides = Sides {
        names: Vec::new(),
        by: SIDES[own.by].2,
        margin_pct: Some(own.margin_pct),
    };
    let mut evidence = state.with(|book| Ok(of_notebook(book, &sides)?))?;
    let known = names(&evidence);
    if let Some(base) = own.base.as_ref().filter(|base| known.contains(base)) {
        let others = known.iter().filter(|name| *name != base);
        evidence.names = std::iter::once(base).chain(others).cloned().collect();
    }
    let options = Options {
        margin_pct: own.margin_pct,
        ..Options::default()
    };
    let (mut all, mut why_none) = (Vec::new(), None);
    match pairs(&evidence, false) {
        Ok(pairs) => {
            for (base, other) in pairs {
                all.push(against(&evidence, base, other, options)?);
            }
        }
        Err(why) => why_none = Some(why.to_string()),
    }
    all.retain(|a| !a.is_empty());
    if all.is_empty() && why_none.is_none() {
        why_none = Some(
            "the sides have no workload in common; score the same workload under both".to_owned(),
        );
    }
    Ok(Compared {
        evidence,
        against: all,
        known,
        why_none,
    })
}

/// Everything that has a score or a recording of frames.
fn names(evidence: &Evidence) -> Vec<String> {
    let mut known: Vec<String> = Vec::new();
    let scored = evidence
        .scores
        .iter()
        .flat_map(|s| s.sides.iter().map(|(name, _)| name));
    let recorded = evidence
        .recordings
        .iter()
        .flat_map(|r| r.sides.iter().map(|side| &side.name));
    for name in scored.chain(recorded) {
        if !known.contains(name) {
            known.push(name.clone());
        }
    }
    known
}

pub(crate) fn show(state: &State, reader: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let own = question(fields);
    let found = compared(state, &own)?;
    let address = address(&own);
    let body = html! {
        (section("ask", "Which", "That nothing is lost has to be shown, too: \u{201c}the same\u{201d} needs the whole 90 % interval within the margin.", form(&own, &found.known)))
        @if let Some(why) = &found.why_none {
            (section("none", "Nothing yet", "", html! { p { (html::sentence(why)) } p { a href="/add#scores" { "Add scores" } } }))
        } @else {
            (section("answer", "In short", "", verdicts(&found)))
            @if let Some(chart) = chart_of(&found, own.margin_pct) {
                (section("forest", "Interval by interval", "The band is the margin within which a difference does not matter.", figure(&chart, sizes(&chart), "/chart/forest", &address)))
            }
            (section("rows", "Row by row", "", html! {
                (html::table("Comparisons", &table(&found)))
                p .files { "File: " a href={ "/compare.csv?" (address) } download { "CSV" } }
                (notes(&found))
            }))
            (section("findings", "Review", "What to know before relying on it.", html::findings(&found.evidence.findings)))
        }
    };
    Ok(Page {
        state,
        reader,
        title: "Compare".into(),
        place: "/compare",
        body,
    }
    .answer())
}

fn address(own: &Question) -> String {
    query(&[
        ("by", SIDES[own.by].0),
        ("base", own.base.as_deref().unwrap_or("")),
        ("margin_pct", &typed(own.margin_pct, 2)),
    ])
}

fn form(own: &Question, known: &[String]) -> Markup {
    let kinds: Vec<(String, String)> = SIDES
        .iter()
        .map(|(token, name, _)| ((*token).to_owned(), (*name).to_owned()))
        .collect();
    let mut bases = vec![(String::new(), "the first".to_owned())];
    bases.extend(known.iter().map(|name| (name.clone(), name.clone())));
    html! {
        (html::problems(&own.problems))
        form .ask method="get" action="/compare" {
            div .fields {
                (select("by", "Compare", &kinds, SIDES[own.by].0))
                (select("base", "Against", &bases, own.base.as_deref().unwrap_or("")))
                (Input { name: "margin_pct", label: "Margin", unit: "%", value: &typed(own.margin_pct, 2), hint: "a difference that does not matter", ..Input::default() }.show(&own.problems))
            }
            button .main type="submit" { "Compare" }
        }
    }
}

fn verdicts(found: &Compared) -> Markup {
    html! {
        ul .plain { @for a in &found.against {
            li {
                p .lead {
                    strong { (a.other) } " against " (a.base) ": "
                    strong { (verdict(a)) }
                    @if let Some(ratio) = a.whole.speed_ratio.filter(|_| a.rows.len() > 1) {
                        ", work " (change(ratio.value)) " (" (change(ratio.lo)) " to " (change(ratio.hi)) ") by weight"
                    }
                }
            }
        } }
    }
}

/// One word or two for a pair.
fn verdict(a: &Against) -> String {
    match a.rows.as_slice() {
        [only] if a.frames.is_empty() => words(only),
        [] => "frame times below".to_owned(),
        _ if a.same_everywhere() => "the same everywhere".to_owned(),
        _ => a.whole.verdict.token().replace('_', " "),
    }
}

fn change(ratio: f64) -> String {
    format!("{} %", signed(100.0 * (ratio - 1.0), 2))
}

fn table(found: &Compared) -> Table {
    let header = [
        "workload",
        "base",
        "other",
        "change",
        "90 %",
        "scores",
        "p, adjusted",
        "verdict",
    ];
    let all = found.against.iter().flat_map(Against::p_difference);
    let mut adjusted = joint(all.collect()).into_iter();
    let mut rows = Vec::new();
    for a in &found.against {
        for row in &a.rows {
            rows.push(cells(a, row, adjusted.next().flatten()));
        }
        for (workload, row) in a.frame_rows() {
            let p = adjusted.next().flatten();
            rows.push(vec![
                format!("{workload}, {}", row.metric.token().replace('_', " ")),
                a.base.clone(),
                a.other.clone(),
                change(row.ratio.value),
                format!("{} to {}", change(row.ratio.lo), change(row.ratio.hi)),
                "frames".to_owned(),
                p_text(p),
                row.verdict.token().replace('_', " "),
            ]);
        }
    }
    Table {
        header: header.map(str::to_owned).to_vec(),
        rows,
    }
}

fn p_text(p: Option<f64>) -> String {
    p.map_or_else(|| NOTHING.to_owned(), |p| format!("{p:.3}"))
}

fn cells(a: &Against, row: &Comparison, p: Option<f64>) -> Vec<String> {
    let decibel = row.workload.scale == Scale::Decibel;
    let shown = |value: f64| {
        if decibel {
            format!("{} dB", signed(value, 1))
        } else {
            change(value)
        }
    };
    let interval = if row.estimate.is_some() {
        format!("{} to {}", shown(row.ratio.lo), shown(row.ratio.hi))
    } else {
        NOTHING.to_owned()
    };
    vec![
        row.workload.name.clone(),
        a.base.clone(),
        a.other.clone(),
        shown(row.ratio.value),
        interval,
        format!("{} / {}", row.counts.0, row.counts.1),
        p_text(p),
        words(row),
    ]
}

/// How the scores were arranged, said once each.
fn notes(found: &Compared) -> Markup {
    let mut notes: Vec<&str> = Vec::new();
    for row in found.against.iter().flat_map(|a| &a.rows) {
        if !notes.contains(&row.layout_reason.as_str()) {
            notes.push(&row.layout_reason);
        }
    }
    html! { @if !notes.is_empty() { ul .notes { @for note in notes { li { (html::sentence(note)) } } } } }
}

fn chart_of(found: &Compared, margin_pct: f64) -> Option<Forest> {
    forest_of(&found.against, margin_pct).ok()
}

fn sizes(chart: &Forest) -> Sizes {
    let height = 130.0 + 34.0 * chart.rows.len() as f64;
    Sizes {
        wide: (880.0, height.max(220.0)),
        narrow: (340.0, (height + 20.0 * chart.rows.len() as f64).max(240.0)),
    }
}

/// The chart as a file.
pub(crate) fn chart(state: &State, fields: &Fields) -> Result<Forest, PageError> {
    let own = question(fields);
    let found = compared(state, &own)?;
    Ok(forest_of(&found.against, own.margin_pct)?)
}

/// The rows as a file.
pub(crate) fn file(state: &State, _: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let found = compared(state, &question(fields))?;
    Ok(download(
        "comparisons.csv",
        "text/csv; charset=utf-8",
        csv(&table(&found)).into_bytes(),
    ))
}
