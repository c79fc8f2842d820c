//! The parameters of a fit, for tables.

use settlepoint_domain::{Basis, Estimate};
use settlepoint_infer::fit::CoolingFit;
use settlepoint_infer::layout::{ErrorKind, Key};

/// A posterior as wide as this share of its prior rests on the prior.
const UNLEARNED: f64 = 0.85;

/// One parameter.
#[derive(Clone, Debug, PartialEq)]
pub struct Parameter {
    /// Its name as the table of priors has it.
    pub name: String,
    /// What it is, in words, with its unit.
    pub words: String,
    /// Its value.
    pub estimate: Estimate,
    /// Decimals to show.
    pub decimals: usize,
}

/// The parameters that say something to people, in the order of the models.
pub fn parameters(fit: &CoolingFit) -> Vec<Parameter> {
    let mut list = vec![Parameter {
        name: "resistance at full fan, K/W".into(),
        words: "resistance from package to air at full fan speed, K/W".into(),
        estimate: fit.resistance_k_per_w(),
        decimals: 3,
    }];
    list.extend(time_constants(fit));
    for (key, prior) in fit.layout.keys().iter().zip(fit.layout.priors()) {
        if matches!(
            key,
            Key::FanPiece(_) | Key::Discrepancy(_) | Key::RiseAtStock | Key::Rate(_)
        ) {
            continue;
        }
        if let Some(estimate) = fit.parameter(*key) {
            list.push(Parameter {
                name: prior.name.clone(),
                words: words(*key, fit),
                decimals: decimals(estimate.value),
                estimate,
            });
        }
    }
    list
}

fn time_constants(fit: &CoolingFit) -> impl Iterator<Item = Parameter> {
    let assumed = fit.learned(Key::SlowTime).unwrap_or(1.0) > UNLEARNED;
    let all = fit.time_constants_s().into_iter().enumerate();
    all.map(move |(i, tau)| Parameter {
        name: format!("time constant {} at full fan, s", i + 1),
        words: format!("time constant {} at full fan speed, s", i + 1),
        estimate: Estimate {
            basis: if assumed {
                Basis::Assumed
            } else {
                Basis::Measured
            },
            ..tau
        },
        decimals: 1,
    })
}

/// A parameter in words, with its unit.
fn words(key: Key, fit: &CoolingFit) -> String {
    let work = |place: usize| {
        let workload = fit.evidence.workloads.get(place);
        workload.map_or("the work", |w| w.name.as_str())
    };
    match key {
        Key::Demand(w) => format!("watts that {} draws with no limit, W", work(w)),
        Key::Exponent(w) => format!("exponent of work against watts, {}", work(w)),
        Key::Curvature(w) => format!("curvature of work against watts, {}", work(w)),
        Key::HotSpot(w) => format!("heat at one spot against the first work, {}", work(w)),
        Key::Rate(w) => format!("work at the reference, {}", work(w)),
        Key::Clock(kind) => format!("clock at the reference, core kind {}, MHz", kind + 1),
        Key::ClockExponent(kind) => format!("exponent of clock, core kind {}", kind + 1),
        Key::Room(run) => {
            let run = fit.evidence.runs.get(run);
            format!("room of {}, °C", run.map_or("a run", |r| r.name.as_str()))
        }
        other => plain_words(other).to_owned(),
    }
}

/// Those that belong to the machine as a whole.
const fn plain_words(key: Key) -> &'static str {
    match key {
        Key::RiseAtStock => "rise over the intake at stock watts and full fan, K",
        Key::DieShare => "share of die, paste and base in the resistance",
        Key::NaturalShare => "conductance with the fan stopped, share of that at full fan",
        Key::FanExponent => "exponent of the conductance against fan speed",
        Key::CaseOffset => "air at the cooler over the room, K",
        Key::IntakeWarming => "warming of that air by the package's own heat, K/W",
        Key::IntakeTime => "how slowly it follows, s",
        Key::SlowTime => "heat held by base and fins against the usual, factor",
        Key::FastTime => "heat held by die and lid against the usual, factor",
        Key::Discrepancy(_) => "error of the model of resistance",
        Key::DiscrepancyScale => "size of that error for each factor e",
        Key::HotSpotSlope => "growth of the die's resistance up to full demand",
        Key::ErrorScale(part) => match part.kind {
            ErrorKind::Power => "size of the watts' errors against the usual, factor",
            ErrorKind::Temperature => "size of the temperatures' errors against the usual, factor",
            ErrorKind::FanSpeed => "size of the fan speeds' errors against the usual, factor",
            ErrorKind::Level => "size of the levels' errors against the usual, factor",
            ErrorKind::Clock => "size of the clocks' errors against the usual, factor",
            ErrorKind::Score => "size of the scores' errors against the usual, factor",
            ErrorKind::BoostLength => "size of the boosts' errors against the usual, factor",
        },
        Key::BaseShare => "share of the demand that does no work",
        Key::LeakShare => "share of leakage in the demand",
        Key::LimitOffset => "temperature held over the temperature limit, K",
        Key::PowerRatio => "power held over the power limit, factor",
        Key::TauRatio => "averaging window over the one set, factor",
        Key::UnknownTau => "averaging window where none was noted, s",
        Key::IdlePower => "power before the load, W",
        Key::FanStart => "temperature at which the fan leaves its floor, °C",
        Key::FanWidth => "from there to full speed, K",
        Key::FanFloor => "fan floor, share of full speed",
        Key::FanHysteresis => "how far the temperature falls before the fan follows, K",
        Key::FanSmoothing => "smoothing of what the fan follows, s",
        Key::FanPiece(_) => "climb of the fan curve in a piece",
        Key::FanFull => "full fan speed, rpm",
        Key::SoundFull => "level at full fan speed, dB(A)",
        Key::SoundSlope => "rise of the level per tenfold speed, dB",
        Key::BackgroundOffset => "background over the one noted, dB",
        Key::Demand(_)
        | Key::Rate(_)
        | Key::Exponent(_)
        | Key::Curvature(_)
        | Key::HotSpot(_)
        | Key::Clock(_)
        | Key::ClockExponent(_)
        | Key::Room(_) => "",
    }
}

/// What is not known, in words: the name of a parameter, and what it is of.
pub fn open_words(parameter: &str) -> String {
    let (head, of) = match parameter.split_once(" of ") {
        Some((head, of)) => (head, Some(of)),
        None => (parameter, None),
    };
    let head = match head {
        "power_w" => "watts",
        "room_c" => "room",
        "fan_curve" => "fan curve",
        "fan_exponent and fixed resistance (tied)" => {
            "exponent of the fan and fixed resistance, which are tied"
        }
        "time_constants_s" => "time constants",
        "limit_offset_k" => "temperature held over the temperature limit",
        "demand_w" => "watts drawn with no limit",
        "tau_s" => "averaging window (tau)",
        "level_dba" => "sound level",
        "k_db_per_decade" => "rise of the level with fan speed",
        "work_exponent" => "how work grows with watts",
        other => other,
    };
    of.map_or_else(|| head.to_owned(), |of| format!("{head}, {of}"))
}

fn decimals(value: f64) -> usize {
    if value.abs() >= 100.0 {
        0
    } else if value.abs() >= 10.0 {
        1
    } else {
        3
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_not_touched_by_words() {
        assert_eq!(
            open_words("demand_w of tau_s of x"),
            "watts drawn with no limit, tau_s of x"
        );
        assert_eq!(open_words("fan speed above 52 °C"), "fan speed above 52 °C");
    }
}
