//! The parameters of a fit, for tables.

use settlepoint_domain::{Basis, Estimate};
use settlepoint_infer::fit::CoolingFit;
use settlepoint_infer::layout::Key;

/// A posterior as wide as this share of its prior rests on the prior.
const UNLEARNED: f64 = 0.85;

/// One parameter.
#[derive(Clone, Debug, PartialEq)]
pub struct Parameter {
    /// Its name, with its unit.
    pub name: String,
    /// Its value.
    pub estimate: Estimate,
    /// Decimals to show.
    pub decimals: usize,
}

/// The parameters that say something to people, in the order of the models.
pub fn parameters(fit: &CoolingFit) -> Vec<Parameter> {
    let mut list = vec![Parameter {
        name: "resistance at full fan, K/W".into(),
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

fn decimals(value: f64) -> usize {
    if value.abs() >= 100.0 {
        0
    } else if value.abs() >= 10.0 {
        1
    } else {
        3
    }
}
