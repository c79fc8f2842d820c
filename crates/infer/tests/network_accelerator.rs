//! The project's own measurement of an accelerator: fitted on 300 s, the rest predicted.

#![expect(
    clippy::unwrap_used,
    reason = "a check that cannot read its data must fail"
)]

use settlepoint_domain::Averaging;
use settlepoint_infer::network::{NetworkInput, Options, fit};

const LOG: &str = include_str!("data/accelerator-steps.csv");
const FIT_UNTIL_S: f64 = 300.0;

fn accelerator() -> NetworkInput {
    let rows: Vec<Vec<f64>> = LOG
        .lines()
        .skip(1)
        .map(|line| {
            line.split(',')
                .take(4)
                .map(|cell| cell.parse().unwrap())
                .collect()
        })
        .collect();
    NetworkInput {
        time_s: rows.iter().map(|r| r[0] - rows[0][0]).collect(),
        power_w: rows.iter().map(|r| r[3]).collect(),
        averaging: Averaging::Instant,
        temp_c: rows.iter().map(|r| r[1]).collect(),
        room_c: None,
        fan_speed_rpm: None,
        resolution_k: 1.0,
    }
}

#[test]
fn the_later_steps_are_predicted_from_power_alone() {
    let input = accelerator();
    let options = Options {
        fit_until_s: FIT_UNTIL_S,
        ..Options::default()
    };
    let network = fit(&input, &options).unwrap();
    let held_out = network.held_out(&input, FIT_UNTIL_S).unwrap().unwrap();
    println!("{held_out:#?}");
    // The project's requirement for this log.
    assert!(held_out.rmse_10s_k <= 0.6, "{}", held_out.rmse_10s_k);
    assert_eq!(held_out.means_10s, 25);
    assert!(held_out.in_90_10s >= 20, "{}", held_out.in_90_10s);
    assert!(held_out.band_10s_k <= 5.0, "{}", held_out.band_10s_k);
    let beyond = |tau_s: f64| tau_s > 3.0 * FIT_UNTIL_S;
    for stage in &network.stages {
        let tau_s = stage.time_constant_s.value().unwrap_or(0.0);
        assert_eq!(stage.beyond_record, beyond(tau_s));
    }
}

#[test]
fn single_readings_of_the_pulsing_load_stay_in_their_wider_bands() {
    let input = accelerator();
    let options = Options {
        fit_until_s: FIT_UNTIL_S,
        ..Options::default()
    };
    let network = fit(&input, &options).unwrap();
    let later: Vec<bool> = network
        .predict(&input)
        .unwrap()
        .iter()
        .filter(|p| p.time_s > FIT_UNTIL_S)
        .map(|p| (p.lo_c..=p.hi_c).contains(&p.measured_c.unwrap()))
        .collect();
    let inside = later.iter().filter(|&&held| held).count() as f64 / later.len() as f64;
    println!("{inside:.3} of {} readings", later.len());
    // 90 % bands on readings in whole degrees that stay alike for seconds: 1249 rows hold no more
    // than some 60 independent ones, whose share has a standard deviation of 4 %.
    assert!(inside >= 0.82, "{inside}");
}
