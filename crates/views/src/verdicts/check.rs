//! `check` in words, and its sheet.

use settlepoint_domain::{Cooling, Estimate, Finding, Machine};
use settlepoint_infer::fit::InferError;
use settlepoint_infer::unit_check::{
    Checked, Condition, Item, Row, Tolerances, Unit, Verdict, check,
};
use settlepoint_notebook::Notebook;

use super::sides::{Together, evidence, named};
use super::words::{and, plain, signed_span, span};
use crate::ViewError;
use crate::gather::{Gathered, Pick, gather};
use crate::listed::listed;
use crate::words::firmware_text;

/// What is asked.
#[derive(Clone, Debug)]
pub struct CheckAsked {
    /// Names or ids of the reference's machines, or the name of a model.
    pub against: Vec<String>,
    /// Names or ids of the machines to check; all others of the model if empty.
    pub units: Vec<String>,
    /// The cooling, by name, that is looked at in each machine; the one with most runs if `None`.
    pub cooling: Option<String>,
    /// Tolerances.
    pub tolerances: Tolerances,
}

/// One unit, checked.
#[derive(Debug)]
pub struct CheckedUnit {
    /// The unit.
    pub machine: Machine,
    /// Its cooling.
    pub cooling: Cooling,
    /// Names of its runs.
    pub runs: Vec<String>,
    /// The numbers.
    pub checked: Checked,
    /// The verdict in one sentence.
    pub summary: String,
    /// What suggests what.
    pub reasons: Vec<String>,
    /// Findings about its runs.
    pub findings: Vec<Finding>,
    /// Runs left out, with the reason.
    pub excluded: Vec<(String, String)>,
}

/// All that was checked.
#[derive(Debug)]
pub struct CheckedUnits {
    /// The reference's machines.
    pub against: Vec<Machine>,
    /// Names of the reference's runs.
    pub reference_runs: Vec<String>,
    /// Names of the workloads that [`Condition::workload`] counts.
    pub workloads: Vec<String>,
    /// The tolerances.
    pub tolerances: Tolerances,
    /// The units.
    pub units: Vec<CheckedUnit>,
    /// Units of the model without a run, by name.
    pub without_runs: Vec<String>,
}

impl CheckedUnits {
    /// Fails if any unit does, passes if all do.
    pub fn verdict(&self) -> Verdict {
        let all: Vec<Verdict> = self.units.iter().map(|u| u.checked.verdict).collect();
        if all.contains(&Verdict::Fail) {
            Verdict::Fail
        } else if all.contains(&Verdict::CannotTell) {
            Verdict::CannotTell
        } else {
            Verdict::Pass
        }
    }
}

/// Checks units against a reference.
///
/// # Errors
/// Names that are not there, nothing to check, a side without runs, or a fit that comes to no end.
pub fn check_units(book: &Notebook, asked: &CheckAsked) -> Result<CheckedUnits, ViewError> {
    let machines = book.machines()?;
    if machines.is_empty() {
        return Err(ViewError::Empty);
    }
    let (references, units) = who(&machines, asked)?;
    let side = |machine: &Machine| side(book, machine, asked.cooling.as_deref());
    let reference_sides: Vec<Gathered> = references
        .iter()
        .map(|machine| match side(machine) {
            Ok(own) if !own.runs.is_empty() => Ok(own),
            Ok(_) | Err(ViewError::Empty) => Err(ViewError::Infer(InferError::Missing(format!(
                "'{}' is the reference but has no run; add its runs first",
                machine.name
            )))),
            Err(other) => Err(other),
        })
        .collect::<Result<_, _>>()?;
    let mut checked = Vec::new();
    let mut without_runs = Vec::new();
    let mut workloads = Vec::new();
    for machine in &units {
        match side(machine) {
            Ok(own) if !own.runs.is_empty() => {
                let sides = reference_sides.iter().map(copy).chain([own]).collect();
                let together = Together::new(sides);
                checked.push(one_unit(&together, asked)?);
                // The reference's workloads come first, so that all units count alike.
                for (i, w) in together.workloads.iter().enumerate() {
                    if i >= workloads.len() {
                        workloads.push(w.name.clone());
                    }
                }
            }
            Ok(_) | Err(ViewError::Empty) => without_runs.push(machine.name.clone()),
            Err(other) => return Err(other),
        }
    }
    if checked.is_empty() {
        return Err(ViewError::Infer(InferError::Missing(format!(
            "no unit to check has a run ({}); add one with 'settlepoint add log … --machine' or 'add \
             readings'",
            listed(units.iter().map(|m| (m.name.as_str(), m.id)))
        ))));
    }
    Ok(CheckedUnits {
        reference_runs: reference_sides
            .iter()
            .flat_map(|s| s.runs.iter().map(|(r, _)| r.name.clone()))
            .collect(),
        against: references,
        workloads,
        tolerances: asked.tolerances,
        units: checked,
        without_runs,
    })
}

fn side(book: &Notebook, machine: &Machine, cooling: Option<&str>) -> Result<Gathered, ViewError> {
    let pick = |cooling: Option<String>| Pick {
        machine: Some(machine.id.to_string()),
        cooling,
        ..Pick::default()
    };
    let Some(name) = cooling else {
        return gather(book, &pick(None));
    };
    let own: Vec<Cooling> = book
        .coolings()?
        .into_iter()
        .filter(|c| c.machine == machine.id)
        .collect();
    let found = named(
        &own,
        |c| (c.name.as_str(), c.id),
        &format!("cooling of '{}'", machine.name),
        name,
    )?;
    gather(book, &pick(Some(found.id.to_string())))
}

/// The parts of a side that a second unit needs again.
fn copy(side: &Gathered) -> Gathered {
    Gathered {
        machine: side.machine.clone(),
        cooling: side.cooling.clone(),
        workloads: side.workloads.clone(),
        runs: side.runs.clone(),
        findings: Vec::new(),
        excluded: Vec::new(),
        options: side.options.clone(),
    }
}

/// The reference's machines and those to check.
fn who(
    machines: &[Machine],
    asked: &CheckAsked,
) -> Result<(Vec<Machine>, Vec<Machine>), ViewError> {
    let find = |name: &str| named(machines, |m| (m.name.as_str(), m.id), "machine", name).cloned();
    let mut units: Vec<Machine> = asked
        .units
        .iter()
        .map(|name| find(name))
        .collect::<Result<_, _>>()?;
    let mut references: Vec<Machine> = Vec::new();
    for name in &asked.against {
        match find(name) {
            Ok(machine) => references.push(machine),
            Err(error) => references.extend(of_model(machines, name, &units, error)?),
        }
    }
    let is_reference = |m: &Machine| references.iter().any(|r| r.id == m.id);
    if let Some(both) = units.iter().find(|m| is_reference(m)) {
        return Err(ViewError::Unknown(format!(
            "'{}' cannot be checked against itself; name another unit",
            both.name
        )));
    }
    if units.is_empty() {
        let model = |m: &Machine| {
            let same = |r: &Machine| r.model.trim().to_lowercase() == m.model.trim().to_lowercase();
            references.iter().any(same)
        };
        units = machines
            .iter()
            .filter(|m| !is_reference(m) && model(m))
            .cloned()
            .collect();
    }
    if references.is_empty() {
        return Err(ViewError::Unknown(
            "no machine is left as the reference; name one with --against, and those to check with \
             --unit"
                .into(),
        ));
    }
    if units.is_empty() {
        return Err(ViewError::Unknown(format!(
            "the notebook has no other machine of the model of '{}' to check; name one with --unit, or \
             give units their model with 'settlepoint add machine … --model'",
            references[0].name
        )));
    }
    Ok((references, units))
}

/// Every unit of a model but those under test; `otherwise` if there is no such model.
fn of_model(
    machines: &[Machine],
    model: &str,
    units: &[Machine],
    otherwise: ViewError,
) -> Result<Vec<Machine>, ViewError> {
    let fold = |text: &str| text.trim().to_lowercase();
    let all: Vec<&Machine> = machines
        .iter()
        .filter(|m| !m.model.trim().is_empty() && fold(&m.model) == fold(model))
        .collect();
    if all.is_empty() {
        return Err(otherwise);
    }
    if units.is_empty() {
        // All would be reference and nothing left to check.
        return Err(ViewError::Unknown(format!(
            "'{model}' is a model; name the unit that serves as reference ({}), or those to check with \
             --unit",
            listed(all.iter().map(|m| (m.name.as_str(), m.id)))
        )));
    }
    Ok(all
        .into_iter()
        .filter(|m| !units.iter().any(|u| u.id == m.id))
        .cloned()
        .collect())
}

fn one_unit(together: &Together, asked: &CheckAsked) -> Result<CheckedUnit, ViewError> {
    let unit = |side: &Gathered| Unit {
        name: side.machine.name.clone(),
        runs: evidence(side),
    };
    let Some((own, references)) = together.sides.split_last() else {
        return Err(ViewError::Empty);
    };
    let reference_units: Vec<Unit> = references.iter().map(unit).collect();
    let checked = check(
        &together.workloads,
        &reference_units,
        &unit(own),
        references.iter().find_map(|s| s.cooling.fan_max_rpm),
        &asked.tolerances,
    )?;
    Ok(CheckedUnit {
        summary: summary(&own.machine, &checked),
        reasons: reasons(own, references, &checked),
        machine: own.machine.clone(),
        cooling: own.cooling.clone(),
        runs: own.runs.iter().map(|(r, _)| r.name.clone()).collect(),
        findings: own
            .findings
            .iter()
            .filter(|f| f.run.is_some())
            .cloned()
            .collect(),
        excluded: own.excluded.clone(),
        checked,
    })
}

/// An item as people say it.
fn noun(item: Item) -> &'static str {
    match item {
        Item::Package => "temperature",
        Item::Power => "watts",
        Item::Level => "level of the fans",
        Item::Work => "work",
        Item::Resistance => "K/W at equal fan speed",
    }
}

fn unit_of(item: Item) -> &'static str {
    match item {
        Item::Package => "K",
        Item::Level => "dB",
        _ => "%",
    }
}

fn rows(checked: &Checked) -> impl Iterator<Item = &Row> {
    checked.conditions.iter().flat_map(|c| &c.rows)
}

fn deviations(checked: &Checked, verdict: Verdict) -> String {
    let list: Vec<String> = rows(checked)
        .filter(|r| r.verdict == verdict)
        .map(|r| {
            format!(
                "{} {} {}, tolerance {}",
                noun(r.item),
                signed_span(r.deviation, 1),
                unit_of(r.item),
                allowed(r)
            )
        })
        .collect();
    list.join("; ")
}

/// The tolerance with its side: only what is worse counts, but for watts.
fn allowed(row: &Row) -> String {
    let size = plain(row.tolerance, 1);
    let unit = unit_of(row.item);
    match row.item {
        Item::Power => format!("±{size} {unit}"),
        Item::Work => format!("-{size} {unit}"),
        _ => format!("+{size} {unit}"),
    }
}

fn summary(machine: &Machine, checked: &Checked) -> String {
    let name = &machine.name;
    match checked.verdict {
        Verdict::Pass => format!("'{name}' passes: everything that was read is within tolerance."),
        Verdict::Fail => format!("'{name}' fails: {}.", deviations(checked, Verdict::Fail)),
        Verdict::CannotTell if rows(checked).next().is_none() => {
            format!("Cannot tell of '{name}': it has no reading that the reference has, too.")
        }
        Verdict::CannotTell => format!(
            "Cannot tell of '{name}': {}.",
            deviations(checked, Verdict::CannotTell)
        ),
    }
}

fn reasons(own: &Gathered, references: &[Gathered], checked: &Checked) -> Vec<String> {
    let mut out = Vec::new();
    let verdict = |item| {
        rows(checked)
            .filter(|r| r.item == item)
            .map(|r| r.verdict)
            .max_by_key(|v| *v == Verdict::Fail)
    };
    let failed = |item| verdict(item) == Some(Verdict::Fail);
    if failed(Item::Package) || failed(Item::Resistance) {
        let hot = if failed(Item::Resistance) {
            "It carries heat worse at equal fan speed: remount the cooler, renew the paste, look for a \
             film left on, a fan turned round or a cable in its way."
        } else {
            "It is hotter without more K/W: see its watts, its fan curve and its sensor."
        };
        out.push(hot.to_owned());
    }
    if failed(Item::Power) {
        out.push(
            "Its watts differ at equal limits: see that the firmware has the reference's version and \
             limits."
                .into(),
        );
    }
    if failed(Item::Level) {
        out.push(
            "It is louder: a fan with a bad bearing or a part that touches, another curve, or a meter \
             that stood nearer."
                .into(),
        );
    }
    if failed(Item::Work) {
        out.push(
            "It does less work: see that memory runs at its rated speed and in all its channels, that \
             nothing runs in the background, and repeat the score."
                .into(),
        );
    }
    if checked.verdict == Verdict::CannotTell {
        out.push(
            "A longer run, or a second one from cold, under the same setting with room, watts, fan speed \
             and level noted narrows the intervals; so do more runs of the reference."
                .into(),
        );
    }
    let missing: Vec<String> = Item::ALL
        .into_iter()
        .filter(|item| checked.conditions.iter().all(|c| c.missing.contains(item)))
        .map(|item| noun(item).to_owned())
        .collect();
    if !missing.is_empty() {
        out.push(format!(
            "Not checked, for want of readings of the unit or of the reference: {}.",
            and(&missing)
        ));
    }
    if checked.conditions.iter().any(|c| c.room_c.is_none()) {
        out.push(
            "A room was not noted and is taken as 22 °C: a degree off is a degree in the verdict. Note \
             it."
                .into(),
        );
    }
    let names: Vec<String> = references
        .iter()
        .filter(|r| r.cooling.name != own.cooling.name)
        .map(|r| format!("'{}'", r.cooling.name))
        .collect();
    if !names.is_empty() {
        out.push(format!(
            "The unit's cooling is called '{}', the reference's {}: see that they are the same parts.",
            own.cooling.name,
            and(&names)
        ));
    }
    let models =
        [&own.machine.model, &references[0].machine.model].map(|m| m.trim().to_lowercase());
    if models[0] != models[1] {
        out.push(format!(
            "The unit's model is '{}', the reference's '{}': different models differ by more than units \
             do, so a failure may only say that.",
            own.machine.model, references[0].machine.model
        ));
    }
    out
}

/// One line of a sheet: item, reference, unit, deviation, tolerance, verdict.
fn line(row: &Row) -> [String; 6] {
    let (name, decimals) = match row.item {
        Item::Package => ("settled temperature, °C", 1),
        Item::Power => ("settled power, W", 1),
        Item::Level => ("level of the fans, dB(A)", 1),
        Item::Work => ("work, relative", 3),
        Item::Resistance => ("K/W at equal fan speed", 3),
    };
    let deviation = |e: Estimate| format!("{} {}", signed_span(e, 1), unit_of(row.item));
    [
        name.to_owned(),
        span(row.reference, decimals),
        span(row.unit, decimals),
        deviation(row.deviation),
        allowed(row),
        row.verdict.token().replace('_', " "),
    ]
}

const HEADER: [&str; 6] = [
    "what",
    "reference (90 %)",
    "unit (90 %)",
    "deviation (90 %)",
    "tolerance",
    "verdict",
];

fn conditions_line(checked: &CheckedUnits, condition: &Condition) -> String {
    let workload = checked
        .workloads
        .get(condition.workload)
        .map_or("", String::as_str);
    let room = condition.room_c.map_or_else(
        || "room not noted".to_owned(),
        |c| format!("{} °C room", plain(c, 1)),
    );
    let firmware = firmware_text(&condition.setting);
    let setting = if firmware.is_empty() {
        format!("'{}'", condition.setting.name)
    } else {
        firmware
    };
    format!("{workload} under {setting}, {room}")
}

fn describe(machine: &Machine) -> String {
    let mut text = machine.name.clone();
    for (what, value) in [("model", &machine.model), ("serial", &machine.serial)] {
        if !value.trim().is_empty() {
            text += &format!(", {what} {}", value.trim());
        }
    }
    text
}

fn overall_words(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Pass => "PASS",
        Verdict::Fail => "FAIL",
        Verdict::CannotTell => "CANNOT TELL",
    }
}

/// What the verdicts mean, and the cautions.
const NOTES: [&str; 3] = [
    "Pass: the whole 90 % interval is within tolerance. Fail: all of it is outside. Otherwise the runs \
     do not tell. Cooler, quieter, faster is never a fault.",
    "Reference and unit are both stated for the unit's setting and room; what a short run leaves open is \
     filled in from the reference's runs, give or take what units of one model differ by.",
    "Heat sinks burn: let them cool before you touch them. Never open a power supply. The makers' \
     instructions and local rules come before anything said here.",
];

/// Width of the text sheet's wrapped lines.
const WIDTH: usize = 100;

/// The printable sheet of one unit, as text.
pub fn sheet_text(all: &CheckedUnits, unit: &CheckedUnit) -> String {
    let against: Vec<String> = all.against.iter().map(describe).collect();
    let mut text = format!(
        "Unit check: {}\n\nUnit       {}\nCooling    {}\nRuns       {}\nReference  {} ({})\n",
        overall_words(unit.checked.verdict),
        describe(&unit.machine),
        unit.cooling.name,
        unit.runs.join(", "),
        against.join("; "),
        runs_count(all.reference_runs.len()),
    );
    for condition in &unit.checked.conditions {
        text += &format!("\n{}\n", conditions_line(all, condition));
        text += &aligned(condition.rows.iter().map(line));
    }
    text += "\n";
    text += &wrapped(&unit.summary);
    for reason in &unit.reasons {
        text += &wrapped(&format!("- {reason}"));
    }
    text += "\n";
    for note in NOTES {
        text += &wrapped(note);
    }
    text + "\nChecked by ____________________   Date ____________\n"
}

fn runs_count(n: usize) -> String {
    if n == 1 {
        "1 run".to_owned()
    } else {
        format!("{n} runs")
    }
}

fn aligned(rows: impl Iterator<Item = [String; 6]>) -> String {
    let rows: Vec<[String; 6]> = std::iter::once(HEADER.map(str::to_owned))
        .chain(rows)
        .collect();
    let width = |i: usize| rows.iter().map(|r| r[i].chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..6).map(width).collect();
    rows.iter()
        .map(|r| {
            let cells: Vec<String> = r
                .iter()
                .zip(&widths)
                .map(|(c, w)| format!("{c}{}", " ".repeat(w - c.chars().count())))
                .collect();
            cells.join("  ").trim_end().to_owned() + "\n"
        })
        .collect()
}

fn wrapped(text: &str) -> String {
    let mut out = String::new();
    let mut line = String::new();
    for word in text.split(' ') {
        if !line.is_empty() && line.chars().count() + 1 + word.chars().count() > WIDTH {
            out += &format!("{line}\n");
            line = if text.starts_with("- ") {
                "  ".to_owned()
            } else {
                String::new()
            };
        }
        if !line.trim().is_empty() {
            line.push(' ');
        }
        line += word;
    }
    out + &line + "\n"
}

/// All sheets as one HTML page that prints one unit a page.
pub fn sheet_html(all: &CheckedUnits) -> String {
    let mut page = String::from(
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\
         <title>Unit check</title>\n<style>\n\
         body{font:15px/1.45 system-ui,sans-serif;margin:2rem auto;max-width:60rem;padding:0 1rem;\
         color:#1c1c1c;background:#fff}\n\
         section{break-after:page;margin-bottom:3rem}section:last-child{break-after:auto}\n\
         table{border-collapse:collapse;width:100%;margin:.6rem 0 1.2rem}\n\
         th,td{border-bottom:1px solid #999;padding:.3rem .6rem;text-align:left;vertical-align:top}\n\
         td:nth-child(n+2){font-variant-numeric:tabular-nums}\n\
         dl{display:grid;grid-template-columns:8rem 1fr;gap:.2rem}dt{font-weight:600}dd{margin:0}\n\
         .signed{margin-top:2.5rem}.notes{font-size:.85em}\n\
         </style></head><body>\n",
    );
    for unit in &all.units {
        page += &section(all, unit);
    }
    page + "</body></html>\n"
}

fn section(all: &CheckedUnits, unit: &CheckedUnit) -> String {
    let against: Vec<String> = all.against.iter().map(describe).collect();
    let pairs = [
        ("Unit", describe(&unit.machine)),
        ("Cooling", unit.cooling.name.clone()),
        ("Runs", unit.runs.join(", ")),
        (
            "Reference",
            format!(
                "{} ({})",
                against.join("; "),
                runs_count(all.reference_runs.len())
            ),
        ),
    ];
    let mut html = format!(
        "<section>\n<h1>Unit check: {}</h1>\n<dl>",
        overall_words(unit.checked.verdict)
    );
    for (name, value) in pairs {
        html += &format!("<dt>{name}</dt><dd>{}</dd>", escaped(&value));
    }
    html += "</dl>\n";
    for condition in &unit.checked.conditions {
        html += &format!("<h2>{}</h2>\n", escaped(&conditions_line(all, condition)));
        let cells = |row: &[String; 6], tag: &str| -> String {
            let all: String = row
                .iter()
                .map(|c| format!("<{tag}>{}</{tag}>", escaped(c)))
                .collect();
            format!("<tr>{all}</tr>\n")
        };
        html += "<table>";
        html += &cells(&HEADER.map(str::to_owned), "th");
        for row in &condition.rows {
            html += &cells(&line(row), "td");
        }
        html += "</table>\n";
    }
    html += &format!("<p><strong>{}</strong></p>\n<ul>", escaped(&unit.summary));
    for reason in &unit.reasons {
        html += &format!("<li>{}</li>", escaped(reason));
    }
    html += "</ul>\n<div class=\"notes\">";
    for note in NOTES {
        html += &format!("<p>{}</p>", escaped(note));
    }
    html + "</div>\n<p class=\"signed\">Checked by ____________________ &nbsp; Date ____________</p>\n\
            </section>\n"
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}
