//! Measured logs: the project's own, and those beside the project that may not be shipped.

#![expect(
    clippy::print_stdout,
    reason = "says how many files were found and what was measured"
)]

mod common;

use std::path::Path;

use PhaseKind::{CoolDown, Idle, Sustained};
use common::{channel, log};
use settlepoint_domain::{PhaseKind, Role, SensorLog, Unit};
use settlepoint_phases::{Options, Review, analyse};

fn rows_of(text: &str, header_lines: usize, columns: usize) -> Vec<Vec<f64>> {
    text.lines()
        .skip(header_lines)
        .map(|l| {
            l.split(',')
                .map(|c| c.trim().parse().unwrap_or(f64::NAN))
                .collect::<Vec<f64>>()
        })
        .filter(|r| r.len() >= columns)
        .collect()
}

fn column(rows: &[Vec<f64>], index: usize) -> Vec<f64> {
    rows.iter().map(|r| r[index]).collect()
}

fn beside(name: &str) -> Option<String> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../../shared/data/real")
        .join(name);
    let text = std::fs::read_to_string(path).ok();
    println!("{name}: {} file found", usize::from(text.is_some()));
    text
}

fn show(review: &Review) {
    for p in &review.phases {
        println!(
            "{:>12} {:8.1} {:8.1} P {:?} T {:?} plateau {:?}",
            p.kind.token(),
            p.start_s,
            p.end_s,
            p.power_w
                .map(|e| (e.value.round(), (e.width() * 10.0).round() / 10.0)),
            p.package_c.map(|e| (e.value * 10.0).round() / 10.0),
            p.plateau
                .map(|p| (p.settled, p.temp_c.lo, p.temp_c.value, p.temp_c.hi))
        );
    }
    for f in &review.findings {
        println!("{} {}: {}", f.severity.token(), f.rule, f.evidence);
    }
}

fn accelerator() -> SensorLog {
    let text = include_str!("../../infer/tests/data/accelerator-steps.csv");
    let rows = rows_of(text, 1, 9);
    let start_s = rows[0][0];
    log(
        rows.iter().map(|r| r[0] - start_s).collect(),
        vec![
            channel(Role::Power, Unit::Watt, 0.001, column(&rows, 3)),
            channel(Role::Temperature, Unit::Celsius, 1.0, column(&rows, 1)),
            channel(Role::Clock, Unit::Megahertz, 15.0, column(&rows, 4)),
            channel(Role::Limit, Unit::Watt, 100.0, column(&rows, 5)),
            channel(Role::Throttle, Unit::None, 4.0, column(&rows, 6)),
        ],
    )
}

#[test]
fn the_accelerators_steps_are_found_with_their_plateaus() {
    let review = analyse(&accelerator(), &Options::default());
    show(&review);
    let kinds: Vec<PhaseKind> = review.phases.iter().map(|p| p.kind).collect();
    assert_eq!(
        kinds,
        [
            Idle, Sustained, CoolDown, Idle, Sustained, Sustained, CoolDown, Idle
        ]
    );
    // Means of the last 20 s of each part, from the log's index: °C at W. The tail read here may
    // be longer than 20 s and hold some of the slow rise: half a degree, half the reading's step.
    for (phase, temp_c, power_w) in [
        (1, 65.9, 698.0),
        (4, 56.7, 532.0),
        (5, 46.6, 330.0),
        (7, 35.0, 118.0),
    ] {
        let phase = &review.phases[phase];
        let plateau = phase.plateau.unwrap();
        assert!((plateau.temp_c.value - temp_c).abs() <= 0.5, "{plateau:?}");
        // The phase's mean covers the whole part; the pulsing load makes it good to 2 %.
        let mean_w = phase.power_w.unwrap().value;
        assert!((mean_w / power_w - 1.0).abs() < 0.02, "{mean_w}");
    }
    // The parts' lengths as run: idle 40 s, full 190, idle 70, half 110, quarter 60, idle 80.
    for (phase, start_s) in [(1, 40.0), (2, 230.0), (4, 300.0), (5, 410.0), (6, 470.0)] {
        let found_s = review.phases[phase].start_s;
        assert!((found_s - start_s).abs() <= 1.5, "{found_s} for {start_s}");
    }
    assert!(review.findings.iter().any(|f| f.rule == "aliased"));
    assert!(review.findings.iter().any(|f| f.rule == "room_not_logged"));
    assert!(!review.findings.iter().any(|f| f.rule == "throttled"));
}

#[test]
fn a_board_that_throttles_is_held_by_temperature() {
    let Some(text) = beside("sbc-pi4-load-step-throttle.csv") else {
        return;
    };
    let rows = rows_of(&text, 2, 4);
    let review = analyse(
        &log(
            column(&rows, 0),
            vec![
                channel(Role::Temperature, Unit::Celsius, 1.0, column(&rows, 1)),
                channel(Role::Clock, Unit::Megahertz, 100.0, column(&rows, 2)),
                channel(Role::Throttle, Unit::None, 1.0, column(&rows, 3)),
            ],
        ),
        &Options::default(),
    );
    show(&review);
    let held = review
        .phases
        .iter()
        .find(|p| p.kind == PhaseKind::TempLimited)
        .unwrap();
    // First flag at row 398, load ends at 661, plateau 81.0 °C according to the index.
    assert!((held.start_s - 398.0).abs() < 3.0);
    assert!((held.plateau.unwrap().temp_c.value - 81.0).abs() < 0.5);
    assert!(review.findings.iter().any(|f| f.rule == "throttled"));
}

#[test]
fn every_burst_of_a_sweep_is_a_phase_of_its_own() {
    let Some(text) = beside("apu-power-limit-sweep-15-55w.csv") else {
        return;
    };
    let rows: Vec<Vec<f64>> = text
        .lines()
        .skip(1)
        .map(|l| {
            let clock = &l[11..23];
            let part = |r: std::ops::Range<usize>| clock[r].parse::<f64>().unwrap();
            let t = 3600.0 * part(0..2) + 60.0 * part(3..5) + part(6..12);
            let rest = l.split(',').skip(1).map(|c| c.trim().parse().unwrap());
            std::iter::once(t).chain(rest).collect()
        })
        .collect();
    let start_s = rows[0][0];
    let review = analyse(
        &log(
            rows.iter().map(|r| r[0] - start_s).collect(),
            vec![
                channel(Role::Power, Unit::Watt, 0.001, column(&rows, 1)),
                channel(Role::Temperature, Unit::Celsius, 0.01, column(&rows, 2)),
                channel(Role::FanSpeed, Unit::Rpm, 1.0, column(&rows, 3)),
                channel(Role::Room, Unit::Celsius, 0.1, column(&rows, 4)),
                channel(Role::Limit, Unit::Watt, 1.0, column(&rows, 5)),
            ],
        ),
        &Options::default(),
    );
    show(&review);
    assert_eq!(review.phases.len(), 41);
    assert!(review.phases.iter().all(|p| p.kind == Sustained));
    assert!(review.findings.iter().any(|f| f.rule == "gap_in_load"));
}

fn of_temperature_and_use(text: &str, temperature: usize, load: usize) -> Review {
    let rows = rows_of(text, 1, 4);
    let share = column(&rows, load).iter().map(|v| v / 100.0).collect();
    let log = log(
        column(&rows, 0),
        vec![
            channel(
                Role::Temperature,
                Unit::Celsius,
                0.5,
                column(&rows, temperature),
            ),
            channel(Role::Load, Unit::Share, 0.001, share),
        ],
    );
    let began = std::time::Instant::now();
    let review = analyse(&log, &Options::default());
    println!("{} rows in {:?}", rows.len(), began.elapsed());
    show(&review);
    review
}

#[test]
fn six_hours_of_use_are_four_phases() {
    let Some(text) = beside("sbc-pi4-six-hour-load.csv") else {
        return;
    };
    let review = of_temperature_and_use(&text, 2, 1);
    let kinds: Vec<PhaseKind> = review.phases.iter().map(|p| p.kind).collect();
    assert_eq!(kinds, [Idle, Sustained, CoolDown, Idle]);
    // Load on at 266, off at 15427, plateau 69.3 °C (sd 0.7), from the index.
    assert!((review.phases[1].start_s - 266.0).abs() <= 2.0);
    assert!((review.phases[2].start_s - 15427.0).abs() <= 2.0);
    assert!((review.phases[1].plateau.unwrap().temp_c.value - 69.3).abs() < 0.5);
}

#[test]
fn swings_by_a_fan_that_was_not_logged_are_found_in_the_temperature() {
    let Some(text) = beside("sbc-pi4-fan-on-off-5-cycles.csv") else {
        return;
    };
    let review = of_temperature_and_use(&text, 2, 3);
    let falls: Vec<f64> = review
        .phases
        .iter()
        .filter(|p| p.kind == CoolDown)
        .map(|p| p.start_s)
        .collect();
    // Fan full on at these times, from the index; a fall of 3 K takes some 15 s.
    for on_s in [5368.0, 16145.0, 27035.0, 37925.0, 48815.0] {
        assert!(
            falls.iter().any(|f| (f - on_s).abs() < 30.0),
            "{on_s} in {falls:?}"
        );
    }
}

#[test]
fn years_of_hourly_means_are_reviewed_at_once() {
    let Some(text) = beside("gpu-node-hourly-power-temp.txt") else {
        return;
    };
    // Newest row first; name, stamp, power (mean, least, most), temperature (mean, ...).
    let mut rows: Vec<(f64, f64)> = text
        .lines()
        .filter_map(|l| {
            let cells: Vec<&str> = l.split('\t').collect();
            Some((
                cells.get(2)?.trim().parse().ok()?,
                cells.get(5)?.trim().parse().ok()?,
            ))
        })
        .collect();
    rows.reverse();
    assert!(rows.len() > 23_000, "{}", rows.len());
    let time_s: Vec<f64> = (0..rows.len()).map(|i| 3600.0 * i as f64).collect();
    let log = log(
        time_s,
        vec![
            channel(
                Role::Power,
                Unit::Watt,
                0.0,
                rows.iter().map(|r| r.0).collect(),
            ),
            channel(
                Role::Temperature,
                Unit::Celsius,
                0.0,
                rows.iter().map(|r| r.1).collect(),
            ),
        ],
    );
    let began = std::time::Instant::now();
    let review = analyse(&log, &Options::default());
    let took = began.elapsed();
    println!(
        "{} rows, {} phases in {took:?}",
        rows.len(),
        review.phases.len()
    );
    assert!(took.as_secs_f64() < 2.0);
    assert!(
        review
            .findings
            .iter()
            .any(|f| f.rule == "sampling_too_slow")
    );
    let not_settled = review
        .findings
        .iter()
        .filter(|f| f.rule == "not_settled")
        .count();
    // The five longest and a count of the others.
    assert!(not_settled <= 6, "{not_settled}");
}
