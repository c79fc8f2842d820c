//! The thermal network of one log, open loop: temperature from measured power.
//!
//! `T(t) = reference + sum of stages`, each stage a first-order response (resistance, time
//! constant) to power that is constant within each sample interval, exact over irregular steps.
//! Positive resistances make the sum a driving-point impedance that a ladder realises; a sensor
//! away from the heated node adds one lag in series. Time constants are found by variable
//! projection, the number of stages by prediction of stretches held out, and intervals allow for
//! correlated residuals, rounding and the model's own error.
//!
//! ```
//! use settlepoint_domain::Averaging;
//! use settlepoint_infer::network::{NetworkInput, Options, fit};
//!
//! // 0.5 K/W and 20 s, 25 °C: idle, load, idle.
//! let time_s: Vec<f64> = (0..300).map(f64::from).collect();
//! let power_w: Vec<f64> =
//!     (0..300).map(|i| if (60..200).contains(&i) { 80.0 } else { 10.0 }).collect();
//! let mut rise_k = 5.0;
//! let temp_c = power_w
//!     .iter()
//!     .map(|p| {
//!         rise_k += (1.0 - (-1.0_f64 / 20.0).exp()) * (0.5 * p - rise_k);
//!         25.0 + (10.0 * rise_k).round() / 10.0
//!     })
//!     .collect();
//! let input = NetworkInput {
//!     time_s, power_w, averaging: Averaging::Mean, temp_c, room_c: None,
//!     fan_speed_rpm: None, resolution_k: 0.1,
//! };
//! let network = fit(&input, &Options::default())?;
//! let total = network.resistance_k_per_w.estimate().expect("a step determines it");
//! assert!((total.value - 0.5).abs() < 0.005);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod basis;
mod cauer;
mod error;
mod fan;
mod fit;
mod input;
mod noise;
mod predict;
mod select;
mod separable;
mod still;

pub use cauer::{LadderStep, ladder_of_stages};
pub use error::NetworkError;
pub use fan::FanLaw;
pub use fit::{NetworkFit, Stage, fit};
pub use input::NetworkInput;
pub use noise::Noise;
pub use predict::{HeldOut, Predicted};
pub use separable::Stop;

/// How to fit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Options {
    /// Rows later than this are not fitted, s.
    pub fit_until_s: f64,
    /// Most stages that the choice may take, 1 to 4.
    pub max_nodes: usize,
    /// Take this many stages instead of choosing.
    pub nodes: Option<usize>,
    /// Whether the choice may give the sensor a lag of its own.
    pub sensor_lag: bool,
    /// The model's own error as a share of the temperature rise (standard deviation). 1.5 % by
    /// default: the middle of the 1 to 2 % that repeated load steps on one heat sink differ by;
    /// judgement, no published source.
    pub discrepancy_share: f64,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            fit_until_s: f64::INFINITY,
            max_nodes: 4,
            nodes: None,
            sensor_lag: true,
            discrepancy_share: 0.015,
        }
    }
}

impl NetworkFit {
    /// Number of stages.
    pub fn nodes(&self) -> usize {
        self.stages.len()
    }

    /// The same network as a ladder, heated node first; `None` if stages are too alike.
    pub fn ladder(&self) -> Option<Vec<LadderStep>> {
        let stages: Vec<(f64, f64)> = self
            .solution
            .beta
            .iter()
            .zip(&self.solution.ln_tau)
            .take(self.nodes())
            .map(|(r, l)| (*r, l.exp()))
            .collect();
        ladder_of_stages(&stages)
    }
}
