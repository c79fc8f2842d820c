//! Logs built by hand.

#![expect(
    clippy::unwrap_used,
    reason = "a log that cannot be built must fail the check"
)]
#![allow(dead_code, reason = "each test file uses its own part")]

use settlepoint_domain::{Averaging, Channel, Role, SensorLog, Unit};

pub(crate) fn channel(role: Role, unit: Unit, resolution: f64, values: Vec<f64>) -> Channel {
    Channel {
        role,
        column: role.token().to_owned(),
        column_number: 1,
        unit,
        part: "package".to_owned(),
        reason: "test".to_owned(),
        resolution: (resolution > 0.0).then_some(resolution),
        averaging: Averaging::Instant,
        values,
    }
}

pub(crate) fn log(time_s: Vec<f64>, channels: Vec<Channel>) -> SensorLog {
    SensorLog::new(None, time_s, true, channels).unwrap()
}

/// Power, °C at 25 °C room of one stage of `k_per_w` and `tau_s`, exact for constant power.
pub(crate) fn heated(time_s: &[f64], power_w: &[f64], k_per_w: f64, tau_s: f64) -> Vec<f64> {
    let mut rise_k = k_per_w * power_w[0];
    let mut last_s = time_s[0];
    time_s
        .iter()
        .zip(power_w)
        .map(|(&t, &p)| {
            rise_k += (1.0 - (-(t - last_s) / tau_s).exp()) * (k_per_w * p - rise_k);
            last_s = t;
            25.0 + rise_k
        })
        .collect()
}
