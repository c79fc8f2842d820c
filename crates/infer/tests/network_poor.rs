//! Logs that cannot tell a thermal resistance are refused, with what to record instead.

use settlepoint_domain::Averaging;
use settlepoint_infer::network::{NetworkError, NetworkInput, Options, fit};

fn input(power_w: Vec<f64>, temp_c: Vec<f64>) -> NetworkInput {
    NetworkInput {
        time_s: (0_u32..).map(f64::from).take(power_w.len()).collect(),
        power_w,
        averaging: Averaging::Mean,
        temp_c,
        room_c: None,
        fan_speed_rpm: None,
        resolution_k: 0.0,
    }
}

fn with_room(mut input: NetworkInput, room_c: f64) -> NetworkInput {
    input.room_c = Some(vec![room_c; input.time_s.len()]);
    input
}

/// A first-order move from 40 to 60 °C at 60 s, as after a step that nobody logged.
fn rising(rows: u32) -> Vec<f64> {
    (0..rows)
        .map(|i| 60.0 - 20.0 * (-f64::from(i) / 60.0).exp())
        .collect()
}

fn step(rows: u32) -> Vec<f64> {
    (0..rows)
        .map(|i| if i < rows / 2 { 10.0 } else { 90.0 })
        .collect()
}

/// The message of a refusal for want of information.
fn refused(input: &NetworkInput) -> String {
    let error = fit(input, &Options::default()).expect_err("nothing tells the K/W");
    assert!(
        matches!(error, NetworkError::NotIdentified { .. }),
        "{error}"
    );
    let text = error.to_string();
    assert!(text.contains("it needs "), "{text}");
    text
}

const LENGTHS: [u32; 5] = [8, 20, 200, 600, 3000];

#[test]
fn constant_logs_are_refused_whatever_their_values() {
    for rows in LENGTHS {
        for (power_w, temp_c) in [(65.0, 60.0), (65.1, 60.3), (0.1, 20.7), (200.0 / 3.0, 81.0)] {
            let n = rows as usize;
            let constant = input(vec![power_w; n], vec![temp_c; n]);
            for log in [constant.clone(), with_room(constant, 22.0)] {
                let text = refused(&log);
                assert!(text.contains("so does the temperature"), "{rows}: {text}");
                assert!(text.contains("clear step"), "{text}");
            }
        }
    }
}

#[test]
fn a_step_before_the_log_began_tells_nothing_without_the_room() {
    for rows in LENGTHS {
        let text = refused(&input(vec![65.0; rows as usize], rising(rows)));
        assert!(text.contains("before the log began"), "{rows}: {text}");
        // A power that only jitters is no better.
        let jitter = (0..rows).map(|i| 65.0 + 0.1 * f64::from(i * 5 % 13 % 2));
        refused(&input(jitter.collect(), rising(rows)));
    }
}

#[test]
fn over_a_logged_room_a_rise_that_settles_tells_the_resistance() {
    for rows in [600, 3000] {
        let log = with_room(input(vec![65.0; rows as usize], rising(rows)), 22.0);
        let network = fit(&log, &Options::default()).expect("settled over a known room");
        let total = network.resistance_k_per_w.estimate().expect("it is known");
        // 38 K over the room at 65 W.
        assert!(total.contains(38.0 / 65.0), "{total:?}");
    }
    for rows in [8, 20, 40] {
        let text = refused(&with_room(
            input(vec![65.0; rows as usize], rising(rows)),
            22.0,
        ));
        assert!(text.contains("had not settled"), "{text}");
    }
}

#[test]
fn no_power_at_all_is_named() {
    for rows in LENGTHS {
        for temp_c in [rising(rows), vec![30.0; rows as usize]] {
            let idle = input(vec![0.0; rows as usize], temp_c);
            for log in [idle.clone(), with_room(idle, 22.0)] {
                assert!(refused(&log).contains("power is 0 W"));
            }
        }
    }
}

#[test]
fn a_temperature_that_never_changes_is_named() {
    for rows in LENGTHS {
        let text = refused(&input(step(rows), vec![60.3; rows as usize]));
        assert!(text.contains("temperature never changes"), "{text}");
    }
}

#[test]
fn logs_without_readings_say_which() {
    let error = |log: &NetworkInput| fit(log, &Options::default()).expect_err("no readings");
    let missing = |channel| NetworkError::Missing { channel };
    let none = || vec![f64::NAN; 50];
    assert_eq!(error(&input(none(), none())), missing("power"));
    assert_eq!(error(&input(vec![], vec![])), missing("power"));
    assert_eq!(
        error(&input(vec![10.0; 50], none())),
        missing("temperature")
    );
    let no_room = with_room(input(step(50), rising(50)), f64::NAN);
    assert_eq!(error(&no_room), missing("room"));
    let two = error(&input(vec![10.0, 20.0], vec![30.0, 40.0]));
    assert_eq!(two, NetworkError::TooShort { rows: 2, needed: 8 });
    assert!(two.to_string().ends_with("record longer or more often"));
}

#[test]
fn a_reference_that_no_room_has_is_told() {
    // 0.5 K/W over 24 °C of the part's power; at the wall there are 60 W more.
    let mut rise_k = 5.0;
    let powers = step(600);
    let temp_c: Vec<f64> = powers
        .iter()
        .map(|p| {
            rise_k += (1.0 - (-1.0_f64 / 40.0).exp()) * (0.5 * p - rise_k);
            24.0 + rise_k
        })
        .collect();
    let told = |log: &NetworkInput| {
        let network = fit(log, &Options::default()).expect("a clear step");
        network
            .findings
            .iter()
            .any(|f| f.rule == "reference_implausible")
    };
    let at_wall: Vec<f64> = powers.iter().map(|p| p + 60.0).collect();
    assert!(told(&input(at_wall, temp_c.clone())));
    assert!(!told(&input(powers, temp_c)));
}
