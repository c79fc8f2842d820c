//! What disturbs a recording is found and left out; what the recorder did to it bars absolute levels.
//! Rooms, voices, doors and gusts are made here; that the level comes out as it was without them is the
//! reference.

#![expect(
    clippy::unwrap_used,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the tests' own sounds are short"
)]

mod support;

use settlepoint_domain::Severity;
use settlepoint_sound::analysis::{Analysis, Options, analyse};
use settlepoint_sound::calibration::{Calibration, Reference};
use settlepoint_sound::events::{EventKind, watch};
use settlepoint_sound::measure::measure;
use support::{Coding, brown, mix, noise, open, sine, wav};

const RATE_HZ: f64 = 48_000.0;
const LENGTH_S: f64 = 40.0;

fn heard(x: Vec<f64>) -> Analysis {
    heard_with(x, &Options::default())
}

fn heard_with(x: Vec<f64>, options: &Options) -> Analysis {
    analyse(&mut open(wav(48_000, &[x], Coding::I24)), options).unwrap()
}

/// A fan in a room: noise that falls above 300 Hz.
fn room() -> Vec<f64> {
    brown(RATE_HZ, LENGTH_S, 300.0, -50.0, 7)
}

fn level_of(analysis: &Analysis) -> f64 {
    analysis.levels.laeq_db
}

fn rules(analysis: &Analysis) -> Vec<&'static str> {
    analysis.watched.findings.iter().map(|f| f.rule).collect()
}

/// Adds `more` from a time on.
fn add(x: &mut [f64], at_s: f64, more: &[f64]) {
    let from = (at_s * RATE_HZ) as usize;
    for (x, more) in x[from..].iter_mut().zip(more) {
        *x += more;
    }
}

/// The level of the room alone, within what leaving out a few seconds of noise changes: the standard
/// error of 20 s of this noise in eighths of a second is 0.05 dB.
fn as_without(analysis: &Analysis) {
    let alone_db = level_of(&heard(room()));
    assert!(
        (level_of(analysis) - alone_db).abs() < 0.15,
        "{} {alone_db} {:?}",
        level_of(analysis),
        analysis.watched.events
    );
}

fn kinds(analysis: &Analysis) -> Vec<EventKind> {
    analysis.watched.events.iter().map(|e| e.kind).collect()
}

/// A thud of a fifth of a second.
fn door() -> Vec<f64> {
    let mut thud = noise(RATE_HZ, 1.0, -10.0, 3);
    for (i, x) in thud.iter_mut().enumerate() {
        *x *= (-(i as f64) / (0.05 * RATE_HZ)).exp();
    }
    thud
}

/// A voice: harmonics of 125 Hz up to 3 kHz in three syllables a second.
fn voice(seconds: f64) -> Vec<f64> {
    let mut sum = vec![0.0; (seconds * RATE_HZ) as usize];
    for k in 1..=24 {
        let harmonic = sine(RATE_HZ, seconds, 125.0 * f64::from(k), -30.0);
        for (s, h) in sum.iter_mut().zip(&harmonic) {
            *s += h / f64::from(k).sqrt();
        }
    }
    for (i, s) in sum.iter_mut().enumerate() {
        let turn = std::f64::consts::PI * 3.0 * i as f64 / RATE_HZ;
        *s *= turn.sin().powi(2);
    }
    sum
}

#[test]
fn a_quiet_room_has_no_events_and_no_findings() {
    let analysis = heard(room());
    assert!(
        analysis.watched.events.is_empty(),
        "{:?}",
        analysis.watched.events
    );
    assert!(
        rules(&analysis).is_empty(),
        "{:?}",
        analysis.watched.findings
    );
}

#[test]
fn a_door_is_left_out() {
    let mut x = room();
    add(&mut x, 12.0, &door());
    let analysis = heard(x);
    assert_eq!(kinds(&analysis), [EventKind::Knock]);
    assert!((analysis.watched.events[0].start_s - 12.0).abs() < 0.2);
    as_without(&analysis);
}

#[test]
fn speech_is_left_out_short_and_long() {
    for seconds in [3.0, 10.0] {
        let mut x = room();
        add(&mut x, 15.0, &voice(seconds));
        let analysis = heard(x);
        assert!(kinds(&analysis).iter().all(|k| *k == EventKind::Speech));
        assert!(
            rules(&analysis).contains(&"speech"),
            "{seconds} {:?}",
            analysis.watched.events
        );
        as_without(&analysis);
    }
}

#[test]
fn gusts_at_the_microphone_are_left_out() {
    let mut x = room();
    for at_s in [10.0, 20.0, 30.0] {
        let mut gust = brown(RATE_HZ, 2.0, 15.0, -20.0, at_s as u64);
        for (i, g) in gust.iter_mut().enumerate() {
            *g *= (std::f64::consts::PI * i as f64 / (2.0 * RATE_HZ)).sin();
        }
        // Twice through the pole: wind has nothing in the middle of the range.
        let p = (-2.0 * std::f64::consts::PI * 30.0 / RATE_HZ).exp();
        let mut y = 0.0;
        for g in &mut gust {
            y = p * y + (1.0 - p) * *g;
            *g = y;
        }
        add(&mut x, at_s, &gust);
    }
    let analysis = heard(x);
    assert!(
        kinds(&analysis)
            .iter()
            .filter(|k| **k == EventKind::Wind)
            .count()
            >= 2,
        "{:?}",
        analysis.watched.events
    );
    assert!(rules(&analysis).contains(&"wind"));
    let alone_db = heard(room()).levels.lzeq_db;
    // Gusts add 12 dB to the unweighted level; what is left at their ends may add one.
    assert!((analysis.levels.lzeq_db - alone_db).abs() < 1.0);
}

#[test]
fn clipping_is_left_out_where_it_is_rare_and_bars_levels_where_it_is_not() {
    let mut x = room();
    let burst = sine(RATE_HZ, 0.5, 200.0, 10.0);
    add(&mut x, 20.0, &burst);
    let rare = heard(x);
    assert!(rules(&rare).contains(&"clipped"));
    assert!(!rare.watched.levels_barred, "{:?}", rare.watched.findings);
    as_without(&rare);
    let often = heard(sine(RATE_HZ, 10.0, 200.0, 6.0));
    assert!(often.watched.levels_barred);
    // A hum just below the top is flat for a few samples, but not clipped; nor is a channel of zeros.
    let hum = heard(sine(RATE_HZ, 10.0, 50.0, -0.5));
    assert!(!rules(&hum).contains(&"clipped"), "{:?}", rules(&hum));
}

fn calibrated() -> Options {
    Options {
        calibration: Some(Calibration {
            offset_db: 90.0,
            sd_db: 0.5,
            reference: Reference::Reading { level_db: 40.0 },
        }),
        ..Options::default()
    }
}

#[test]
fn a_gate_bars_absolute_levels_and_the_owner_may_know_better() {
    let mut x = room();
    // Closed for a quarter of a second every two seconds.
    for (i, x) in x.iter_mut().enumerate() {
        if i % 96_000 < 12_000 {
            *x *= 0.01;
        }
    }
    let analysis = heard_with(x.clone(), &calibrated());
    assert!(
        rules(&analysis).contains(&"noise_gate"),
        "{:?}",
        rules(&analysis)
    );
    assert!(analysis.relative && analysis.loudness.is_none());
    let trusted = heard_with(
        x,
        &Options {
            trust_gain: true,
            ..calibrated()
        },
    );
    assert!(!trusted.relative && trusted.loudness.is_some());
}

#[test]
fn digital_silence_is_a_gate_too() {
    let mut x = room();
    for (i, x) in x.iter_mut().enumerate() {
        if i % 480_000 < 120_000 {
            *x = 0.0;
        }
    }
    assert!(rules(&heard(x)).contains(&"noise_gate"));
}

#[test]
fn silence_and_a_low_rate_are_said() {
    let silent = heard(vec![0.0; 240_000]);
    assert_eq!(rules(&silent), ["silent"]);
    let slow = noise(8_000.0, 10.0, -30.0, 1);
    let mut file = open(wav(8_000, &[slow], Coding::I16));
    let analysis = analyse(&mut file, &Options::default()).unwrap();
    assert_eq!(rules(&analysis), ["band_limited"]);
}

#[test]
fn a_fan_that_stops_is_no_gate() {
    let mut x = room();
    let from = (25.0 * RATE_HZ) as usize;
    for x in &mut x[from..] {
        *x *= 0.05;
    }
    assert!(!rules(&heard(x)).contains(&"noise_gate"));
}

#[test]
fn automatic_gain_is_suspected_from_what_it_does_after_a_door() {
    let mut x = room();
    for at_s in [10.0, 22.0] {
        add(&mut x, at_s, &door());
    }
    // 8 dB down at each door, back over 2 s.
    for (i, x) in x.iter_mut().enumerate() {
        let t = i as f64 / RATE_HZ;
        let since = [22.0, 10.0].iter().map(|d| t - d).find(|s| *s >= 0.0);
        let down_db = since.map_or(0.0, |s| 8.0 * (-s / 2.0).exp());
        *x *= 10.0_f64.powf(-down_db / 20.0);
    }
    let analysis = heard_with(x, &calibrated());
    assert!(
        rules(&analysis).contains(&"automatic_gain"),
        "{:?}",
        rules(&analysis)
    );
    assert!(analysis.relative);
    let gain = analysis
        .watched
        .findings
        .iter()
        .find(|f| f.rule == "automatic_gain");
    assert_eq!(gain.unwrap().severity, Severity::Error);
}

#[test]
fn a_recorder_for_speech_has_no_top() {
    // 64 taps of a low-pass at 4 kHz (a windowed sinc) take everything above away.
    let taps: Vec<f64> = (0..257)
        .map(|i| {
            let t = f64::from(i) - 128.0;
            let turn = std::f64::consts::PI * t;
            let sinc = if t == 0.0 {
                1.0 / 6.0
            } else {
                (turn / 6.0).sin() / turn
            };
            let window = 0.5 + 0.5 * (turn / 129.0).cos();
            sinc * window
        })
        .collect();
    let x = noise(RATE_HZ, 6.0, -30.0, 5);
    let low: Vec<f64> = x
        .windows(taps.len())
        .map(|w| w.iter().zip(&taps).map(|(a, b)| a * b).sum())
        .collect();
    assert!(rules(&heard(low)).contains(&"band_limited"));
    assert!(!rules(&heard(x)).contains(&"band_limited"));
}

#[test]
fn a_tone_in_noise_is_found_through_a_file() {
    // White noise of -40 dB over 24 kHz has -40 - 10 lg 24000 = -83.8 dB per Hz; a critical band at
    // 1 kHz is 162.2 Hz wide (ECMA-418-1), so that a tone of -45 dB stands 16.7 dB above it.
    let x = mix(&[
        &noise(RATE_HZ, 20.0, -40.0, 11),
        &sine(RATE_HZ, 20.0, 1000.0, -45.0),
    ]);
    let analysis = heard(x);
    assert_eq!(analysis.tones.len(), 1, "{:?}", analysis.tones);
    let tone = analysis.tones[0];
    // 58 independent blocks over 111 lines: 0.06 dB of noise; 0.2 dB is three times that.
    assert!((tone.tone_to_noise_db - 16.7).abs() < 0.2, "{tone:?}");
    assert!((tone.level_db + 45.0).abs() < 0.1 && (tone.hz - 1000.0).abs() < 0.3);
    assert!(tone.prominent());
}

#[test]
fn coding_that_throws_sound_away_is_said() {
    let mut file = open(wav(48_000, &[room()], Coding::I24));
    let mut recording = measure(&mut file).unwrap();
    recording.format.lossy = true;
    recording.format.encoding = "AAC".to_owned();
    let watched = watch(&recording);
    assert_eq!(watched.findings.len(), 1);
    assert_eq!(watched.findings[0].rule, "compressed");
    assert!(watched.findings[0].evidence.contains("AAC"));
    assert!(!watched.levels_barred);
}
