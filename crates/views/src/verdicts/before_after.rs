//! `before-after` in words.

use settlepoint_domain::{Cooling, Estimate, Finding, Machine, Run};
use settlepoint_infer::before_after::{
    BeforeAfter, Question, Row, Rows, Side, Verdict, before_after,
};
use settlepoint_infer::fit::InferError;
use settlepoint_notebook::Notebook;

use super::sides::{Together, distances_m, evidence, named, rooms_c, tunes};
use super::words::{and, plain, signed, signed_span, size, span};
use crate::ViewError;
use crate::gather::{Gathered, Pick, gather};
use crate::listed::listed;

/// Two coolings, with what to make of them.
#[derive(Debug)]
pub struct ComparedCoolings {
    /// The machine.
    pub machine: Machine,
    /// Before and after.
    pub coolings: [Cooling; 2],
    /// Names of the runs of each.
    pub runs: [Vec<String>; 2],
    /// The numbers.
    pub compared: BeforeAfter,
    /// Smallest change that matters, percent.
    pub smallest_pct: f64,
    /// The verdict in a sentence or two.
    pub summary: String,
    /// What else changed between the sides, a sentence each.
    pub else_changed: Vec<String>,
    /// What suggests what.
    pub reasons: Vec<String>,
    /// Findings about the runs of both sides.
    pub findings: Vec<Finding>,
    /// Runs left out, with the reason.
    pub excluded: Vec<(String, String)>,
}

/// Compares two coolings of one machine.
///
/// # Errors
/// Names that are not there, a side without runs, or a fit that comes to no end.
pub fn compare_coolings(
    book: &Notebook,
    machine: Option<&str>,
    names: [&str; 2],
    smallest_pct: f64,
) -> Result<ComparedCoolings, ViewError> {
    let (machine, coolings) = find(book, machine, names)?;
    let [before, after] = &coolings;
    let side = |cooling: &Cooling| {
        gather(
            book,
            &Pick {
                machine: Some(machine.id.to_string()),
                cooling: Some(cooling.id.to_string()),
                ..Pick::default()
            },
        )
    };
    let together = Together::new(vec![side(before)?, side(after)?]);
    let [first, second] = together.sides.as_slice() else {
        return Err(ViewError::Empty);
    };
    for one in [first, second] {
        if one.runs.is_empty() {
            return Err(ViewError::Infer(InferError::Missing(format!(
                "there is no run with cooling '{}'; add one with 'settlepoint add log' or 'add \
                     readings'",
                one.cooling.name
            ))));
        }
    }
    let of = |side: &Gathered| tunes(book, side.runs.iter().map(|(r, _)| r));
    let both_tunes = [of(first)?, of(second)?];
    let question = Question {
        smallest_pct,
        tunes_differ: both_tunes[0] != both_tunes[1],
    };
    let half = |side: &Gathered| Side {
        name: side.cooling.name.clone(),
        runs: evidence(side),
        fan_max_rpm: side.cooling.fan_max_rpm,
    };
    let compared = before_after(&together.workloads, &half(first), &half(second), question)?;
    let names_of = |side: &Gathered| side.runs.iter().map(|(r, _)| r.name.clone()).collect();
    let out = ComparedCoolings {
        runs: [names_of(first), names_of(second)],
        summary: summary(&compared, smallest_pct),
        else_changed: else_changed(first, second, &both_tunes),
        reasons: reasons(&compared, smallest_pct),
        findings: findings(first, second),
        excluded: [first, second]
            .into_iter()
            .flat_map(|s| s.excluded.clone())
            .collect(),
        smallest_pct,
        compared,
        machine,
        coolings,
    };
    Ok(out)
}

/// Findings about runs of either side, each once.
fn findings(before: &Gathered, after: &Gathered) -> Vec<Finding> {
    let mut all: Vec<Finding> = Vec::new();
    for side in [before, after] {
        let own = |f: &Finding| {
            let named = |name: &String| side.runs.iter().any(|(r, _)| r.name == *name);
            f.run.as_ref().is_some_and(named)
        };
        for finding in side.findings.iter().filter(|f| own(f)) {
            if !all.contains(finding) {
                all.push(finding.clone());
            }
        }
    }
    all
}

/// The machine that has both coolings, and the two.
fn find(
    book: &Notebook,
    machine: Option<&str>,
    names: [&str; 2],
) -> Result<(Machine, [Cooling; 2]), ViewError> {
    let machines = book.machines()?;
    if machines.is_empty() {
        return Err(ViewError::Empty);
    }
    let all = book.coolings()?;
    let own = |machine: &Machine| -> Vec<Cooling> {
        all.iter()
            .filter(|c| c.machine == machine.id)
            .cloned()
            .collect()
    };
    let pair = |machine: &Machine| -> Result<[Cooling; 2], ViewError> {
        let own = own(machine);
        let one = |name: &str| {
            named(&own, |c: &Cooling| (c.name.as_str(), c.id), "cooling", name).cloned()
        };
        Ok([one(names[0])?, one(names[1])?])
    };
    let candidates: Vec<&Machine> = match machine {
        Some(name) => vec![named(
            &machines,
            |m| (m.name.as_str(), m.id),
            "machine",
            name,
        )?],
        None => machines.iter().collect(),
    };
    let found: Vec<(&Machine, [Cooling; 2])> = candidates
        .iter()
        .filter_map(|m| pair(m).ok().map(|p| (*m, p)))
        .collect();
    match found.as_slice() {
        [(machine, coolings)] if coolings[0].id == coolings[1].id => {
            Err(ViewError::Unknown(format!(
                "'{}' is one cooling of '{}'; name two, the one before and the one after",
                coolings[0].name, machine.name
            )))
        }
        [(machine, coolings)] => Ok(((*machine).clone(), coolings.clone())),
        [] => Err(not_found(&candidates, &all, &pair)),
        several => Err(ViewError::Unknown(format!(
            "several machines have both coolings ({}); name one with --machine",
            listed(several.iter().map(|(m, _)| (m.name.as_str(), m.id)))
        ))),
    }
}

fn not_found(
    candidates: &[&Machine],
    all: &[Cooling],
    pair: &dyn Fn(&Machine) -> Result<[Cooling; 2], ViewError>,
) -> ViewError {
    if let [only] = candidates
        && let Err(error) = pair(only)
    {
        return error;
    }
    let per_machine: Vec<String> = candidates
        .iter()
        .map(|m| {
            let own = all.iter().filter(|c| c.machine == m.id);
            format!(
                "'{}' has {}",
                m.name,
                listed(own.map(|c| (c.name.as_str(), c.id)))
            )
        })
        .collect();
    ViewError::Unknown(format!(
        "no machine has both coolings; {}. Two units are compared with 'settlepoint check'",
        per_machine.join("; ")
    ))
}

/// Rooms that differ by more than this are told, K. A judgement, as in the review of runs.
const ROOM_K: f64 = 2.0;

fn else_changed(before: &Gathered, after: &Gathered, both_tunes: &[Vec<String>; 2]) -> Vec<String> {
    let mut out = Vec::new();
    if both_tunes[0] != both_tunes[1] {
        out.push(format!(
            "The tune: {} before, {} after. Demand, leakage and work were free to differ, which widens \
             the intervals; a reading of watts that moved with the tune would still look like K/W.",
            and(&both_tunes[0]),
            and(&both_tunes[1])
        ));
    }
    out.extend(workloads(before, after));
    let runs = |side: &'_ Gathered| {
        side.runs
            .iter()
            .map(|(r, _)| r.clone())
            .collect::<Vec<Run>>()
    };
    let (a, b) = (runs(before), runs(after));
    let (near, far) = (distances_m(a.iter()), distances_m(b.iter()));
    if !near.is_empty() && !far.is_empty() && near != far {
        let list = |all: &[f64]| and(&all.iter().map(ToString::to_string).collect::<Vec<_>>());
        out.push(format!(
            "The meter's distance: {} m before, {} m after; levels, and what is said at equal level, are \
             not comparable.",
            list(&near),
            list(&far)
        ));
    }
    let room = |side: &Gathered| rooms_c(side.runs.iter().map(|(_, e)| e));
    if let (Some(a), Some(b)) = (room(before), room(after)) {
        let (a, b) = (f64::midpoint(a.0, a.1), f64::midpoint(b.0, b.1));
        if (a - b).abs() > ROOM_K {
            out.push(format!(
                "The room: about {} °C before, {} °C after; this is accounted for.",
                plain(a, 1),
                plain(b, 1)
            ));
        }
    }
    for side in [before, after] {
        let blind = side.runs.iter().filter(|(_, e)| e.room_c.is_none()).count();
        if blind > 0 {
            out.push(format!(
                "The room is not noted in {} with '{}', which costs most of what can be known: it is \
                 taken as 22 °C, give or take 3 K.",
                runs_word(blind),
                side.cooling.name
            ));
        }
    }
    out
}

fn runs_word(count: usize) -> String {
    if count == 1 {
        "1 run".to_owned()
    } else {
        format!("{count} runs")
    }
}

fn workloads(before: &Gathered, after: &Gathered) -> Option<String> {
    let names = |side: &Gathered| {
        let mut names: Vec<String> = Vec::new();
        for (run, _) in &side.runs {
            let found = side.workloads.iter().find(|w| w.id == run.workload);
            let name = found.map_or_else(String::new, |w| format!("'{}'", w.name));
            if !names.contains(&name) {
                names.push(name);
            }
        }
        names
    };
    let (a, b) = (names(before), names(after));
    let shared = a.iter().any(|name| b.contains(name));
    (!shared && !a.is_empty() && !b.is_empty()).then(|| {
        format!(
            "The workload: {} before, {} after. Other work heats other spots of the die at equal watts, \
             so the intervals are wide; run the same work on both sides.",
            and(&a),
            and(&b)
        )
    })
}

/// The row that decided, and whether it is one at equal level.
fn deciding(c: &BeforeAfter) -> Option<(&Row, bool)> {
    let level = c.at_equal_level.middle();
    let speed = c.at_equal_speed.middle();
    match (level, speed) {
        (Some(row), _) if row.verdict == c.verdict => Some((row, true)),
        (_, Some(row)) => Some((row, false)),
        (Some(row), None) => Some((row, true)),
        (None, None) => None,
    }
}

fn place(row: &Row, level: bool) -> String {
    match (row.at, level) {
        (Some(at), true) => format!("at equal level of the fans, {} dB(A)", plain(at, 1)),
        (Some(at), false) => format!("at equal fan speed, {} rpm", plain(at, 0)),
        (None, _) => "at the speed that the fans' own curve gives".to_owned(),
    }
}

fn summary(c: &BeforeAfter, smallest_pct: f64) -> String {
    let Some((row, level)) = deciding(c) else {
        return "Cannot tell: neither fan speeds nor levels were noted.".into();
    };
    let place = place(row, level);
    let sides = format!(
        "{} K/W before and {} after",
        plain(row.before_k_per_w.value, 3),
        plain(row.after_k_per_w.value, 3)
    );
    let watts = plain(c.at.power_w, 0);
    match row.verdict {
        Verdict::Better => format!(
            "Better: {place}, {sides}, {} less. At {watts} W that is {} cooler.",
            size(row.change_pct, 1, "%"),
            size(row.change_k, 1, "K")
        ),
        Verdict::Worse => format!(
            "Worse: {place}, {sides}, {} more. At {watts} W that is {} hotter.",
            size(row.change_pct, 1, "%"),
            size(row.change_k, 1, "K")
        ),
        Verdict::NoDifference => format!(
            "No difference that matters: {place}, K/W changed by {} %, and {} % is the smallest change \
             that was to count.",
            signed_span(row.change_pct, 1),
            plain(smallest_pct, 1)
        ),
        Verdict::CannotTell => format!(
            "Cannot tell: {place}, K/W changed by {} %. That is compatible with no change at all and \
             with one of {} % or more.",
            signed_span(row.change_pct, 1),
            plain(smallest_pct, 1)
        ),
    }
}

fn reasons(c: &BeforeAfter, smallest_pct: f64) -> Vec<String> {
    let mut out = Vec::new();
    out.extend(contradiction(c));
    out.extend(side_of_base(c));
    if let Some((rpm, db)) = c.level_at_speed_db {
        let sure = db.lo > 0.0 || db.hi < 0.0;
        out.push(if sure && db.value > 0.0 {
            format!(
                "At {} rpm the fans are {} louder than before: another fan, a bearing, something that \
                 touches, or a meter that stood elsewhere.",
                plain(rpm, 0),
                size(db, 1, "dB")
            )
        } else if sure {
            format!(
                "At {} rpm the fans are {} quieter than before.",
                plain(rpm, 0),
                size(db, 1, "dB")
            )
        } else {
            format!(
                "At {} rpm the fans are as loud as before, as far as the readings tell: {} dB.",
                plain(rpm, 0),
                signed_span(db, 1)
            )
        });
    }
    if c.fans_assumed {
        out.push(
            "Neither fan speeds nor levels were noted on both sides, so fans and curve are taken to be \
             unchanged; if they are not, this says nothing. Note the speed."
                .into(),
        );
    }
    for (rows, what) in [(&c.at_equal_speed, "speeds"), (&c.at_equal_level, "levels")] {
        if let Rows::Known {
            both_reached: false,
            ..
        } = rows
        {
            out.push(format!(
                "The sides share no range of {what}, so both are carried on to its middle by the \
                 models; a run on each side that meets the other's is better."
            ));
        }
    }
    if c.verdict == Verdict::CannotTell {
        out.push(more_runs(c, smallest_pct));
    }
    out
}

/// Better one way and worse the other.
fn contradiction(c: &BeforeAfter) -> Option<String> {
    let speed = c.at_equal_speed.middle()?;
    let level = c.at_equal_level.middle()?;
    match (speed.verdict, level.verdict) {
        (Verdict::Better, Verdict::Worse) => Some(format!(
            "At equal speed it is better by {}, but the fans are so much louder there that it is worse \
             for the same noise; what counts for you decides.",
            size(speed.change_pct, 1, "%")
        )),
        (Verdict::Worse, Verdict::Better) => Some(format!(
            "At equal speed it is worse by {}, but the fans are so much quieter there that it is better \
             for the same noise.",
            size(speed.change_pct, 1, "%")
        )),
        (a, b) if a != b && a != Verdict::CannotTell => Some(format!(
            "At equal speed the change is {} %.",
            signed_span(speed.change_pct, 1)
        )),
        _ => None,
    }
}

/// Where the change sits: what grows as the fans slow down is on the air's side.
fn side_of_base(c: &BeforeAfter) -> Option<String> {
    let tilt = c.tilt_points?;
    let middle = c.at_equal_speed.middle()?;
    if middle.change_pct.lo < 0.0 && middle.change_pct.hi > 0.0 {
        return None;
    }
    let same_sign = |e: Estimate| (e.value > 0.0) == (middle.change_pct.value > 0.0);
    let sure = tilt.lo > 0.0 || tilt.hi < 0.0;
    sure.then(|| {
        if same_sign(tilt) {
            "The change is larger at low fan speed, which points to the air's side: fins, filters, fans, \
             places."
                .to_owned()
        } else {
            "The change is larger at high fan speed, which points to the contact's side: paste, \
             mounting, base."
                .to_owned()
        }
    })
}

fn more_runs(c: &BeforeAfter, smallest_pct: f64) -> String {
    let width = deciding(c).map_or(f64::NAN, |(row, _)| 0.5 * row.change_pct.width());
    format!(
        "The interval is ±{} % wide and {} % was to count. Log one more run a side at the same setting, \
         each from cold, with room at the intake, watts and fan speed: the errors that a run has for \
         itself then average out.",
        plain(width, 1),
        plain(smallest_pct, 1)
    )
}

impl ComparedCoolings {
    /// Lines of the table: place, before, after, change, kelvins, verdict.
    pub fn lines(&self) -> Vec<[String; 6]> {
        let mut out = Vec::new();
        for (rows, decimals, unit) in [
            (&self.compared.at_equal_speed, 0, "rpm"),
            (&self.compared.at_equal_level, 1, "dB(A)"),
        ] {
            let Rows::Known { rows, .. } = rows else {
                continue;
            };
            let mut rows: Vec<&Row> = rows.iter().collect();
            rows.sort_by(|a, b| a.at.unwrap_or(0.0).total_cmp(&b.at.unwrap_or(0.0)));
            for row in rows {
                out.push([
                    row.at.map_or_else(
                        || "as the curve has it".to_owned(),
                        |at| format!("{} {unit}", plain(at, decimals)),
                    ),
                    span(row.before_k_per_w, 3),
                    span(row.after_k_per_w, 3),
                    signed_span(row.change_pct, 1),
                    signed(row.change_k.value, 1),
                    row.verdict.token().replace('_', " "),
                ]);
            }
        }
        out
    }
}
