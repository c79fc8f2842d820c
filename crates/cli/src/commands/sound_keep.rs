//! Recorders and levels of `sound` in a notebook.

use std::path::Path;

use serde_json::json;
use settlepoint_domain::{FanSetting, Id, PhaseKind, PhaseReading, Run, RunData, Setting};
use settlepoint_notebook::{Kind, Notebook, Recorder, RecorderCalibration, new_id};
use settlepoint_sound::analysis::Options;
use settlepoint_sound::calibration::{Calibration, MicrophoneCurve, Reference};
use settlepoint_sound::sweep::Sweep;

use super::sound::Heard;
use crate::args::SoundArgs;
use crate::error::{Code, Failure};
use crate::view::{Answer, fixed};

/// Something that was put into the notebook.
pub(super) struct Kept {
    kind: &'static str,
    id: Id,
    name: String,
    note: String,
}

/// The recorder named, where its calibration is to be used rather than made.
pub(super) fn stored(args: &SoundArgs) -> Result<Option<Recorder>, Failure> {
    let Some((path, name)) = wanted(args) else {
        return Ok(None);
    };
    let book = Notebook::open(path)?;
    match book.find(Kind::Recorder, name)? {
        Some(id) => {
            let mut recorder = book.recorder(id)?;
            // What is given anew counts.
            if args.calibrate.is_some() {
                recorder.calibration = None;
            }
            Ok(Some(recorder))
        }
        None if makes(args) => Ok(None),
        None => Err(Failure::usage(format!(
            "there is no recorder '{name}' in {} yet{}; give --calibrate (and --microphone) once to keep it",
            path.display(),
            known(&book.names(Kind::Recorder)?),
        ))),
    }
}

fn known(names: &[String]) -> String {
    if names.is_empty() {
        String::new()
    } else {
        format!(" (there are {})", names.join(", "))
    }
}

fn wanted(args: &SoundArgs) -> Option<(&Path, &str)> {
    Some((args.into.as_deref()?, args.recorder.as_deref()?))
}

/// Whether the call gives something of the recorder.
fn makes(args: &SoundArgs) -> bool {
    args.calibrate.is_some() || args.microphone.is_some()
}

/// The calibration of a kept recorder.
pub(super) fn calibration(recorder: &Recorder) -> Option<Calibration> {
    let kept = recorder.calibration?;
    let level_db = kept.reference_db;
    Some(Calibration {
        offset_db: kept.offset_db,
        sd_db: kept.sd_db,
        reference: match kept.tone_hz {
            Some(tone_hz) => Reference::Calibrator { level_db, tone_hz },
            None => Reference::Reading { level_db },
        },
    })
}

/// The response of a kept recorder's microphone.
pub(super) fn response(recorder: &Recorder) -> Option<MicrophoneCurve> {
    MicrophoneCurve::from_points(&recorder.response)
}

/// Keeps what the call asks to keep: all of it or, after an error, nothing.
pub(super) fn keep(
    args: &SoundArgs,
    options: &Options,
    heard: &[Heard],
    background_dba: Option<f64>,
) -> Result<Vec<Kept>, Failure> {
    within(args, |book| {
        let mut kept = Vec::new();
        if let Some(name) = args.recorder.as_deref().filter(|_| makes(args)) {
            kept.push(keep_recorder(book, name, options)?);
        }
        if let Some(run) = &args.run {
            kept.push(keep_level(book, run, args, heard, background_dba)?);
        }
        Ok(kept)
    })
}

/// The same for a sweep: a reading for each speed at which the fans turn and the level stands above the
/// floor.
pub(super) fn keep_sweep(
    args: &SoundArgs,
    options: &Options,
    found: &Sweep,
    file: &Path,
) -> Result<Vec<Kept>, Failure> {
    within(args, |book| {
        let mut kept = Vec::new();
        if let Some(name) = args.recorder.as_deref().filter(|_| makes(args)) {
            kept.push(keep_recorder(book, name, options)?);
        }
        let Some(beside) = &args.run else {
            return Ok(kept);
        };
        if found.relative {
            return Err(relative(&file.display().to_string()));
        }
        let base = book.run(book.id_of(Kind::Run, beside)?)?;
        let setting = book.setting(base.setting)?;
        // The room is part of every reading; where it was not heard it is what the sweep makes of it.
        let background_dba = tenth(found.fit.background_db.value);
        for step in found
            .steps
            .iter()
            .filter(|s| s.speed_rpm > 0.0 && !s.at_floor)
        {
            let rpm = step.speed_rpm.round();
            let fixed_fan = Setting {
                id: new_id()?,
                name: format!("{}, fans at {rpm} rpm", setting.name),
                fan: FanSetting::Fixed(rpm),
                ..setting.clone()
            };
            book.add_setting(&fixed_fan)?;
            let reading = PhaseReading {
                level_dba: Some(tenth(step.level_db)),
                level_of: "all".to_owned(),
                background_dba: Some(background_dba),
                distance_m: args.distance,
                fan_speed_rpm: Some(rpm),
                ..PhaseReading::blank(phase_of(args))
            };
            let run = beside_run(book, &base, fixed_fan.id, &format!("{rpm} rpm"), reading)?;
            kept.push(Kept {
                kind: "run",
                id: run.id,
                note: format!(
                    "{} dB(A), fans and background together",
                    fixed(tenth(step.level_db), 1)
                ),
                name: run.name,
            });
        }
        Ok(kept)
    })
}

/// Works on the notebook that the call names: all of it or, after an error, nothing.
fn within(
    args: &SoundArgs,
    work: impl FnOnce(&Notebook) -> Result<Vec<Kept>, Failure>,
) -> Result<Vec<Kept>, Failure> {
    let Some(path) = &args.into else {
        return Ok(Vec::new());
    };
    if args.recorder.is_none() && args.run.is_none() {
        return Err(Failure::usage(
            "--into needs --recorder (to keep a calibration) or --run (to keep the level beside a run)",
        ));
    }
    let book = Notebook::open(path)?;
    book.transaction(work)
}

fn relative(file: &str) -> Failure {
    Failure::new(
        Code::NotIdentified,
        format!(
            "{file}: its level is relative, so it tells nothing beside the levels of other runs; calibrate with \
             --calibrate or a kept --recorder"
        ),
    )
}

/// A tenth of a decibel, as a meter shows it: more digits would claim more than there is.
fn tenth(db: f64) -> f64 {
    (10.0 * db).round() / 10.0
}

fn phase_of(args: &SoundArgs) -> PhaseKind {
    match args.phase.as_str() {
        "idle" => PhaseKind::Idle,
        "boost" => PhaseKind::Boost,
        _ => PhaseKind::Sustained,
    }
}

/// Adds a run of one reading beside another, as if it had been typed.
fn beside_run(
    book: &Notebook,
    base: &Run,
    setting: Id,
    what: &str,
    reading: PhaseReading,
) -> Result<Run, Failure> {
    let run = Run {
        id: new_id()?,
        name: free_name(book, &format!("{}, {what}", base.name))?,
        setting,
        data: RunData::Readings(vec![reading]),
        scores: Vec::new(),
        excluded: None,
        ..base.clone()
    };
    book.add_run(&run)?;
    Ok(run)
}

fn keep_recorder(book: &Notebook, name: &str, options: &Options) -> Result<Kept, Failure> {
    let before = book.find(Kind::Recorder, name)?;
    let id = match before {
        Some(id) => id,
        None => new_id()?,
    };
    let recorder = Recorder {
        id,
        name: name.to_owned(),
        calibration: options.calibration.map(|c| RecorderCalibration {
            offset_db: c.offset_db,
            sd_db: c.sd_db,
            reference_db: match c.reference {
                Reference::Calibrator { level_db, .. } | Reference::Reading { level_db } => {
                    level_db
                }
            },
            tone_hz: match c.reference {
                Reference::Calibrator { tone_hz, .. } => Some(tone_hz),
                Reference::Reading { .. } => None,
            },
        }),
        response: options
            .microphone
            .as_ref()
            .map_or_else(Vec::new, |m| m.points().to_vec()),
        notes: String::new(),
    };
    book.put_recorder(&recorder)?;
    Ok(Kept {
        kind: "recorder",
        id,
        name: name.to_owned(),
        note: match before {
            Some(_) => "its calibration was replaced; use it at the same gain only",
            None => "use it at the same gain only",
        }
        .to_owned(),
    })
}

/// Adds a run of one reading, as if the level had been typed: what was measured before stays as it is.
fn keep_level(
    book: &Notebook,
    beside: &str,
    args: &SoundArgs,
    heard: &[Heard],
    background_dba: Option<f64>,
) -> Result<Kept, Failure> {
    let [one] = heard else {
        return Err(Failure::usage(
            "--run takes one recording; give the others one by one",
        ));
    };
    if one.analysis.relative {
        return Err(relative(&one.file));
    }
    let base = book.run(book.id_of(Kind::Run, beside)?)?;
    let level_dba = tenth(one.analysis.levels.laeq_db);
    let reading = PhaseReading {
        level_dba: Some(level_dba),
        level_of: "all".to_owned(),
        background_dba: background_dba.map(tenth),
        distance_m: args.distance,
        fan_speed_rpm: args.fan_speed,
        ..PhaseReading::blank(phase_of(args))
    };
    let run = beside_run(book, &base, base.setting, "sound", reading)?;
    Ok(Kept {
        kind: "run",
        id: run.id,
        note: format!(
            "{} dB(A), fans and background together, under the setting of '{beside}'",
            fixed(level_dba, 1)
        ),
        name: run.name,
    })
}

fn free_name(book: &Notebook, base: &str) -> Result<String, Failure> {
    let mut name = base.to_owned();
    let mut number = 2;
    while !book.ids_named(Kind::Run, &name)?.is_empty() {
        name = format!("{base} {number}");
        number += 1;
    }
    Ok(name)
}

/// Adds what was kept to an answer.
pub(super) fn say(kept: &[Kept], answer: &mut Answer) {
    if kept.is_empty() {
        return;
    }
    answer.json["added"] = kept
        .iter()
        .map(|k| json!({ "kind": k.kind, "id": k.id.to_string(), "name": k.name }))
        .collect();
    answer.text += "\n";
    for k in kept {
        answer.text += &format!("kept {} '{}': {}\n", k.kind, k.name, k.note);
    }
}
