//! `sound --sweep`: the sound of a fan against its speed.

use std::path::Path;

use serde_json::{Value, json};
use settlepoint_domain::{Basis, Finding, Role, SensorLog};
use settlepoint_sound::SoundError;
use settlepoint_sound::analysis::Options;
use settlepoint_sound::speed::{Background, Reading, Scale, SpeedFit, fit};
use settlepoint_sound::sweep::{self, Resonance, SpeedLog, Step, Sweep, SweepOptions};

use super::sound::{background, named, options, origin_words, tone_json, with_file};
use super::sound_keep;
use crate::args::SoundArgs;
use crate::error::Failure;
use crate::log_file;
use crate::view::{
    Answer, cell, estimate, findings, findings_text, fixed, number, optional, signed, span, table,
};

/// Standard deviation of a level of the background, dB: a meter's, or a recording's of half a minute in a
/// room that is never quite the same (a judgement).
const BACKGROUND_SD_DB: f64 = 0.5;
/// Standard deviation of a meter's reading by eye, dB: a display that moves by about one (a judgement).
const READING_SD_DB: f64 = 0.5;

/// `settlepoint sound --sweep`.
pub(super) fn sweep(args: &SoundArgs, path: &Path) -> Result<Answer, Failure> {
    let read = log_file::read(path, &args.read)?;
    log_file::save_recipe(&args.read, &read)?;
    let log = &read.imported.log;
    match args.files.as_slice() {
        [] if args.into.is_some() => Err(Failure::usage(
            "--into keeps what was recorded; add typed levels with 'settlepoint add readings'",
        )),
        [] => typed(args, path, log),
        [file] => recorded(args, path, file, log),
        _ => Err(Failure::usage(
            "--sweep takes one recording; give the others one by one, each with its log",
        )),
    }
}

/// The values of a role, or what to do.
fn values<'a>(log: &'a SensorLog, role: Role, path: &Path) -> Result<&'a [f64], Failure> {
    let channel = log.channel(role).ok_or_else(|| {
        Failure::data(format!(
            "{}: no column is taken for the {}; name it with --channel {}=COLUMN",
            path.display(),
            role.token().replace('_', " "),
            role.token()
        ))
    })?;
    Ok(&channel.values)
}

/// Readings typed into a table: speed and level.
fn typed(args: &SoundArgs, path: &Path, log: &SensorLog) -> Result<Answer, Failure> {
    let speeds = values(log, Role::FanSpeed, path)?;
    let levels = values(log, Role::Level, path)?;
    let readings: Vec<Reading> = speeds
        .iter()
        .zip(levels)
        .filter(|(n, l)| n.is_finite() && l.is_finite())
        .map(|(&speed_rpm, &level_db)| Reading {
            speed_rpm,
            level_db,
            sd_db: READING_SD_DB,
            at_floor: args.floor.is_some_and(|f| level_db <= f),
        })
        .collect();
    let room = match &args.background {
        None => None,
        Some(text) => {
            let level_db: f64 = text.trim().parse().map_err(|_| {
                Failure::usage(
                    "--background takes a level in dB(A) here, since there is no recording to compare \
                     another one with",
                )
            })?;
            Some(room_of(level_db, args.floor))
        }
    };
    let fit =
        fit(&readings, room, args.full_speed, Scale::Absolute).map_err(|e| named(path, &e))?;
    let steps: Vec<Value> = readings
        .iter()
        .zip(&fit.residuals_db)
        .map(|(r, off)| {
            json!({
                "speed_rpm": number(r.speed_rpm),
                "laeq_db": number(r.level_db),
                "at_floor": r.at_floor,
                "off_line_db": optional(*off),
            })
        })
        .collect();
    let json = json!({
        "schema": "settlepoint.sound/1",
        "relative": false,
        "sweep": { "steps": steps, "model": model_json(&fit), "vanish_rpm": estimate(fit.vanish_rpm),
                   "equal_rpm": estimate(fit.equal_rpm) },
        "findings": [],
    });
    let rows: Vec<Vec<String>> = readings
        .iter()
        .zip(&fit.residuals_db)
        .map(|(r, off)| {
            vec![
                fixed(r.speed_rpm, 0),
                floor_mark(r.level_db, r.at_floor),
                off.map_or_else(|| "-".to_owned(), |o| signed(o, 1)),
            ]
        })
        .collect();
    let text = table(&["rpm", "dB(A)", "off the line"], &rows) + &model_text(&fit, false);
    Ok(Answer::new(json, text))
}

fn room_of(level_db: f64, floor_db: Option<f64>) -> Background {
    Background {
        level_db,
        sd_db: BACKGROUND_SD_DB,
        at_floor: floor_db.is_some_and(|f| level_db <= f),
    }
}

/// A recording with its log.
fn recorded(
    args: &SoundArgs,
    path: &Path,
    file: &Path,
    log: &SensorLog,
) -> Result<Answer, Failure> {
    let speeds = values(log, Role::FanSpeed, path)?;
    let points = log.time_s().iter().copied().zip(speeds.iter().copied());
    let speeds = SpeedLog::new(points).map_err(|e| named(path, &e))?;
    let recording = options(args)?;
    let room_dba = background(args, &recording)?;
    let wanted = SweepOptions {
        recording,
        start_s: args.start,
        background: room_dba.map(|level_db| room_of(level_db, args.floor)),
        full_speed_rpm: args.full_speed,
        blades: args.blades,
        floor_db: args.floor,
    };
    let found = with_file(file, |source| sweep::sweep(source, &speeds, &wanted))?;
    if found.relative != wanted.recording.calibration.is_none() && wanted.background.is_some() {
        return Err(named(
            file,
            &SoundError::NotIdentified {
                needs: "a recorder whose gain is fixed: it does not look so, and a calibrated background \
                        tells nothing about it; give --trust-gain if you know better"
                    .to_owned(),
            },
        ));
    }
    let all = sweep_findings(&found, &wanted.recording);
    let mut answer = Answer::new(sweep_json(&found, file, &all), sweep_text(&found, &all));
    if args.into.is_some() {
        let kept = sound_keep::keep_sweep(args, &wanted.recording, &found, file)?;
        sound_keep::say(&kept, &mut answer);
    }
    Ok(answer)
}

fn sweep_findings(found: &Sweep, recording: &Options) -> Vec<Finding> {
    let mut all = found.watched.findings.clone();
    let mut note = |rule, evidence: String, remedy: &str| {
        all.push(Finding {
            rule,
            severity: settlepoint_domain::Severity::Note,
            run: None,
            evidence,
            remedy: remedy.to_owned(),
        });
    };
    if found.aligned {
        note(
            "start_from_sound",
            format!(
                "the recording was found to begin {:.1} s after the log",
                found.start_s
            ),
            "give --start if you know it better",
        );
    }
    if found.relative && recording.calibration.is_none() {
        note(
            "relative",
            "without a calibration the levels are relative to full scale; slope, resonances and speeds hold \
             all the same"
                .to_owned(),
            "calibrate with --calibrate for dB(A) and loudness",
        );
    }
    all
}

fn model_json(fit: &SpeedFit) -> Value {
    json!({
        "full_speed_rpm": number(fit.full_speed_rpm),
        "full_speed_dba": estimate(fit.full_speed_db),
        "slope_db_per_decade": estimate(fit.slope_db_per_decade),
        "background_dba": estimate(fit.background_db),
        "scatter_db": number(fit.scatter_db),
        "censored": fit.censored,
    })
}

fn sweep_json(found: &Sweep, file: &Path, all: &[Finding]) -> Value {
    json!({
        "schema": "settlepoint.sound/1",
        "file": file.display().to_string(),
        "duration_s": number(found.recording.duration_s()),
        "relative": found.relative,
        "sweep": {
            "start_s": number(found.start_s),
            "start_from": if found.aligned { "sound" } else { "given" },
            "steps": found.steps.iter().map(step_json).collect::<Vec<_>>(),
            "model": model_json(&found.fit),
            "vanish_rpm": estimate(found.fit.vanish_rpm),
            "equal_rpm": estimate(found.fit.equal_rpm),
            "resonances": found.resonances.iter().map(resonance_json).collect::<Vec<_>>(),
        },
        "findings": findings(all),
    })
}

fn step_json(step: &Step) -> Value {
    json!({
        "speed_rpm": number(step.speed_rpm),
        "duration_s": number(step.duration_s),
        "laeq_db": number(step.level_db),
        "sd_db": number(step.sd_db),
        "loudness_sone": optional(step.loudness_sone),
        "at_floor": step.at_floor,
        "off_line_db": number(step.off_line_db),
        "tones": step.tones.iter().map(|(t, from)| tone_json(t, *from)).collect::<Vec<_>>(),
    })
}

fn resonance_json(r: &Resonance) -> Value {
    json!({
        "from_rpm": number(r.from_rpm),
        "to_rpm": number(r.to_rpm),
        "excess_db": number(r.excess_db),
        "tone_hz": optional(r.tone_hz),
    })
}

fn floor_mark(level_db: f64, at_floor: bool) -> String {
    if at_floor {
        format!("<= {}", fixed(level_db, 1))
    } else {
        fixed(level_db, 1)
    }
}

fn sweep_text(found: &Sweep, all: &[Finding]) -> String {
    let rows: Vec<Vec<String>> = found
        .steps
        .iter()
        .map(|s| {
            let loudest = s
                .tones
                .iter()
                .max_by(|a, b| a.0.excess_db().total_cmp(&b.0.excess_db()));
            vec![
                fixed(s.speed_rpm, 0),
                fixed(s.duration_s, 1),
                floor_mark(s.level_db, s.at_floor),
                cell(s.loudness_sone, 2),
                signed(s.off_line_db, 1),
                loudest.map_or_else(
                    || "-".to_owned(),
                    |(t, from)| format!("{} Hz, {}", fixed(t.hz, 0), origin_words(*from)),
                ),
            ]
        })
        .collect();
    let header = [
        "rpm",
        "s",
        if found.relative { "dB rel." } else { "dB(A)" },
        "sone",
        "off the line",
        "strongest tone",
    ];
    let mut out = table(&header, &rows) + &model_text(&found.fit, found.relative);
    for r in &found.resonances {
        out += &format!(
            "avoid {} to {} rpm: {} dB above the line{}\n",
            fixed(r.from_rpm, 0),
            fixed(r.to_rpm, 0),
            fixed(r.excess_db, 1),
            r.tone_hz
                .map_or_else(String::new, |hz| format!(", a tone at {} Hz", fixed(hz, 0)))
        );
    }
    if found.resonances.is_empty() {
        out += "no speed stands out of its neighbours\n";
    }
    if !all.is_empty() {
        out += &format!("\n{}", findings_text(all));
    }
    out
}

fn model_text(fit: &SpeedFit, relative: bool) -> String {
    let unit = if relative { "dB" } else { "dB(A)" };
    let basis = |b: Basis| b.token();
    format!(
        "\nfans alone at {} rpm: {} {unit}, {} dB per decade of speed ({}: each halving of the speed takes {} dB)\n\
         background: {} {unit} ({})\n\
         fans and background are alike at {} rpm; below {} rpm the fans vanish in it (10 dB below, they add \
         0.4 dB) ({})\n",
        fixed(fit.full_speed_rpm, 0),
        span(fit.full_speed_db, 1),
        span(fit.slope_db_per_decade, 1),
        basis(fit.slope_db_per_decade.basis),
        fixed(fit.slope_db_per_decade.value * std::f64::consts::LOG10_2, 1),
        span(fit.background_db, 1),
        basis(fit.background_db.basis),
        span(fit.equal_rpm, 0),
        span(fit.vanish_rpm, 0),
        basis(fit.vanish_rpm.basis),
    )
}
