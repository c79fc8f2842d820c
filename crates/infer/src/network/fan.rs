//! What a fan that moved during the log did to the cooling.

use settlepoint_domain::{Finding, Severity};

use super::NetworkInput;

/// Exponents tried of the resistance against fan speed. Handbook correlations for forced
/// convection run from 0.3 to 0.6 for the air side alone (laminar fins to rough channels); the
/// part of the resistance that no fan changes lowers what is seen as a whole.
const EXPONENTS: [f64; 4] = [0.15, 0.3, 0.45, 0.6];
/// A fan that moved by less than this factor changes the conductance by less than a tenth.
const MOVED: f64 = 1.2;
/// A stopped fan still leaves natural convection: about what a tenth of the usual speed does.
const LEAST_SHARE: f64 = 0.1;

/// All resistances scale as (reference speed / speed)^exponent, the change taken at once.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FanLaw {
    /// Exponent of the resistance, 0 to 1.
    pub exponent: f64,
    /// Median speed of the rows fitted, to which the K/W refers, rpm.
    pub reference_rpm: f64,
}

impl FanLaw {
    /// Resistance at a speed over that at the reference; 1 where the speed is missing.
    pub fn factor(&self, speed_rpm: f64) -> f64 {
        let share = (speed_rpm / self.reference_rpm).max(LEAST_SHARE);
        if share.is_nan() {
            1.0
        } else {
            share.powf(-self.exponent)
        }
    }
}

/// Slowest, median and fastest speed up to a time, where the fan moved.
fn moved(input: &NetworkInput, until_s: f64) -> Option<[f64; 3]> {
    let mut speeds: Vec<f64> = input
        .fan_speed_rpm
        .as_ref()?
        .iter()
        .zip(&input.time_s)
        .filter(|(speed, t)| !speed.is_nan() && **t <= until_s)
        .map(|(speed, _)| *speed)
        .collect();
    speeds.sort_by(f64::total_cmp);
    let (lo, hi) = (*speeds.first()?, *speeds.last()?);
    let middle = speeds[speeds.len() / 2];
    (hi > MOVED * lo && middle > 0.0).then_some([lo, middle, hi])
}

/// The laws to choose from: none, and where the fan moved one an exponent.
pub(super) fn laws(input: &NetworkInput, until_s: f64) -> Vec<Option<FanLaw>> {
    let mut laws = vec![None];
    if let Some([_, reference_rpm, _]) = moved(input, until_s) {
        laws.extend(EXPONENTS.map(|exponent| {
            Some(FanLaw {
                exponent,
                reference_rpm,
            })
        }));
    }
    laws
}

/// Says that the fan moved and what the K/W then means.
pub(super) fn finding(input: &NetworkInput, until_s: f64, law: Option<FanLaw>) -> Option<Finding> {
    let [lo, _, hi] = moved(input, until_s)?;
    let meaning = match law {
        Some(law) => format!(
            "the K/W is at {:.0} rpm and goes as speed to the power of {:.2}",
            law.reference_rpm, -law.exponent
        ),
        None => "the K/W is a mean over these speeds".to_owned(),
    };
    Some(Finding {
        rule: "fan_moved",
        severity: Severity::Note,
        run: None,
        evidence: format!("the fan ran at {lo:.0} to {hi:.0} rpm in the rows fitted; {meaning}"),
        remedy: "fix the fan for a K/W of its own, or fit several runs together".to_owned(),
    })
}
