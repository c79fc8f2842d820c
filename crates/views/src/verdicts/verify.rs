//! `verify` in words.

use settlepoint_domain::{Cooling, Estimate, Finding, Id, Machine, Run};
use settlepoint_infer::fit::InferError;
use settlepoint_infer::verify::{
    Causes, Compared, Matters, Outcome, Quantity, Verified, verify, very_surely,
};
use settlepoint_notebook::Notebook;

use super::sides::{named, tunes};
use super::words::{and, capital, plain, size, span};
use crate::ViewError;
use crate::gather::{Pick, gather, gather_with};

/// A run against its prediction, with what to make of it.
#[derive(Debug)]
pub struct VerifiedRun {
    /// The run.
    pub run: Run,
    /// Its machine.
    pub machine: Machine,
    /// Its cooling.
    pub cooling: Cooling,
    /// Names of the runs behind the prediction.
    pub used: Vec<String>,
    /// The numbers.
    pub verified: Verified,
    /// The verdict in one sentence.
    pub summary: String,
    /// What suggests what, a sentence or two each.
    pub reasons: Vec<String>,
    /// Findings about the runs.
    pub findings: Vec<Finding>,
    /// Runs left out, with the reason.
    pub excluded: Vec<(String, String)>,
}

/// Takes a run out of the evidence, predicts it and compares.
///
/// # Errors
/// No such run, no other run on its cooling, or a fit that comes to no end.
pub fn verify_run(
    book: &Notebook,
    pick: &Pick,
    name: &str,
    use_runs: &[String],
    matters: &Matters,
) -> Result<VerifiedRun, ViewError> {
    let run = find_run(book, pick, name)?;
    let pick = Pick {
        machine: Some(run.machine.to_string()),
        cooling: Some(run.cooling.to_string()),
        ..pick.clone()
    };
    // A run left out of the fits can be looked at all the same.
    let gathered = gather_with(book, &pick, Some(run.id))?;
    let only = base_runs(&gathered.runs, run.id, use_runs)?;
    let (fit, _) = gathered.fit(&only)?;
    let Some((_, evidence)) = gathered.runs.iter().find(|(r, _)| r.id == run.id) else {
        return Err(ViewError::Empty);
    };
    let verified = verify(&fit, evidence, matters)?;
    let used: Vec<&Run> = gathered
        .runs
        .iter()
        .map(|(r, _)| r)
        .filter(|r| only.contains(&r.id.to_string()))
        .collect();
    let (own, others) = (
        tunes(book, std::iter::once(&run))?,
        tunes(book, used.iter().copied())?,
    );
    let mut reasons = reasons(&verified);
    if own != others {
        reasons.push(format!(
            "The run was made with {} and those behind the prediction with {}: voltage, cores, memory \
             and firmware change work and heat at equal limits, so judge the cooling by this with \
             care.",
            and(&own),
            and(&others)
        ));
    }
    Ok(VerifiedRun {
        summary: summary(&verified),
        reasons,
        used: used.iter().map(|r| r.name.clone()).collect(),
        machine: gathered.machine,
        cooling: gathered.cooling,
        findings: of_run(&gathered.findings, &run.name),
        excluded: gathered.excluded,
        verified,
        run,
    })
}

fn of_run(findings: &[Finding], run: &str) -> Vec<Finding> {
    let own = |f: &&Finding| f.run.as_deref() == Some(run);
    findings.iter().filter(own).cloned().collect()
}

fn find_run(book: &Notebook, pick: &Pick, name: &str) -> Result<Run, ViewError> {
    let mut runs = book.runs()?;
    if pick.machine.is_some() || pick.cooling.is_some() {
        let here = gather(book, pick)?;
        runs.retain(|r| r.machine == here.machine.id);
        if pick.cooling.is_some() {
            runs.retain(|r| r.cooling == here.cooling.id);
        }
    }
    named(&runs, |r| (r.name.as_str(), r.id), "run", name).cloned()
}

/// Ids of the runs behind the prediction.
fn base_runs(
    runs: &[(Run, settlepoint_infer::evidence::RunEvidence)],
    run: Id,
    use_runs: &[String],
) -> Result<Vec<String>, ViewError> {
    let others: Vec<Run> = runs
        .iter()
        .filter(|(r, _)| r.id != run && r.excluded.is_none())
        .map(|(r, _)| r.clone())
        .collect();
    if others.is_empty() {
        return Err(ViewError::Infer(InferError::Missing(
            "this run is the only one on its cooling, so there is no prediction to hold it against; add \
             the runs that the prediction came from"
                .into(),
        )));
    }
    if use_runs.is_empty() {
        return Ok(others.iter().map(|r| r.id.to_string()).collect());
    }
    use_runs
        .iter()
        .map(|name| {
            named(&others, |r| (r.name.as_str(), r.id), "other run", name).map(|r| r.id.to_string())
        })
        .collect()
}

/// A quantity as people say it.
fn noun(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Package => "temperature",
        Quantity::Power => "watts",
        Quantity::FanSpeed => "fan speed",
        Quantity::Level => "level",
        Quantity::Clock => "clock",
        Quantity::Work => "work",
        Quantity::BoostLength => "length of the boost",
    }
}

/// The word for a difference, as an adverb of the whole run.
fn word(c: &Compared) -> &'static str {
    match c.token() {
        "draws_more" => "more watts",
        "draws_less" => "fewer watts",
        "fans_faster" => "faster fans",
        "fans_slower" => "slower fans",
        "clocks_higher" => "higher clocks",
        "clocks_lower" => "lower clocks",
        "boosts_longer" => "a longer boost",
        "boosts_shorter" => "a shorter boost",
        other => other,
    }
}

fn unit(quantity: Quantity) -> (&'static str, usize) {
    match quantity {
        Quantity::Package => (" °C", 1),
        Quantity::Power => (" W", 1),
        Quantity::FanSpeed => (" rpm", 0),
        Quantity::Level => (" dB(A)", 1),
        Quantity::Clock => (" MHz", 0),
        Quantity::Work => (" of the best score", 3),
        Quantity::BoostLength => (" s", 0),
    }
}

/// "78.0 °C where 71.2 (69.0 to 73.3) was expected".
fn readings(c: &Compared) -> String {
    let (unit, decimals) = unit(c.quantity);
    let verb = match c.quantity {
        Quantity::Power => "were",
        _ => "was",
    };
    format!(
        "{}{unit} where {} {verb} expected",
        plain(c.measured, decimals),
        span(c.predicted, decimals)
    )
}

fn off_by(c: &Compared) -> String {
    let (digits, unit, side) = match (c.quantity, c.difference.value > 0.0) {
        (Quantity::Package, true) => (1, "K", "hotter"),
        (Quantity::Package, false) => (1, "K", "cooler"),
        (Quantity::Level, true) => (1, "dB", "louder"),
        (Quantity::Level, false) => (1, "dB", "quieter"),
        (_, true) => (1, "%", "more"),
        (_, false) => (1, "%", "less"),
    };
    format!("{} {unit} {side}", plain(c.difference.value.abs(), digits))
}

/// The verdict in one sentence, or two.
fn summary(v: &Verified) -> String {
    match v.verdict() {
        "as_predicted" => as_predicted(v),
        "cannot_tell" => too_wide(v),
        _ => differs(v),
    }
}

fn nouns(of: impl Iterator<Item = Quantity>) -> String {
    and(&of.map(|q| noun(q).to_owned()).collect::<Vec<_>>())
}

fn as_predicted(v: &Verified) -> String {
    let Some(first) = v.compared.first() else {
        return String::new();
    };
    let rest: Vec<Quantity> = v
        .compared
        .iter()
        .skip(1)
        .filter(|c| c.outcome == Outcome::AsPredicted)
        .map(|c| c.quantity)
        .collect();
    let rest = if rest.is_empty() {
        String::new()
    } else {
        format!("; {} came out as predicted, too", nouns(rest.into_iter()))
    };
    format!("As predicted: {}{rest}.", readings(first))
}

fn too_wide(v: &Verified) -> String {
    let wide: Vec<String> = v
        .open()
        .filter(|c| c.counts())
        .take(2)
        .map(|c| {
            let (unit, decimals) = unit(c.quantity);
            format!(
                "{} could have been anything from {} to {}{unit}",
                noun(c.quantity),
                plain(c.predicted.lo, decimals),
                plain(c.predicted.hi, decimals)
            )
        })
        .collect();
    format!(
        "Cannot tell: nothing contradicts the prediction, but it was too wide to be confirmed ({}).",
        wide.join("; ")
    )
}

fn differs(v: &Verified) -> String {
    let Some(first) = v.leading() else {
        return String::new();
    };
    let also: Vec<String> = v
        .compared
        .iter()
        .filter(|c| c.differs() && c.quantity != first.quantity)
        .map(|c| format!("{} ({})", word(c), off_by(c)))
        .collect();
    let also = if also.is_empty() {
        String::new()
    } else {
        format!(" Also {}.", and(&also))
    };
    format!(
        "{} than predicted: {}, {}.{also}",
        capital(match first.token() {
            "faster" => "more work",
            "slower" => "less work",
            _ => word(first),
        }),
        readings(first),
        off_by(first)
    )
}

/// Outside of its 90 % interval.
fn surely(e: Option<Estimate>) -> Option<Estimate> {
    e.filter(|e| e.lo > 0.0 || e.hi < 0.0)
}

/// What suggests what.
fn reasons(v: &Verified) -> Vec<String> {
    let mut out = Vec::new();
    if let Some((lo, hi)) = v.beyond_w {
        out.push(format!(
            "The runs behind the prediction drew {} to {} W, so it was carried far beyond them; a run \
             nearer to this one is worth more than any reading of the differences.",
            plain(lo, 0),
            plain(hi, 0)
        ));
    }
    let outcome = |q| v.of(q).map(|c| c.outcome);
    match outcome(Quantity::Package) {
        Some(Outcome::Above) => out.push(hotter(v)),
        Some(Outcome::Below) => out.push(cooler(v)),
        _ => out.extend(heat_all_the_same(v)),
    }
    match outcome(Quantity::Power) {
        Some(Outcome::Above) => out.push(
            "It drew more watts than predicted: see whether the limits that were noted are those that \
             were set. Firmware puts its own back after an update or a failed start."
                .into(),
        ),
        Some(Outcome::Below) => out.push(fewer_watts(v)),
        _ => {}
    }
    out.extend(fans(v));
    out.extend(level(v));
    out.extend(work(v));
    match outcome(Quantity::BoostLength) {
        Some(Outcome::Below) => out.push(
            "The boost ended sooner: the window or PL2 may not be as noted, or the run began with part \
             of its budget used up, soon after another load."
                .into(),
        ),
        Some(Outcome::Above) => out.push(
            "The boost lasted longer: the window or PL2 may not be as noted.".into(),
        ),
        _ => {}
    }
    out.extend(closing(v));
    out
}

fn resistance(causes: &Causes) -> String {
    causes
        .resistance_pct
        .map_or_else(String::new, |e| size(e, 0, "%"))
}

fn hotter(v: &Verified) -> String {
    let worse = surely(v.causes.resistance_pct).is_some_and(|e| e.value > 0.0);
    let more_watts = v
        .of(Quantity::Power)
        .is_some_and(|c| c.outcome == Outcome::Above);
    if worse {
        return format!(
            "At equal watts and fan speed it needs {} more K/W than the runs behind the prediction, so \
             neither the load nor the fans account for it. Look for dust in fins and filters, a cooler \
             that has come loose or paste that has dried out, and see that the room was read at the \
             intake.",
            resistance(&v.causes)
        );
    }
    if more_watts {
        return "The watts account for the heat: K/W is what it was.".into();
    }
    if v.causes.resistance_pct.is_none() {
        return "Whether load, fans or cooling did it cannot be told, as watts or fan speed were not \
                noted with the run; note both next time. The usual suspects are dust, mounting, a sensor, \
                and a room that was warmer at the intake than where it was read."
            .into();
    }
    "K/W at equal watts and fan speed is about what it was, so look at the fans (a lower curve or \
     ceiling), the sensor, and where the room was read."
        .into()
}

fn cooler(v: &Verified) -> String {
    let better = surely(v.causes.resistance_pct).is_some_and(|e| e.value < 0.0);
    if better {
        return format!(
            "At equal watts and fan speed it needs {} less K/W than the runs behind the prediction: a \
             cooler room at the intake than was noted, an open side panel or window, or a cooling that \
             has been cleaned or remounted since.",
            resistance(&v.causes)
        );
    }
    if v.of(Quantity::Power)
        .is_some_and(|c| c.outcome == Outcome::Below)
    {
        return "Fewer watts account for it: K/W is what it was.".into();
    }
    "K/W at equal watts and fan speed is about what it was: faster fans, or a room that was cooler at \
     the intake than noted."
        .into()
}

/// Temperature as predicted, or not read: the cooling may have changed all the same.
fn heat_all_the_same(v: &Verified) -> Option<String> {
    let e = v.causes.resistance_pct.filter(very_surely)?;
    let (side, hint) = if e.value > 0.0 {
        (
            "more",
            "Dust or drying paste begin like this: clean, or look again in some weeks.",
        )
    } else {
        (
            "less",
            "A cleaned or remounted cooling would show like this.",
        )
    };
    Some(format!(
        "K/W at equal watts and fan speed is {} {side} than in the runs behind the prediction. {hint}",
        size(e, 0, "%")
    ))
}

fn fewer_watts(v: &Verified) -> String {
    let worse = surely(v.causes.resistance_pct).filter(|e| e.value > 0.0);
    match worse {
        Some(e) => format!(
            "It drew fewer watts: with {} more K/W at equal watts and fan speed the temperature limit \
             takes them away. Look for dust, mounting and paste before you touch the limits.",
            size(e, 0, "%")
        ),
        None => "It drew fewer watts: something else may hold it (a temperature, current or board \
                 limit), the limits may not be as noted, or the load left cores idle."
            .into(),
    }
}

fn fans(v: &Verified) -> Option<String> {
    let c = v.of(Quantity::FanSpeed).filter(|c| c.differs())?;
    let faster = c.outcome == Outcome::Above;
    let by_heat = v
        .of(Quantity::Package)
        .is_some_and(|p| p.outcome == c.outcome);
    let side = if faster { "faster" } else { "slower" };
    Some(if by_heat && surely(v.causes.fan_speed_pct).is_none() {
        format!("The fans ran {side}, as their curve has it at this temperature.")
    } else {
        format!(
            "The fans ran {side} than their curve did before at this temperature: see whether the curve, \
             its ceiling or the sensor that it follows was changed{}.",
            if faster {
                ""
            } else {
                ", and whether something brakes them"
            }
        )
    })
}

fn level(v: &Verified) -> Option<String> {
    let c = v.of(Quantity::Level).filter(|c| c.differs())?;
    let louder = c.outcome == Outcome::Above;
    let at_speed = surely(v.causes.level_db).filter(|e| (e.value > 0.0) == louder);
    Some(match (at_speed, v.causes.level_db) {
        (Some(e), _) if louder => format!(
            "At equal fan speed it is {} louder: a bearing, a loose or touching part, a meter that stood \
             nearer, or a louder room.",
            size(e, 1, "dB")
        ),
        (Some(e), _) => format!(
            "At equal fan speed it is {} quieter: a meter that stood farther away, or a noise that has \
             gone.",
            size(e, 1, "dB")
        ),
        (None, Some(_)) => "The fans' speed accounts for the level.".into(),
        (None, None) => {
            "Whether the fans ran at another speed or make another noise cannot be told, as \
                         their speed was not noted with the run."
                .into()
        }
    })
}

fn work(v: &Verified) -> Option<String> {
    let c = v.of(Quantity::Work).filter(|c| c.differs())?;
    let less = c.outcome == Outcome::Below;
    let at_watts = surely(v.causes.work_pct).filter(|e| (e.value < 0.0) == less);
    Some(match (at_watts, v.causes.work_pct) {
        (Some(e), _) if less => format!(
            "At equal watts it did {} less work: look for memory below its rated speed, work in the \
             background, another version of the program, and clocks held by another limit. Repeat the \
             run once before you believe one score.",
            size(e, 1, "%")
        ),
        (Some(e), _) => format!(
            "At equal watts it did {} more work: another version of the program, faster memory, or less \
             in the background than before.",
            size(e, 1, "%")
        ),
        (None, Some(_)) => "The watts account for the work.".into(),
        (None, None) => {
            "Whether watts or something else did it cannot be told, as the run's watts were \
                         not noted."
                .into()
        }
    })
}

/// What was not looked at, and what to do when it could not be told.
fn closing(v: &Verified) -> Vec<String> {
    let mut out = Vec::new();
    if v.verdict() == "cannot_tell" {
        out.push(
            "Keep this run in the notebook: with it the next prediction is narrower. 'settlepoint fit' \
             says what is not known and which run would tell."
                .into(),
        );
    }
    let counted = [
        Quantity::Package,
        Quantity::Power,
        Quantity::Level,
        Quantity::Work,
    ];
    if v.of(Quantity::Level).is_some() && !v.level_heard_near {
        out.push(
            "No run behind the prediction was heard at a fan speed near this one, so its level could not \
             be foretold."
                .into(),
        );
    }
    let missing: Vec<Quantity> = counted.into_iter().filter(|q| v.of(*q).is_none()).collect();
    if !missing.is_empty() {
        out.push(format!(
            "Nothing is said of {}: this run, or those behind the prediction, have no such reading.",
            nouns(missing.into_iter())
        ));
    }
    if v.room_c.is_none() {
        out.push(
            "The run's room was not noted, so it may have been anywhere near 22 °C: note it, and the \
             prediction is narrower by far."
                .into(),
        );
    }
    out
}
