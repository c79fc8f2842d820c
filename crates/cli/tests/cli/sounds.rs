//! Levels of recordings that the tests make themselves.

use std::f64::consts::TAU;

use serde_json::Value;

use crate::support::Desk;

const RATE_HZ: u32 = 48_000;

/// A mono 16-bit WAV (RIFF, Multimedia Programming Interface 1.0, 1991) of these samples, full scale 1.
fn wav(samples: impl Iterator<Item = f64>) -> Vec<u8> {
    #[expect(clippy::cast_possible_truncation, reason = "clamped to 16 bits")]
    let data: Vec<u8> = samples
        .flat_map(|x| ((x * 32767.0).round().clamp(-32768.0, 32767.0) as i16).to_le_bytes())
        .collect();
    let length = u32::try_from(data.len()).expect("short");
    let mut bytes = Vec::new();
    bytes.extend(b"RIFF");
    bytes.extend((36 + length).to_le_bytes());
    bytes.extend(b"WAVEfmt ");
    bytes.extend(16_u32.to_le_bytes());
    bytes.extend(1_u16.to_le_bytes());
    bytes.extend(1_u16.to_le_bytes());
    bytes.extend(RATE_HZ.to_le_bytes());
    bytes.extend((2 * RATE_HZ).to_le_bytes());
    bytes.extend(2_u16.to_le_bytes());
    bytes.extend(16_u16.to_le_bytes());
    bytes.extend(b"data");
    bytes.extend(length.to_le_bytes());
    bytes.extend(data);
    bytes
}

/// Ten seconds of a tone; `level_db` relative to a sine of full scale.
fn tone(hz: f64, level_db: f64) -> Vec<u8> {
    let peak = 10_f64.powf(level_db / 20.0);
    wav((0..10 * RATE_HZ).map(move |i| peak * (TAU * hz * f64::from(i) / f64::from(RATE_HZ)).sin()))
}

#[track_caller]
fn near(value: &Value, expected: f64, tolerance: f64) {
    let value = value.as_f64().expect("a number");
    assert!(
        (value - expected).abs() <= tolerance,
        "{value} where {expected} is right"
    );
}

/// A weighting at 100 Hz is -19.1 dB, at 1 kHz 0 (IEC 61672-1, table 3). 0.05 dB is the exactness
/// asked of levels.
#[test]
fn a_tone_has_its_level_and_loudness() {
    let desk = Desk::new();
    desk.write("low.wav", tone(100.0, -20.0));
    desk.write("calibrator.wav", tone(1000.0, -20.0));
    desk.write("quiet.wav", tone(1000.0, -54.0));
    let low = desk.json(["sound", "low.wav"]);
    assert_eq!(low["relative"], true);
    near(&low["levels"]["lzeq_db"], -20.0, 0.05);
    // The table is rounded to 0.1 dB; the formula gives -19.145.
    near(&low["levels"]["laeq_db"], -39.145, 0.05);
    let quiet = desk.json(["sound", "quiet.wav", "--calibrate", "calibrator.wav=94"]);
    assert_eq!(quiet["relative"], false);
    near(&quiet["levels"]["laeq_db"], 60.0, 0.05);
    // ISO 532-1, annex B: a tone of 1 kHz and 60 dB has 4.019 sone; 5 % is what the standard allows
    // between implementations that begin at the signal (from memory).
    near(&quiet["loudness_sone"], 4.019, 0.05 * 4.019);
    let tallest = quiet["thirds"]
        .as_array()
        .expect("bands")
        .iter()
        .max_by(|a, b| {
            a["db"]
                .as_f64()
                .unwrap_or(-999.0)
                .total_cmp(&b["db"].as_f64().unwrap_or(-999.0))
        })
        .expect("a band");
    near(&tallest["hz"], 1000.0, 1e-9);
}

/// 30 dB over 24: K1 = 1.256 dB by the formula of ISO 3744; a doubling of distance takes 6.02 dB.
#[test]
fn background_and_distance_follow_the_standards() {
    let desk = Desk::new();
    desk.write("fan.wav", tone(1000.0, -30.0));
    desk.write("room.wav", tone(1000.0, -36.0));
    let heard = desk.json([
        "sound",
        "fan.wav",
        "--calibrate",
        "reading=30",
        "--background",
        "room.wav",
        "--distance",
        "0.5",
        "--seat",
        "1",
    ]);
    near(&heard["source"]["k1_db"], 1.256, 0.02);
    near(&heard["source"]["laeq_db"], 28.744, 0.07);
    near(&heard["seat_laeq_db"], 22.724, 0.07);
    let close = desk.json([
        "sound",
        "fan.wav",
        "--calibrate",
        "reading=30",
        "--background",
        "26",
    ]);
    assert_eq!(close["source"]["state"], "upper_bound");
    assert!(close["findings"].to_string().contains("near_background"));
}

#[test]
fn clipping_is_found_and_what_is_no_recording_is_refused() {
    let desk = Desk::new();
    desk.write("loud.wav", tone(440.0, 6.0));
    desk.write("text.wav", "time,power\n0,1\n");
    desk.write("cut.wav", &tone(440.0, -6.0)[..30]);
    let loud = desk.json(["sound", "loud.wav"]);
    assert!(loud["findings"].to_string().contains("clipped"), "{loud}");
    desk.run(["sound", "text.wav"])
        .refused(3)
        .saying(&["text.wav"]);
    desk.run(["sound", "cut.wav"])
        .refused(3)
        .saying(&["cut.wav"]);
    desk.run(["sound", "none.wav"])
        .refused(3)
        .saying(&["none.wav"]);
    desk.run(["sound", "loud.wav", "--calibrate", "94"])
        .refused(2)
        .saying(&["reading=DBA"]);
    desk.run(["sound", "loud.wav", "--background", "30"])
        .refused(2)
        .saying(&["--calibrate"]);
}
