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
        .saying(&["none.wav", "check the path"]);
    std::fs::create_dir(desk.path("folder")).expect("a folder");
    desk.run(["sound", "folder"])
        .refused(3)
        .saying(&["folder", "name a recording"]);
    desk.run(["sound", "loud.wav", "--calibrate", "94"])
        .refused(2)
        .saying(&["reading=DBA"]);
    desk.run(["sound", "loud.wav", "--background", "30"])
        .refused(2)
        .saying(&["--calibrate"]);
}

/// ECMA-418-1 judges tones by what stands in the critical band around them: in near silence a tone stands
/// out by far, and 175 Hz is seven times the turns of a fan of 1500 rpm.
#[test]
fn a_tone_is_named_after_the_blades() {
    let desk = Desk::new();
    desk.write("fan.wav", tone(175.0, -30.0));
    let heard = desk.json(["sound", "fan.wav", "--fan-speed", "1500", "--blades", "7"]);
    let tones = heard["tones"].as_array().expect("tones");
    let first = tones
        .iter()
        .find(|t| t["prominent"] == true)
        .expect("a tone that stands out");
    near(&first["hz"], 175.0, 0.5);
    near(&first["level_db"], -30.0, 0.1);
    assert_eq!(first["origin"], "7 times the turns of the fan");
    let said = desk.run(["sound", "fan.wav"]).ok();
    assert!(said.out.contains("tones that stand out"), "{}", said.out);
}

/// 39.4, 33.9, 28.0 dB(A) are what a fan of 39.2 dB(A) at 1400 rpm and 55 dB per decade makes in a room of
/// 25 dB(A), rounded to a meter's 0.1 dB: energies added by hand.
#[test]
fn readings_at_several_speeds_give_the_sound_model() {
    let desk = Desk::new();
    desk.write(
        "typed.csv",
        "speed rpm,level dB(A)\n0,25.0\n500,25.4\n800,28.4\n1100,33.9\n1400,39.4\n",
    );
    let fitted = desk.json(["sound", "--sweep", "typed.csv"]);
    let model = &fitted["sweep"]["model"];
    for (estimate, truth) in [
        (&model["full_speed_dba"], 39.2),
        (&model["slope_db_per_decade"], 55.0),
        (&model["background_dba"], 25.0),
    ] {
        let bound = |key: &str| estimate[key].as_f64().expect("a bound");
        assert!(bound("lo") <= truth && truth <= bound("hi"), "{estimate}");
    }
    near(&model["background_dba"]["value"], 25.0, 0.3);
    desk.write("no-level.csv", "time,speed rpm\n0,500\n1,600\n");
    desk.run(["sound", "--sweep", "no-level.csv"])
        .refused(3)
        .saying(&["--channel level=COLUMN"]);
    desk.run(["sound"]).refused(2);
}

/// A fan's noise of 50 dB per decade without a background: 0, 1 and 2 steps of 6 dB, with speeds that fit.
#[test]
fn a_recorded_sweep_finds_its_place_in_the_log() {
    let desk = Desk::new();
    let speeds: [f64; 4] = [500.0, 660.0, 870.0, 1150.0];
    let mut state = 1_u64;
    let samples = (0..20 * RATE_HZ).map(|i| {
        // Marsaglia's xorshift: white enough for a level.
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        #[expect(clippy::cast_precision_loss, reason = "a random number")]
        let noise = state as f64 / u64::MAX as f64 - 0.5;
        let rpm = speeds[(i / (5 * RATE_HZ)) as usize];
        0.5 * noise * (rpm / 1150.0).powf(2.5)
    });
    desk.write("sweep.wav", wav(samples));
    let rows: String = (0..40)
        .map(|t: i32| {
            let step = usize::try_from((t - 8).max(0) / 5).expect("small").min(3);
            format!("{t},{}\n", speeds[step])
        })
        .collect();
    desk.write("speeds.csv", format!("time s,fan rpm\n{rows}"));
    let found = desk.json(["sound", "sweep.wav", "--sweep", "speeds.csv"]);
    let sweep = &found["sweep"];
    // The log has a row a second.
    near(&sweep["start_s"], 8.0, 1.0);
    assert_eq!(sweep["steps"].as_array().expect("steps").len(), 4);
    // Four speeds without the room alone: the interval has to hold the truth, and to be of use.
    let slope = &sweep["model"]["slope_db_per_decade"];
    let bound = |key: &str| slope[key].as_f64().expect("a bound");
    assert!(bound("lo") <= 50.0 && 50.0 <= bound("hi"), "{slope}");
    assert!(bound("hi") - bound("lo") < 12.0, "{slope}");
    let said = desk
        .run(["sound", "sweep.wav", "--sweep", "speeds.csv"])
        .ok();
    assert!(said.out.contains("dB per decade"), "{}", said.out);
    desk.run(["new", "a.settle"]).ok();
    desk.write("three.csv", crate::support::THREE);
    desk.run(["add", "readings", "a.settle", "three.csv"]).ok();
    let keep = [
        "sound",
        "sweep.wav",
        "--sweep",
        "speeds.csv",
        "--into",
        "a.settle",
        "--run",
        "mid",
    ];
    desk.run(keep).refused(4).saying(&["relative"]);
    let kept =
        desk.json(
            keep.iter()
                .copied()
                .chain(["--calibrate", "reading=45", "--phase", "idle"]),
        );
    assert_eq!(kept["added"].as_array().expect("runs").len(), 4);
    let runs = desk.json(["runs", "a.settle"]);
    let levels: Vec<f64> = runs["runs"]
        .as_array()
        .expect("runs")
        .iter()
        .filter(|r| r["name"].as_str().is_some_and(|n| n.starts_with("mid, ")))
        .filter_map(|r| r["level_dba"].as_f64())
        .collect();
    assert_eq!(levels.len(), 4);
    // 50 dB per decade from 500 to 1150 rpm: 18.1 dB.
    assert!((levels[3] - levels[0] - 18.1).abs() < 0.3, "{levels:?}");
}

#[test]
fn a_phones_recording_is_named_where_it_is_not_read() {
    let desk = Desk::new();
    desk.write("memo.m4a", b"\0\0\0\x1cftypM4A \0\0\0\0and nothing more");
    let said = desk.run(["sound", "memo.m4a"]).refused(3);
    if cfg!(feature = "phone-formats") {
        said.saying(&["memo.m4a", "WAV"]);
    } else {
        said.saying(&["memo.m4a", "MP4", "phone-formats"]);
    }
}

/// The calibrator's tone of 94 dB at -20 dB of full scale makes an offset of 114 dB; a recorder keeps it, and
/// a tone of -54 dB is 60 dB by it.
#[test]
fn a_recorder_and_a_level_are_kept_with_the_notebook() {
    let desk = Desk::with_three_runs();
    desk.write("calibrator.wav", tone(1000.0, -20.0));
    desk.write("fan.wav", tone(1000.0, -54.0));
    desk.write("flat.txt", "20 0\n1000 0\n20000 0\n");
    desk.run([
        "sound",
        "fan.wav",
        "--into",
        "a.settle",
        "--recorder",
        "phone",
    ])
    .refused(2)
    .saying(&["no recorder 'phone'", "--calibrate"]);
    let made = desk.json([
        "sound",
        "calibrator.wav",
        "--calibrate",
        "calibrator.wav=94",
        "--microphone",
        "flat.txt",
        "--into",
        "a.settle",
        "--recorder",
        "phone",
    ]);
    assert_eq!(made["added"][0]["kind"], "recorder");
    near(&made["calibration"]["offset_db"], 114.0, 0.05);
    let heard = desk.json([
        "sound",
        "fan.wav",
        "--into",
        "a.settle",
        "--recorder",
        "phone",
        "--run",
        "mid",
        "--background",
        "31",
        "--fan-speed",
        "1100",
        "--distance",
        "0.6",
    ]);
    near(&heard["levels"]["laeq_db"], 60.0, 0.05);
    assert_eq!(heard["added"][0]["name"], "mid, sound");
    let runs = desk.json(["runs", "a.settle"]);
    let runs = runs["runs"].as_array().expect("runs");
    assert_eq!(runs.len(), 4);
    let level = runs
        .iter()
        .find(|r| r["name"] == "mid, sound")
        .expect("a run");
    near(&level["level_dba"], 60.0, 0.051);
    desk.run(["fit", "a.settle"]).ok();
    desk.run(["export", "a.settle", "--to", "out"]).ok();
    let kept = std::fs::read_to_string(desk.path("out/readings.csv")).expect("readings");
    assert!(kept.contains(",1100,60,all,0.6,31,"), "{kept}");
}

#[test]
fn a_relative_level_is_not_kept_and_nothing_else_of_the_call_is() {
    let desk = Desk::with_three_runs();
    desk.write("fan.wav", tone(1000.0, -54.0));
    desk.write("loud.wav", tone(440.0, 6.0));
    desk.run(["sound", "fan.wav", "--into", "a.settle", "--run", "mid"])
        .refused(4)
        .saying(&["relative", "--calibrate"]);
    desk.run([
        "sound",
        "loud.wav",
        "--calibrate",
        "reading=60",
        "--into",
        "a.settle",
        "--recorder",
        "phone",
        "--run",
        "mid",
    ])
    .refused(4);
    desk.run([
        "sound",
        "fan.wav",
        "--into",
        "a.settle",
        "--recorder",
        "phone",
    ])
    .refused(2)
    .saying(&["no recorder"]);
    desk.run(["sound", "fan.wav", "--into", "a.settle"])
        .refused(2)
        .saying(&["--recorder", "--run"]);
    desk.run([
        "sound",
        "fan.wav",
        "--calibrate",
        "reading=50",
        "--into",
        "a.settle",
        "--run",
        "none",
    ])
    .refused(2)
    .saying(&["none"]);
}

/// 30 and 33 dB make 34.764 (energies added by hand); without the louder one 30 are left.
#[test]
fn sources_add_up_as_energies() {
    let desk = Desk::new();
    desk.write("front.wav", tone(1000.0, -40.0));
    desk.write("rear.wav", tone(1000.0, -37.0));
    desk.write("both.wav", tone(1000.0, -35.236));
    let calibrated = [
        "sound",
        "front.wav",
        "rear.wav",
        "--calibrate",
        "reading=30",
        "--sources",
    ];
    let heard = desk.json(calibrated.iter().copied().chain(["--together", "both.wav"]));
    let sources = &heard["sources"];
    near(&sources["level_db"], 34.764, 0.05);
    near(&sources["together_minus_sum_db"], 0.0, 0.05);
    assert_eq!(sources["parts"][0]["file"], "rear.wav");
    near(&sources["parts"][0]["without_db"], 30.0, 0.05);
    near(&sources["parts"][0]["share"], 0.6661, 0.005);
    let said = desk.run(calibrated).ok();
    assert!(
        said.out.contains("to slow first is rear.wav"),
        "{}",
        said.out
    );
    desk.run(["sound", "front.wav", "--sources"]).refused(2);
}

/// The lines of a Hann window's main lobe add up to the tone (Parseval); none stands above it.
#[test]
fn the_spectrum_is_written_and_nothing_is_overwritten() {
    let desk = Desk::new();
    desk.write("fan.wav", tone(1000.0, -20.0));
    let wanted = ["sound", "fan.wav", "--spectrum", "lines.csv"];
    desk.run(wanted).ok();
    let text = std::fs::read_to_string(desk.path("lines.csv")).expect("lines");
    let energies: Vec<(f64, f64)> = text
        .lines()
        .filter(|l| !l.starts_with(['#', 'h']))
        .filter_map(|l| l.split_once(','))
        .filter_map(|(hz, db)| Some((hz.parse().ok()?, db.parse::<f64>().ok()?)))
        .map(|(hz, db): (f64, f64)| (hz, 10_f64.powf(db / 10.0)))
        .collect();
    let near_tone = energies.iter().filter(|(hz, _)| (hz - 1000.0).abs() < 5.0);
    let level_db = 10.0 * near_tone.map(|(_, e)| e).sum::<f64>().log10();
    // Levels are written to 0.01 dB.
    assert!((level_db + 20.0).abs() < 0.02, "{level_db}");
    desk.run(wanted).refused(5).saying(&["lines.csv"]);
}
