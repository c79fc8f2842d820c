//! Whatever the log, its phases tile it and nothing panics; synthetic look-alikes of real logs.

mod common;

use common::{channel, heated, log};
use settlepoint_domain::{Averaging, Phase, PhaseKind, Role, SensorLog, Severity, Unit};
use settlepoint_phases::{Options, Review, analyse};
use settlepoint_stats::random::Random;

fn tiles(log: &SensorLog, phases: &[Phase]) {
    assert_eq!(phases[0].first_row, 0);
    assert_eq!(phases[phases.len() - 1].end_row, log.len());
    for pair in phases.windows(2) {
        assert_eq!(pair[0].end_row, pair[1].first_row);
        assert!(pair[0].end_s.total_cmp(&pair[1].start_s).is_eq());
    }
    assert!(phases.iter().all(|p| p.first_row < p.end_row));
}

fn reviewed(log: &SensorLog) -> Review {
    let review = analyse(log, &Options::default());
    tiles(log, &review.phases);
    review
}

fn has(review: &Review, rule: &str) -> bool {
    review.findings.iter().any(|f| f.rule == rule)
}

fn kinds(review: &Review) -> Vec<PhaseKind> {
    review.phases.iter().map(|p| p.kind).collect()
}

fn seconds(rows: u32, step_s: f64) -> Vec<f64> {
    (0..rows).map(|i| f64::from(i) * step_s).collect()
}

#[test]
fn poor_logs_are_reviewed_without_a_panic() {
    let roles = [
        (Role::Power, Unit::Watt),
        (Role::Energy, Unit::Joule),
        (Role::Temperature, Unit::Celsius),
        (Role::FanSpeed, Unit::Rpm),
        (Role::Clock, Unit::Megahertz),
        (Role::Load, Unit::Share),
        (Role::Throttle, Unit::None),
        (Role::Limit, Unit::Celsius),
        (Role::Room, Unit::Celsius),
    ];
    for rows in [1, 2, 3, 5, 7, 50] {
        for fill in [f64::NAN, 0.0, 40.0] {
            for step_s in [0.0, 1.0] {
                let time_s = seconds(rows, step_s);
                let values = vec![fill; time_s.len()];
                for (role, unit) in roles {
                    let one = log(
                        time_s.clone(),
                        vec![channel(role, unit, 0.0, values.clone())],
                    );
                    reviewed(&one);
                    let temperature =
                        channel(Role::Temperature, Unit::Celsius, 1.0, values.clone());
                    let two = vec![channel(role, unit, 1.0, values.clone()), temperature];
                    reviewed(&log(time_s.clone(), two));
                }
            }
            reviewed(&log(seconds(rows, 1.0), vec![]));
        }
    }
}

#[test]
fn any_noise_is_tiled() {
    for seed in 0..60 {
        let mut random = Random::from_seed(seed);
        let rows = 3 + random.index_below(900);
        let mut t = 0.0;
        let time_s: Vec<f64> = (0..rows)
            .map(|_| {
                t += random.uniform() * if random.uniform() < 0.01 { 60.0 } else { 1.0 };
                t
            })
            .collect();
        let mut level = 50.0;
        let mut walk = |missing: f64| -> Vec<f64> {
            (0..rows)
                .map(|_| {
                    level += random.normal();
                    if random.uniform() < 0.02 {
                        level = 10.0 + 90.0 * random.uniform();
                    }
                    if random.uniform() < missing {
                        f64::NAN
                    } else {
                        level
                    }
                })
                .collect()
        };
        let power = channel(Role::Power, Unit::Watt, 0.0, walk(0.05));
        let temperature = channel(Role::Temperature, Unit::Celsius, 0.0, walk(0.1));
        let fan = channel(Role::FanSpeed, Unit::Rpm, 0.0, walk(0.5));
        reviewed(&log(time_s.clone(), vec![power, temperature.clone(), fan]));
        reviewed(&log(time_s, vec![temperature]));
    }
}

/// Power of a machine with a budget: idle, boost at PL2, then PL1, then idle.
fn boosting(random: &mut Random) -> SensorLog {
    let time_s = seconds(900, 1.0);
    let power_w: Vec<f64> = time_s
        .iter()
        .map(|&t| match t {
            t if t < 60.0 => 14.0,
            t if t < 88.0 => 118.0,
            t if t < 600.0 => 88.0,
            _ => 14.0,
        } + random.normal())
        .collect();
    let temp_c: Vec<f64> = heated(&time_s, &power_w, 0.45, 25.0)
        .iter()
        .map(|t| t.round())
        .collect();
    log(
        time_s,
        vec![
            channel(Role::Power, Unit::Watt, 0.01, power_w),
            channel(Role::Temperature, Unit::Celsius, 1.0, temp_c),
        ],
    )
}

#[test]
fn a_boost_is_told_from_what_lasts() {
    let review = reviewed(&boosting(&mut Random::from_seed(1)));
    let expected = [
        PhaseKind::Idle,
        PhaseKind::Boost,
        PhaseKind::Sustained,
        PhaseKind::CoolDown,
        PhaseKind::Idle,
    ];
    assert_eq!(kinds(&review), expected);
    // The step's exact rows: a noise of 1 W hides no step of 30 W.
    assert_eq!(review.phases[1].first_row, 60);
    assert_eq!(review.phases[2].first_row, 88);
    // 25 °C + 0.45 K/W * 88 W; readings are whole degrees.
    let plateau = review.phases[2].plateau.unwrap();
    assert!(
        plateau.settled && (plateau.temp_c.value - 64.6).abs() < 0.5,
        "{plateau:?}"
    );
    // The mean's interval holds what was set, 14 W plus nothing.
    assert!(review.phases[0].power_w.unwrap().contains(14.0));
}

#[test]
fn correlated_noise_does_not_shatter_a_level() {
    for seed in 0..20 {
        let mut random = Random::from_seed(seed);
        let time_s = seconds(1200, 1.0);
        let mut slow = 0.0;
        let power_w: Vec<f64> = time_s
            .iter()
            .map(|&t| {
                // First-order noise, 2 W, 10 s.
                let phi = (-0.1_f64).exp();
                slow = phi * slow + (1.0 - phi * phi).sqrt() * 2.0 * random.normal();
                slow + if t < 100.0 { 15.0 } else { 90.0 }
            })
            .collect();
        let temp_c = heated(&time_s, &power_w, 0.4, 30.0);
        let review = reviewed(&log(
            time_s,
            vec![
                channel(Role::Power, Unit::Watt, 0.01, power_w),
                channel(Role::Temperature, Unit::Celsius, 0.1, temp_c),
            ],
        ));
        assert!(
            review.phases.len() <= 3,
            "seed {seed}: {:?}",
            kinds(&review)
        );
    }
}

#[test]
fn a_limit_on_temperature_that_holds_the_machine_is_seen() {
    let time_s = seconds(900, 1.0);
    let mut rise_k = 10.0;
    let (mut temp_c, mut clock_mhz, mut flag) = (vec![], vec![], vec![]);
    for &t in &time_s {
        let free_mhz = if (60.0..700.0).contains(&t) {
            2000.0
        } else {
            600.0
        };
        let held = 25.0 + rise_k >= 80.5 && free_mhz > 600.0;
        let mhz = if held { 1700.0 } else { free_mhz };
        rise_k += (1.0 - (-1.0_f64 / 120.0).exp()) * (0.034 * mhz - rise_k);
        temp_c.push((25.0 + rise_k).round());
        clock_mhz.push(mhz);
        flag.push(f64::from(held));
    }
    let review = reviewed(&log(
        time_s,
        vec![
            channel(Role::Temperature, Unit::Celsius, 1.0, temp_c),
            channel(Role::Clock, Unit::Megahertz, 100.0, clock_mhz),
            channel(Role::Throttle, Unit::None, 1.0, flag),
        ],
    ));
    assert!(
        kinds(&review).contains(&PhaseKind::TempLimited),
        "{:?}",
        kinds(&review)
    );
    assert!(has(&review, "throttled"));
    assert!(has(&review, "room_not_logged"));
}

#[test]
fn what_has_not_settled_says_where_it_is_heading() {
    let mut heading_right = 0;
    for seed in 0..50 {
        let mut random = Random::from_seed(seed);
        let time_s = seconds(260, 1.0);
        let power_w: Vec<f64> = time_s
            .iter()
            .map(|&t| if t < 60.0 { 10.0 } else { 90.0 })
            .collect();
        // 200 s of load, time constant 120 s: 81 % of the way.
        let temp_c: Vec<f64> = heated(&time_s, &power_w, 0.5, 120.0)
            .iter()
            .map(|t| ((t + 0.2 * random.normal()) * 10.0).round() / 10.0)
            .collect();
        let review = reviewed(&log(
            time_s,
            vec![
                channel(Role::Power, Unit::Watt, 0.01, power_w),
                channel(Role::Temperature, Unit::Celsius, 0.1, temp_c),
            ],
        ));
        assert!(has(&review, "not_settled"));
        let plateau = review.phases[1].plateau.unwrap();
        assert!(!plateau.settled);
        assert!((plateau.temp_c.value - 70.0).abs() < 4.0, "{plateau:?}");
        heading_right += usize::from(plateau.temp_c.contains(70.0));
    }
    // 90 % of 50 less 2.6 standard deviations of a binomial count (2.1).
    assert!(heading_right >= 39, "{heading_right} of 50");
}

#[test]
fn findings_name_gaps_stuck_and_pulsing_channels() {
    let mut random = Random::from_seed(5);
    let mut time_s = seconds(600, 1.0);
    for t in &mut time_s[400..] {
        *t += 120.0;
    }
    let power_w: Vec<f64> = (0..600)
        .map(|i| match i {
            i if i < 100 => 12.0,
            i if i % 2 == 0 => 110.0 + 10.0 * random.uniform(),
            _ => 55.0,
        })
        .collect();
    let stuck = vec![41.0; 600];
    let mut log_channels = vec![
        channel(Role::Power, Unit::Watt, 0.01, power_w),
        channel(Role::Temperature, Unit::Celsius, 1.0, stuck),
    ];
    let review = reviewed(&log(time_s.clone(), log_channels.clone()));
    for rule in ["gap_in_load", "stuck_sensor", "aliased", "room_not_logged"] {
        assert!(has(&review, rule), "{rule}");
    }
    assert!(
        review
            .findings
            .windows(2)
            .all(|w| w[0].severity >= w[1].severity)
    );
    // Means are what such a load needs: then nothing is aliased.
    log_channels[0].averaging = Averaging::Mean;
    log_channels.push(channel(Role::Room, Unit::Celsius, 0.1, vec![22.0; 600]));
    let review = reviewed(&log(time_s, log_channels));
    assert!(!has(&review, "aliased") && !has(&review, "room_not_logged"));
}

/// A log of power (W) and temperature (°C) once a second.
fn measured(power_w: Vec<f64>, temp_c: Vec<f64>) -> SensorLog {
    let rows = u32::try_from(power_w.len()).expect("a short log");
    log(
        seconds(rows, 1.0),
        vec![
            channel(Role::Power, Unit::Watt, 0.0, power_w),
            channel(Role::Temperature, Unit::Celsius, 0.0, temp_c),
        ],
    )
}

#[test]
fn a_constant_log_is_one_phase_that_has_settled() {
    for rows in [30, 600, 9_000] {
        for power_w in [0.0, 65.0, 0.1, 1.0 / 3.0] {
            let review = reviewed(&measured(vec![power_w; rows], vec![60.1; rows]));
            assert_eq!(review.phases.len(), 1, "{rows} rows at {power_w} W");
            let plateau = review.phases[0].plateau.expect("it stands still");
            assert!(plateau.settled && (plateau.temp_c.value - 60.1).abs() < 1e-9);
            assert!(!has(&review, "not_settled"));
        }
    }
    // Nothing but a clock that never moves, and nothing at all.
    let clock = channel(Role::Clock, Unit::Megahertz, 0.0, vec![4000.0; 600]);
    assert_eq!(
        reviewed(&log(seconds(600, 1.0), vec![clock])).phases.len(),
        1
    );
    assert_eq!(reviewed(&log(seconds(600, 1.0), vec![])).phases.len(), 1);
}

#[test]
fn one_clean_step_makes_two_phases() {
    let step = |before: f64, after: f64, at: usize| -> Vec<f64> {
        (0..1200)
            .map(|i| if i < at { before } else { after })
            .collect()
    };
    // Also a step that fewer than a hundredth of the rows show.
    for at in [5, 100, 300, 1191] {
        let up = reviewed(&measured(step(10.0, 90.0, at), step(30.0, 70.0, at)));
        let down = reviewed(&measured(step(90.0, 10.0, at), step(70.0, 30.0, at)));
        let level = reviewed(&measured(step(10.0, 90.0, at), vec![50.0; 1200]));
        for (review, expected) in [
            (&up, [PhaseKind::Idle, PhaseKind::Sustained]),
            (&down, [PhaseKind::Sustained, PhaseKind::Idle]),
            (&level, [PhaseKind::Idle, PhaseKind::Sustained]),
        ] {
            assert_eq!(kinds(review), expected, "step at {at}");
            assert_eq!(review.phases[0].end_row, at);
        }
    }
}

#[test]
fn findings_stay_readable_for_absurd_values() {
    let power_w: Vec<f64> = (0..600).map(|i| 4e299 + 1e299 * f64::from(i % 5)).collect();
    let mut power = channel(Role::Power, Unit::Watt, 1e299, power_w);
    let temp_c: Vec<f64> = (0..600)
        .map(|i| if i < 300 { 1e280 } else { 9e280 })
        .collect();
    let temperature = channel(Role::Temperature, Unit::Celsius, 1e279, temp_c);
    for averaging in [Averaging::Instant, Averaging::Mean] {
        power.averaging = averaging;
        let review = reviewed(&log(
            seconds(600, 1.0),
            vec![power.clone(), temperature.clone()],
        ));
        assert!(has(&review, "quantised_power"));
        for finding in &review.findings {
            let run = |text: &str| {
                text.split(|c: char| !c.is_ascii_digit())
                    .map(str::len)
                    .max()
            };
            assert!(run(&finding.evidence) <= Some(12), "{}", finding.evidence);
        }
    }
}

#[test]
fn few_levels_and_few_rows_are_no_coarse_meter() {
    let of = |power_w: Vec<f64>, step_w: f64| {
        let rows = u32::try_from(power_w.len()).expect("a short log");
        let power = channel(Role::Power, Unit::Watt, step_w, power_w);
        let silent = channel(
            Role::Temperature,
            Unit::Celsius,
            0.0,
            vec![f64::NAN; rows as usize],
        );
        reviewed(&log(seconds(rows, 1.0), vec![power, silent]))
    };
    let two_levels = |rows: u32| -> Vec<f64> {
        (0..rows)
            .map(|i| if i % 200 < 100 { 60.0 } else { 150.0 })
            .collect()
    };
    assert!(!has(&of(vec![10.0, 90.0], 80.0), "quantised_power"));
    assert!(!has(&of(two_levels(600), 90.0), "quantised_power"));
    let coarse = (0..600).map(|i| f64::from(10 * (i % 7))).collect();
    let review = of(coarse, 10.0);
    assert!(has(&review, "quantised_power"));
    // A temperature without any reading needs no room.
    assert!(!has(&review, "room_not_logged"));
}

#[test]
fn jumps_across_gaps_are_no_slow_sampling_and_unused_sensors_may_stand() {
    let mut time_s = seconds(600, 1.0);
    for t in &mut time_s[300..] {
        *t += 600.0;
    }
    let power_w: Vec<f64> = (0..600)
        .map(|i| if i < 300 { 20.0 } else { 90.0 })
        .collect();
    let temp_c: Vec<f64> = heated(&time_s, &power_w, 0.5, 30.0);
    let channels = vec![
        channel(Role::Power, Unit::Watt, 0.1, power_w),
        channel(Role::Temperature, Unit::Celsius, 0.1, temp_c),
        channel(Role::Temperature, Unit::Celsius, 1.0, vec![44.0; 600]),
    ];
    let review = reviewed(&log(time_s, channels));
    assert!(!has(&review, "sampling_too_slow"));
    let stuck = review.findings.iter().find(|f| f.rule == "stuck_sensor");
    assert_eq!(stuck.map(|f| f.severity), Some(Severity::Note));
}

#[test]
fn loads_that_never_settle_are_one_finding() {
    // A load on and off by a controller, far shorter than the time constant.
    let mut random = Random::from_seed(21);
    let time_s = seconds(8000, 1.0);
    let power_w: Vec<f64> = time_s
        .iter()
        .map(|t| if t % 400.0 < 200.0 { 10.0 } else { 90.0 } + 0.5 * random.normal())
        .collect();
    let temp_c: Vec<f64> = heated(&time_s, &power_w, 0.5, 600.0)
        .into_iter()
        .map(|t| t + 0.1 * random.normal())
        .collect();
    let review = reviewed(&measured(power_w, temp_c));
    let open: Vec<_> = review
        .findings
        .iter()
        .filter(|f| f.rule == "not_settled")
        .collect();
    assert_eq!(open.len(), 1);
    assert!(
        open[0].evidence.starts_with("20 of 20 loads"),
        "{}",
        open[0].evidence
    );
}

#[test]
fn an_energy_counter_stands_for_power() {
    let time_s = seconds(300, 1.0);
    let mut energy_j = 0.0;
    let total: Vec<f64> = time_s
        .iter()
        .map(|&t| {
            energy_j += if t <= 100.0 { 12.0 } else { 80.0 };
            energy_j
        })
        .collect();
    let review = reviewed(&log(
        time_s,
        vec![channel(Role::Energy, Unit::Joule, 0.0, total)],
    ));
    assert_eq!(review.phases.len(), 2);
    let mean_w = review.phases[1].power_w.unwrap();
    assert!((mean_w.value - 80.0).abs() < 1e-9);
}

#[test]
fn shifting_time_changes_nothing() {
    let original = boosting(&mut Random::from_seed(9));
    let moved: Vec<f64> = original.time_s().iter().map(|t| t + 4096.0).collect();
    let moved = log(moved, original.channels().to_vec());
    let (a, b) = (reviewed(&original), reviewed(&moved));
    assert_eq!(kinds(&a), kinds(&b));
    let rows = |r: &Review| {
        r.phases
            .iter()
            .map(|p| (p.first_row, p.end_row))
            .collect::<Vec<_>>()
    };
    assert_eq!(rows(&a), rows(&b));
}

#[test]
fn days_take_less_than_a_second() {
    let mut random = Random::from_seed(3);
    let time_s = seconds(200_000, 1.0);
    let power_w: Vec<f64> = time_s
        .iter()
        .map(|t| if (t / 3600.0) % 2.0 < 1.0 { 20.0 } else { 95.0 } + 2.0 * random.normal())
        .collect();
    let temp_c = heated(&time_s, &power_w, 0.4, 60.0);
    let long = log(
        time_s,
        vec![
            channel(Role::Power, Unit::Watt, 0.01, power_w),
            channel(Role::Temperature, Unit::Celsius, 0.1, temp_c),
        ],
    );
    let began = std::time::Instant::now();
    let review = reviewed(&long);
    let took = began.elapsed();
    println!("200 000 rows in {took:?}");
    // The promise is a second for 100 000 rows in a release build; tests are hardly optimised.
    assert!(took.as_secs_f64() < 2.0, "{took:?}");
    // 56 hours, alternating: 27 loads, each with its cooling and idle.
    let loads = review
        .phases
        .iter()
        .filter(|p| p.kind == PhaseKind::Sustained)
        .count();
    assert!((27..=28).contains(&loads), "{loads}");
}
