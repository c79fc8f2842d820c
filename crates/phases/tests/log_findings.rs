//! Each rule on a log that has its fault and on the same log without it.

mod common;

use common::{channel, heated, log};
use settlepoint_domain::{Channel, Role, SensorLog, Unit};
use settlepoint_phases::{Options, analyse};

/// Ten minutes: idle, load, idle; one reading a second.
fn times() -> Vec<f64> {
    (0..600).map(f64::from).collect()
}

fn working(t: f64) -> bool {
    (120.0..480.0).contains(&t)
}

fn built(change: impl FnOnce(&mut Vec<Channel>)) -> SensorLog {
    let time_s = times();
    // Small regular wobbles, as sensors have.
    let wobble = |i: usize| 0.1 * f64::from(u32::try_from(i * 7 % 5).unwrap_or(0)) - 0.2;
    let power: Vec<f64> = time_s
        .iter()
        .enumerate()
        .map(|(i, &t)| wobble(i) + if working(t) { 90.0 } else { 12.0 })
        .collect();
    let temp = heated(&time_s, &power, 0.4, 15.0);
    let load: Vec<f64> = time_s
        .iter()
        .map(|&t| if working(t) { 1.0 } else { 0.03 })
        .collect();
    let clock: Vec<f64> = time_s
        .iter()
        .map(|&t| if working(t) { 4200.0 } else { 800.0 })
        .collect();
    let n = time_s.len();
    let mut channels = vec![
        channel(Role::Power, Unit::Watt, 0.1, power),
        channel(Role::Temperature, Unit::Celsius, 0.1, temp),
        channel(Role::Load, Unit::Share, 0.01, load),
        channel(Role::Clock, Unit::Megahertz, 1.0, clock),
        channel(Role::Room, Unit::Celsius, 0.1, vec![22.0; n]),
        channel(Role::Throttle, Unit::None, 1.0, vec![0.0; n]),
    ];
    change(&mut channels);
    log(time_s, channels)
}

fn rules(log: &SensorLog) -> Vec<&'static str> {
    let review = analyse(log, &Options::default());
    review.findings.iter().map(|f| f.rule).collect()
}

/// Adds to the values of a role where a condition on time holds.
fn shift(channels: &mut [Channel], role: Role, change: impl Fn(f64, f64) -> f64) {
    for c in channels.iter_mut().filter(|c| c.role == role) {
        for (t, v) in times().into_iter().zip(&mut c.values) {
            *v = change(t, *v);
        }
    }
}

#[test]
fn a_clean_log_has_no_finding() {
    assert_eq!(rules(&built(|_| {})), Vec::<&str>::new());
}

#[test]
fn a_room_that_warms_is_found() {
    let drifting = built(|c| shift(c, Role::Room, |t, v| v + 4.0 * t / 600.0));
    let review = analyse(&drifting, &Options::default());
    let found = review.findings.iter().find(|f| f.rule == "room_drift");
    let found = found.expect("4 K in ten minutes");
    assert_eq!(found.severity.token(), "warning");
    assert!(found.evidence.contains("3.6 K"), "{}", found.evidence);
    let steady = built(|c| shift(c, Role::Room, |t, v| v + 0.5 * t / 600.0));
    assert!(!rules(&steady).contains(&"room_drift"));
}

#[test]
fn work_while_idle_is_found() {
    let busy = built(|c| {
        shift(c, Role::Load, |t, v| if working(t) { v } else { v + 0.25 });
    });
    assert!(rules(&busy).contains(&"background_load"));
    let once = built(|c| shift(c, Role::Load, |t, v| if t < 3.0 { 0.5 } else { v }));
    assert!(!rules(&once).contains(&"background_load"));
}

#[test]
fn clocks_that_drop_without_heat_are_found() {
    let drops = built(|c| {
        let down = |t: f64| working(t) && t % 10.0 < 1.0;
        shift(c, Role::Clock, |t, v| if down(t) { 2400.0 } else { v });
    });
    let review = analyse(&drops, &Options::default());
    let found = review
        .findings
        .iter()
        .find(|f| f.rule == "throttled_by_other");
    let found = found.expect("a tenth of the load at 2400 MHz");
    assert!(
        found.evidence.contains("4200 to 2400 MHz"),
        "{}",
        found.evidence
    );
    let flagged = built(|c| shift(c, Role::Throttle, |t, _| f64::from(u8::from(working(t)))));
    assert!(rules(&flagged).contains(&"throttled_by_other"));
}

#[test]
fn a_room_that_nobody_measured_is_found() {
    let unknown = built(|c| c.retain(|c| c.role != Role::Room));
    assert!(rules(&unknown).contains(&"room_not_logged"));
    let given = Options { room_c: Some(22.0) };
    let review = analyse(&unknown, &given);
    assert!(review.findings.iter().all(|f| f.rule != "room_not_logged"));
}

#[test]
fn a_stuck_sensor_a_gap_and_coarse_power_are_found() {
    let stuck = built(|c| shift(c, Role::Temperature, |_, _| 40.0));
    assert!(rules(&stuck).contains(&"stuck_sensor"));
    let coarse = built(|c| {
        for power in c.iter_mut().filter(|c| c.role == Role::Power) {
            power.resolution = Some(5.0);
        }
    });
    assert!(rules(&coarse).contains(&"quantised_power"));
    let whole = built(|_| {});
    let rows: Vec<usize> = (0..600).filter(|r| !(300..360).contains(r)).collect();
    let take = |values: &[f64]| rows.iter().map(|&r| values[r]).collect::<Vec<f64>>();
    let channels = whole.channels().iter().map(|c| Channel {
        values: take(&c.values),
        ..c.clone()
    });
    let gapped = log(take(whole.time_s()), channels.collect());
    assert!(rules(&gapped).contains(&"gap_in_load"));
}
