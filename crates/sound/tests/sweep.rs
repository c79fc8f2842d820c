//! A sweep made here: a fan whose noise goes with 52 dB per decade of speed in a room with a steady
//! background, stepped through nine speeds, with a resonance at one of them and a door on the way.

#![expect(
    clippy::unwrap_used,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the tests' own sounds are short"
)]

mod support;

use std::sync::LazyLock;

use settlepoint_sound::analysis::{Options, analyse};
use settlepoint_sound::calibration::{Calibration, Reference};
use settlepoint_sound::speed::Background;
use settlepoint_sound::sweep::{SpeedLog, Sweep, SweepOptions, sweep};
use settlepoint_sound::tones::Origin;
use support::{Coding, brown, noise, open, wav};

const RATE_HZ: f64 = 48_000.0;
const STEP_S: f64 = 8.0;
const SPEEDS_RPM: [f64; 9] = [
    0.0, 500.0, 650.0, 800.0, 950.0, 1100.0, 1250.0, 1400.0, 1600.0,
];
/// Speed at which something rings, and where, Hz.
const RINGS_RPM: f64 = 1100.0;
const RINGS_HZ: f64 = 613.0;
const SLOPE: f64 = 52.0;
/// The log begins this long before the recording, s.
const LOG_EARLIER_S: f64 = 11.0;

fn gain(rpm: f64) -> f64 {
    if rpm > 0.0 {
        10.0_f64.powf(SLOPE * (rpm / 1600.0).log10() / 20.0)
    } else {
        0.0
    }
}

/// `blades` is the amplitude of the blades' tone at full speed. The A weighting of that tone changes with
/// its frequency, so that a strong one is no test of the slope.
fn recording(blades: f64) -> Vec<f64> {
    let length_s = STEP_S * SPEEDS_RPM.len() as f64;
    let mut x = brown(RATE_HZ, length_s, 500.0, -66.0, 2);
    let fan = brown(RATE_HZ, length_s, 500.0, -40.0, 1);
    let (mut turns, mut ring) = (0.0_f64, 0.0_f64);
    for (i, x) in x.iter_mut().enumerate() {
        let rpm = SPEEDS_RPM[(i as f64 / RATE_HZ / STEP_S) as usize];
        turns += rpm / 60.0 / RATE_HZ;
        ring += RINGS_HZ / RATE_HZ;
        let tone = blades * (std::f64::consts::TAU * 7.0 * turns).sin();
        *x += gain(rpm) * (fan[i] + tone);
        if rpm == RINGS_RPM {
            *x += 0.009 * (std::f64::consts::TAU * ring).sin();
        }
    }
    // A door in the third step.
    let at = (2.5 * STEP_S * RATE_HZ) as usize;
    for (i, d) in noise(RATE_HZ, 0.5, -12.0, 9).into_iter().enumerate() {
        x[at + i] += d * (-(i as f64) / (0.05 * RATE_HZ)).exp();
    }
    x
}

fn log() -> SpeedLog {
    let rows = (0..100).map(|t| {
        let t = f64::from(t);
        let step = ((t - LOG_EARLIER_S).max(0.0) / STEP_S) as usize;
        (t, SPEEDS_RPM[step.min(SPEEDS_RPM.len() - 1)])
    });
    SpeedLog::new(rows).unwrap()
}

fn calibration() -> Calibration {
    Calibration {
        offset_db: 80.0,
        sd_db: 0.5,
        reference: Reference::Reading { level_db: 40.0 },
    }
}

fn swept(blades: f64, options: &SweepOptions) -> Sweep {
    let mut file = open(wav(48_000, &[recording(blades)], Coding::I24));
    let recording = Options {
        calibration: Some(calibration()),
        ..Options::default()
    };
    sweep(
        &mut file,
        &log(),
        &SweepOptions {
            recording,
            ..options.clone()
        },
    )
    .unwrap()
}

/// The sweep without a strong tone, evaluated once for several tests.
static PLAIN: LazyLock<Sweep> = LazyLock::new(|| swept(0.0, &SweepOptions::default()));

#[test]
fn a_sweep_gives_the_sound_model_back() {
    let found = &*PLAIN;
    assert!(found.aligned);
    // The log has a row a second.
    assert!(
        (found.start_s - LOG_EARLIER_S).abs() < 1.0,
        "{}",
        found.start_s
    );
    let speeds: Vec<f64> = found.steps.iter().map(|s| s.speed_rpm.round()).collect();
    assert_eq!(speeds, SPEEDS_RPM);
    let slope = found.fit.slope_db_per_decade;
    assert!(slope.lo <= SLOPE && SLOPE <= slope.hi, "{slope:?}");
    // 0.1 dB of noise at each speed over half a decade.
    assert!((slope.value - SLOPE).abs() < 1.5, "{slope:?}");
    // The fan alone at full speed and the room alone, each measured by itself.
    let alone = |x: Vec<f64>| {
        let options = Options {
            calibration: Some(calibration()),
            ..Options::default()
        };
        analyse(&mut open(wav(48_000, &[x], Coding::I24)), &options)
            .unwrap()
            .levels
            .laeq_db
    };
    let room_db = alone(brown(RATE_HZ, 30.0, 500.0, -66.0, 2));
    assert!((found.fit.background_db.value - room_db).abs() < 0.3);
    let full_db = alone(brown(RATE_HZ, 30.0, 500.0, -40.0, 1));
    assert!((found.fit.full_speed_db.value - full_db).abs() < 0.3);
    // 10 dB below the room: lg (n / 1600) = (room - 10 - full) / slope.
    let vanish_rpm = 1600.0 * 10.0_f64.powf((room_db - 10.0 - full_db) / SLOPE);
    let vanish = found.fit.vanish_rpm;
    assert!(
        vanish.lo <= vanish_rpm && vanish_rpm <= vanish.hi,
        "{vanish:?} {vanish_rpm}"
    );
    let louder = found.steps.windows(2).filter(|w| w[0].speed_rpm > 0.0);
    for pair in louder {
        assert!(pair[1].loudness_sone.unwrap() > 0.0);
    }
}

#[test]
fn the_resonance_is_found_and_no_other() {
    let found = swept(
        0.03,
        &SweepOptions {
            blades: Some(7),
            ..SweepOptions::default()
        },
    );
    assert_eq!(found.resonances.len(), 1, "{:?}", found.resonances);
    let there = found.resonances[0];
    assert!(there.from_rpm < RINGS_RPM && RINGS_RPM < there.to_rpm);
    assert!((there.tone_hz.unwrap() - RINGS_HZ).abs() < 1.5);
    // The tone of the blades is put down to them.
    let fast = found.steps.last().unwrap();
    let blades = fast
        .tones
        .iter()
        .find(|t| t.1 == Origin::Turns { order: 7 });
    assert!((blades.unwrap().0.hz - 7.0 * 1600.0 / 60.0).abs() < 1.0);
}

#[test]
fn steps_are_no_events_but_a_door_is() {
    let found = &*PLAIN;
    let events = &found.watched.events;
    assert_eq!(events.len(), 1, "{events:?}");
    assert!((events[0].start_s - 2.5 * STEP_S).abs() < 0.3);
    assert!(!found.relative);
}

#[test]
fn what_stands_at_the_floor_is_censored() {
    let free = &*PLAIN;
    let floor_db = free.steps[2].level_db;
    let censored = swept(
        0.0,
        &SweepOptions {
            floor_db: Some(floor_db),
            background: Some(Background {
                level_db: free.fit.background_db.value,
                sd_db: 0.3,
                at_floor: false,
            }),
            ..SweepOptions::default()
        },
    );
    assert!(censored.fit.censored >= 3);
    let slope = censored.fit.slope_db_per_decade;
    assert!(slope.lo <= SLOPE && SLOPE <= slope.hi, "{slope:?}");
}

#[test]
fn a_log_of_another_time_is_refused() {
    let mut file = open(wav(48_000, &[recording(0.0)], Coding::I24));
    let options = SweepOptions {
        start_s: Some(5000.0),
        ..SweepOptions::default()
    };
    let error = sweep(&mut file, &log(), &options).unwrap_err();
    assert!(error.to_string().contains("share at least two speeds"));
}
