//! Long and odd logs.

use settlepoint_domain::Averaging;
use settlepoint_infer::network::{NetworkError, NetworkInput, Options, fit};
use settlepoint_stats::random::Random;

fn two_days() -> NetworkInput {
    let mut random = Random::from_seed(17);
    let rows = 170_000_u32;
    let time_s: Vec<f64> = (0..rows).map(f64::from).collect();
    let power_w: Vec<f64> = time_s
        .iter()
        .map(|t| if (t / 5400.0) % 2.0 < 1.0 { 20.0 } else { 90.0 } + random.normal())
        .collect();
    let mut rise_k = 9.0;
    let temp_c = power_w
        .iter()
        .map(|p| {
            rise_k += (1.0 - (-1.0_f64 / 400.0).exp()) * (0.45 * p - rise_k);
            26.0 + rise_k + 0.3 * random.normal()
        })
        .collect();
    NetworkInput {
        time_s,
        power_w,
        averaging: Averaging::Mean,
        temp_c,
        room_c: None,
        fan_speed_rpm: None,
        resolution_k: 0.0,
    }
}

#[test]
fn two_days_at_a_row_a_second_take_less_than_a_second() {
    let input = two_days();
    let began = std::time::Instant::now();
    let network = fit(&input, &Options::default()).unwrap();
    let took = began.elapsed();
    println!("{} rows in {took:?}", input.time_s.len());
    assert!(took.as_secs_f64() < 1.0, "{took:?}");
    // Two days of 31 half-cycles know the K/W and the time constant to well within 1 %.
    let total = network.resistance_k_per_w.value().unwrap();
    assert!((total / 0.45 - 1.0).abs() < 0.01, "{total}");
    println!(
        "{:?} {:?} {:?}",
        network.stages, network.noise, network.sensor_lag_s
    );
    let slowest = network
        .stages
        .last()
        .unwrap()
        .time_constant_s
        .value()
        .unwrap();
    assert!((slowest / 400.0 - 1.0).abs() < 0.03, "{slowest}");
}

#[test]
fn missing_readings_and_repeated_times_are_left_out() {
    let mut input = two_days();
    for column in [&mut input.time_s, &mut input.power_w, &mut input.temp_c] {
        column.truncate(20_000);
    }
    for i in (0..20_000).step_by(3) {
        input.temp_c[i] = f64::NAN;
    }
    for i in (0..20_000).step_by(7) {
        input.power_w[i] = f64::NAN;
    }
    for i in (1..20_000).step_by(11) {
        input.time_s[i] = input.time_s[i - 1];
    }
    let network = fit(&input, &Options::default()).unwrap();
    // A repeated time moves a second of heating to its neighbour: far below 1 % of 400 s.
    let total = network.resistance_k_per_w.value().unwrap();
    assert!((total / 0.45 - 1.0).abs() < 0.02, "{total}");
}

#[test]
fn what_cannot_be_fitted_says_why() {
    let input = |rows: usize, power_w: f64, temp_c: f64| NetworkInput {
        time_s: (0..rows).map(|i| i as f64).collect(),
        power_w: vec![power_w; rows],
        averaging: Averaging::Mean,
        temp_c: vec![temp_c; rows],
        room_c: None,
        fan_speed_rpm: None,
        resolution_k: 1.0,
    };
    let result = |i: &NetworkInput| fit(i, &Options::default()).map(|_| ());
    for rows in [0, 1, 2, 5] {
        assert!(result(&input(rows, 20.0, 40.0)).is_err());
    }
    let missing = NetworkError::Missing { channel: "power" };
    assert_eq!(result(&input(50, f64::NAN, 40.0)), Err(missing));
    let missing = NetworkError::Missing {
        channel: "temperature",
    };
    assert_eq!(result(&input(50, 20.0, f64::NAN)), Err(missing));
    let still = result(&input(200, 20.0, 40.0));
    assert!(
        matches!(still, Err(NetworkError::NotIdentified { .. })),
        "{still:?}"
    );
    let mut short = input(50, 20.0, 40.0);
    short.temp_c.pop();
    assert!(matches!(
        result(&short),
        Err(NetworkError::Length { rows: 49, .. })
    ));
    let dead = result(&input(200, 0.0, 40.0));
    assert!(
        matches!(dead, Err(NetworkError::NotIdentified { .. })),
        "{dead:?}"
    );
}
