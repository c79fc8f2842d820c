//! The thermal response that a fit implies, in the forms that people read.

use settlepoint_domain::Estimate;
use settlepoint_model::{Cauer, Foster};

use crate::fit::CoolingFit;
use crate::layout::Key;

impl CoolingFit {
    /// The ladder of a vector of parameters at full fan speed, in Foster form: stages in the order
    /// of their time constants, shortest first (JESD51-14 speaks of the same two forms).
    ///
    /// `None` where the parameters make no ladder, which no draw of the posterior does.
    pub fn foster(&self, z: &[f64]) -> Option<Foster> {
        let cooling = self.layout.machine(z, 0).cooling;
        let to_air = 1.0 / cooling.conductance_w_per_k(1.0, cooling.reference_density_kg_m3);
        let capacities: Vec<f64> = cooling.nodes.iter().map(|n| n.capacity_j_per_k).collect();
        let mut resistances: Vec<f64> =
            cooling.nodes.iter().map(|n| n.resistance_k_per_w).collect();
        if let Some(last) = resistances.last_mut() {
            *last = to_air;
        }
        Cauer::new(&resistances, &capacities)
            .ok()
            .map(|ladder| ladder.to_foster())
    }

    /// Resistance from package to air at full fan speed, K/W.
    pub fn resistance_k_per_w(&self) -> Estimate {
        self.derive(|z| {
            self.layout.value(z, Key::RiseAtStock).unwrap_or(f64::NAN) / self.layout.stock_w
        })
    }

    /// Foster time constants at full fan speed, s, shortest first.
    pub fn time_constants_s(&self) -> Vec<Estimate> {
        let of = |z: &[f64]| {
            self.foster(z)
                .map(|f| f.time_constants_s().to_vec())
                .unwrap_or_default()
        };
        (0..of(&self.z).len())
            .map(|i| self.derive(|z| of(z).get(i).copied().unwrap_or(f64::NAN)))
            .collect()
    }
}
