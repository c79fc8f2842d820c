//! The run sheet as a page to print and fill in by hand.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use crate::planning::{Planned, limits_in_words};

/// Black on white, no colour, lines to write on.
const STYLE: &str = "
@page { margin: 15mm; }
:root { color-scheme: light; }
body { font: 11pt/1.4 system-ui, sans-serif; color: #111; background: #fff; max-width: 46rem;
  margin: 1.5rem auto; padding: 0 1rem; }
h1 { font-size: 1.3rem; margin: 0 0 .3rem; }
h2 { font-size: 1rem; margin: 1.4rem 0 .3rem; }
p, ul { margin: .3rem 0; }
ul { padding-left: 1.1rem; }
.run { border-top: 1px solid #444; padding: .6rem 0 .2rem; break-inside: avoid; }
.run h3 { font-size: 1rem; margin: 0; }
.why { color: #444; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
td { padding: .15rem .5rem .15rem 0; vertical-align: top; }
td.min { text-align: right; white-space: nowrap; width: 4.5rem; }
td.box { width: 1.4rem; }
.box span { display: inline-block; width: .8rem; height: .8rem; border: 1px solid #444; }
.blanks { display: flex; flex-wrap: wrap; gap: .5rem 1.2rem; margin: .5rem 0 .3rem; }
.blanks div { flex: 1 1 9rem; border-bottom: 1px solid #777; padding-top: 1.1rem; color: #444;
  font-size: .8rem; }
";

/// What is filled in for each run.
const BLANKS: [&str; 8] = [
    "date and time",
    "room at start, °C",
    "room at end, °C",
    "score",
    "package, °C",
    "power, W",
    "fan, rpm",
    "level, dB(A)",
];

/// The sheet as one HTML page that asks for nothing from outside.
pub fn page(planned: &Planned, title: &str) -> String {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                h1 { (title) }
                p { (planned.rows.len()) " runs, about " (format!("{:.1}", planned.hours)) " h in all." }
                h2 { "Cautions" }
                ul { @for caution in &planned.cautions { li { (caution) } } }
                h2 { "To log and to note" }
                ul { @for note in &planned.to_note { li { (note) } } }
                h2 { "Runs, in this order" }
                @for row in &planned.rows { (run(planned, row)) }
            }
        }
    }
    .into_string()
}

fn run(planned: &Planned, row: &settlepoint_sheet::SheetRow) -> Markup {
    html! {
        section class="run" {
            h3 { (row.order) ". " (row.run) ": " (limits_in_words(row)) }
            p class="why" { (row.reason) }
            table {
                @for step in planned.steps.iter().filter(|s| s.run == row.run) {
                    tr {
                        td class="box" { span {} }
                        td { (step.text) }
                        td class="min" { (format!("{:.0} min", step.minutes)) }
                    }
                }
            }
            div class="blanks" { @for blank in BLANKS { div { (blank) } } }
        }
    }
}
