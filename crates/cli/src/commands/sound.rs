//! `sound`: recordings to levels.

use std::fs::File;
use std::io::{BufReader, Write as _};
use std::path::Path;

use serde_json::{Value, json};
use settlepoint_domain::{Finding, Severity};
use settlepoint_sound::SoundError;
use settlepoint_sound::analysis::{Analysis, Options, analyse};
use settlepoint_sound::background::{Corrected, Grade, at_distance, correct};
use settlepoint_sound::calibration::{Calibration, CurveMeaning, MicrophoneCurve, Reference};
use settlepoint_sound::events::Event;
use settlepoint_sound::measure::{Recording, measure};
use settlepoint_sound::pcm::{Source, open};
use settlepoint_sound::tones::{Origin, Tone, origin};

use super::{sound_keep, sound_sources, sound_sweep};
use crate::args::{GradeArg, SoundArgs};
use crate::error::{Code, Failure, with_path};
use crate::view::{Answer, cell, findings, findings_text, fixed, number, optional, table};

/// Step of a hand-held meter's display and its own standard uncertainty, dB: a class 2 meter, good to
/// about 1.4 dB at the limit (IEC 61672-1, from memory).
const METER_STEP_DB: f64 = 0.1;
const METER_SD_DB: f64 = 0.7;

/// `settlepoint sound`.
pub(crate) fn sound(args: &SoundArgs) -> Result<Answer, Failure> {
    if let Some(log) = &args.sweep {
        return sound_sweep::sweep(args, log);
    }
    let options = options(args)?;
    let background_dba = background(args, &options)?;
    let mut heard = Vec::new();
    for file in &args.files {
        let analysis = with_file(file, |wav| analyse(wav, &options))?;
        heard.push(Heard::of(
            file,
            analysis,
            background_dba,
            options.calibration.is_some(),
            args,
        ));
    }
    let mut answer = Answer::new(as_json(&heard, &options), text(&heard, &options));
    if let Some(path) = &args.spectrum {
        write_spectrum(path, &heard)?;
        answer.json["spectrum_file"] = json!(path.display().to_string());
        answer.text += &format!("\nwrote the spectrum to {}\n", path.display());
    }
    if args.sources {
        let together = match &args.together {
            None => None,
            Some(path) => {
                let analysis = with_file(path, |source| analyse(source, &options))?;
                let calibrated = options.calibration.is_some();
                Some(Heard::of(path, analysis, background_dba, calibrated, args))
            }
        };
        sound_sources::add_up(&heard, together.as_ref(), &mut answer)?;
    }
    let kept = sound_keep::keep(args, &options, &heard, background_dba)?;
    sound_keep::say(&kept, &mut answer);
    Ok(answer)
}

/// Writes the lines of a spectrum; a file that is there stays as it is.
fn write_spectrum(path: &Path, heard: &[Heard]) -> Result<(), Failure> {
    let [one] = heard else {
        return Err(Failure::usage(
            "--spectrum takes one recording; give the others one by one",
        ));
    };
    let spectrum = one.analysis.spectrum.as_ref().ok_or_else(|| {
        named(
            Path::new(&one.file),
            &SoundError::NotIdentified {
                needs: "a stretch of a second or more without events, for a spectrum".to_owned(),
            },
        )
    })?;
    let mut text = format!(
        "# lines {} Hz apart, mean of {} blocks, levels in dB {}\nhz,db\n",
        fixed(spectrum.line_hz, 4),
        spectrum.blocks,
        if one.analysis.relative {
            "relative to a sine of full scale"
        } else {
            "re 20 uPa"
        }
    );
    for (hz, db) in spectrum.levels().skip(1) {
        text += &format!("{},{}\n", fixed(hz, 3), fixed(db, 2));
    }
    let fail = |e: std::io::Error| with_path(path, "write", &e);
    File::create_new(path)
        .and_then(|mut file| file.write_all(text.as_bytes()))
        .map_err(fail)
}

/// Opens a recording and works on it; an error names the file.
pub(super) fn with_file<T>(
    path: &Path,
    work: impl FnOnce(&mut dyn Source) -> Result<T, SoundError>,
) -> Result<T, Failure> {
    if path.is_dir() {
        return Err(Failure::data(format!(
            "{} is a folder; name a recording in it",
            path.display()
        )));
    }
    File::open(path)
        .map_err(SoundError::Io)
        .and_then(|file| open(BufReader::with_capacity(1 << 16, file)))
        .and_then(|mut source| work(source.as_mut()))
        .map_err(|e| named(path, &e))
}

pub(super) fn named(path: &Path, error: &SoundError) -> Failure {
    if let SoundError::Io(error) = error {
        return with_path(path, "read", error);
    }
    let code = match error {
        SoundError::NotIdentified { .. } => Code::NotIdentified,
        SoundError::Range { .. } => Code::Usage,
        _ => Code::Data,
    };
    Failure::new(code, format!("{}: {error}", path.display()))
}

pub(super) fn options(args: &SoundArgs) -> Result<Options, Failure> {
    let stored = sound_keep::stored(args)?;
    let microphone = match &args.microphone {
        None => stored.as_ref().and_then(sound_keep::response),
        Some(path) => {
            let text =
                std::fs::read_to_string(path).map_err(|e| named(path, &SoundError::Io(e)))?;
            let curve = MicrophoneCurve::parse(&text, CurveMeaning::Response);
            Some(curve.map_err(|e| named(path, &e))?)
        }
    };
    let mut options = Options {
        calibration: stored.as_ref().and_then(sound_keep::calibration),
        microphone,
        keep_all: args.keep_all,
        trust_gain: args.trust_gain,
        diffuse: args.diffuse,
    };
    if let Some(wish) = &args.calibrate {
        options.calibration = Some(calibration(wish, args, &options)?);
    }
    Ok(options)
}

fn calibration(wish: &str, args: &SoundArgs, options: &Options) -> Result<Calibration, Failure> {
    let wrong = || {
        Failure::usage(format!(
            "--calibrate {wish}: give reading=DBA (a meter's reading during the first recording) or \
             FILE=DB (a recording of a calibrator and its level)"
        ))
    };
    let (what, level) = wish.rsplit_once('=').ok_or_else(wrong)?;
    let level_db: f64 = level.trim().parse().map_err(|_| wrong())?;
    let read_with = |path: &Path, of: &dyn Fn(&Recording) -> Result<Calibration, SoundError>| {
        with_file(path, |wav| {
            let mut recording = measure(wav)?;
            if let Some(microphone) = &options.microphone {
                microphone.apply(&mut recording.track);
            }
            of(&recording)
        })
    };
    if let ("reading", Some(first)) = (what, args.files.first()) {
        return read_with(first, &|r| {
            Calibration::from_reading(r, level_db, METER_STEP_DB, METER_SD_DB)
        });
    }
    read_with(Path::new(what), &|r| {
        Calibration::from_calibrator(r, level_db)
    })
}

pub(super) fn background(args: &SoundArgs, options: &Options) -> Result<Option<f64>, Failure> {
    let Some(wish) = &args.background else {
        return Ok(None);
    };
    if let Ok(level_dba) = wish.trim().parse::<f64>() {
        if options.calibration.is_none() {
            return Err(Failure::usage(
                "--background as a level needs --calibrate (or a calibrated --recorder): without it the recordings' levels are \
                 relative; give a recording of the room instead",
            ));
        }
        return Ok(Some(level_dba));
    }
    let room = with_file(Path::new(wish), |wav| analyse(wav, options))?;
    if room.relative != options.calibration.is_none() {
        return Err(barred(wish));
    }
    Ok(Some(room.levels.laeq_db))
}

fn barred(file: &str) -> Failure {
    Failure::new(
        Code::NotIdentified,
        format!(
            "{file}: the recorder's gain does not look fixed, so its level tells nothing about the other \
             recordings; run 'settlepoint sound {file}' to see why, record it again, or give \
             --trust-gain if you know better"
        ),
    )
}

/// A recording with what was made of it.
pub(super) struct Heard {
    pub(super) file: String,
    pub(super) analysis: Analysis,
    pub(super) corrected: Option<Corrected>,
    seat_db: Option<f64>,
    tones: Vec<(Tone, Origin)>,
    findings: Vec<Finding>,
}

impl Heard {
    fn of(
        path: &Path,
        analysis: Analysis,
        background: Option<f64>,
        calibrated: bool,
        args: &SoundArgs,
    ) -> Self {
        let grade = match args.grade {
            GradeArg::Engineering => Grade::Engineering,
            GradeArg::Survey => Grade::Survey,
        };
        // A calibrated background says nothing about a recording whose calibration does not hold.
        let comparable = analysis.relative != calibrated;
        let corrected = background
            .filter(|_| comparable)
            .map(|b| correct(analysis.levels.laeq_db, b, grade));
        let source_db = corrected.map_or(analysis.levels.laeq_db, |c| c.level_db);
        let seat = args.distance.zip(args.seat);
        Self {
            file: path.display().to_string(),
            findings: findings_of(&analysis, corrected, grade, calibrated),
            tones: tones_of(&analysis, args),
            seat_db: seat.map(|(from, to)| at_distance(source_db, from, to)),
            corrected,
            analysis,
        }
    }
}

/// Tones with what they may come from.
fn tones_of(analysis: &Analysis, args: &SoundArgs) -> Vec<(Tone, Origin)> {
    let line_hz = analysis.spectrum.as_ref().map_or(1.0, |s| s.line_hz);
    analysis
        .tones
        .iter()
        .map(|t| (*t, origin(t.hz, args.fan_speed, args.blades, line_hz)))
        .collect()
}

fn findings_of(
    analysis: &Analysis,
    corrected: Option<Corrected>,
    grade: Grade,
    calibrated: bool,
) -> Vec<Finding> {
    let mut found = analysis.watched.findings.clone();
    if analysis.relative && calibrated {
        found.push(Finding::new(
            "levels_barred",
            Severity::Error,
            "the calibration does not hold for this recording, so its levels are relative".to_owned(),
            "see the findings above and record again; give --trust-gain if you know that the recorder's \
             gain is fixed",
        ));
    }
    if let Some(c) = corrected
        && c.state == settlepoint_sound::background::State::UpperBound
    {
        let (least_db, _) = grade.limits_db();
        found.push(Finding::new(
            "near_background",
            Severity::Warning,
            format!(
                "the recording is less than {least_db:.0} dB above its background, so the level of the \
                 source is at most {:.1} dB by {}",
                c.level_db,
                grade.standard()
            ),
            "record closer to the machine, or when the room is quieter",
        ));
    }
    found
}

fn as_json(heard: &[Heard], options: &Options) -> Value {
    let calibration = options.calibration.map(|c| {
        json!({
            "offset_db": number(c.offset_db),
            "sd_db": number(c.sd_db),
            "from": match c.reference {
                Reference::Calibrator { .. } => "calibrator",
                Reference::Reading { .. } => "reading",
            },
        })
    });
    let mut whole = match heard {
        [one] => one_json(one),
        several => json!({ "files": several.iter().map(one_json).collect::<Vec<_>>() }),
    };
    whole["schema"] = json!("settlepoint.sound/1");
    whole["calibration"] = json!(calibration);
    whole
}

fn one_json(heard: &Heard) -> Value {
    let a = &heard.analysis;
    let l = &a.levels;
    let thirds = a.recording.track.bands.iter().zip(a.thirds.iter());
    json!({
        "file": heard.file,
        "duration_s": number(a.recording.duration_s()),
        "rate_hz": number(a.recording.format.rate_hz),
        "channels": a.recording.format.channels,
        "levels": {
            "laeq_db": number(l.laeq_db),
            "lceq_db": number(l.lceq_db),
            "lzeq_db": number(l.lzeq_db),
            "la10_db": number(l.la10_db),
            "la50_db": number(l.la50_db),
            "la90_db": number(l.la90_db),
            "lafmax_db": number(l.lafmax_db),
            "lasmax_db": number(l.lasmax_db),
        },
        "relative": a.relative,
        "thirds": thirds
            .map(|(band, db)| json!({ "hz": number(band.nominal_hz), "db": number(*db) }))
            .collect::<Vec<_>>(),
        "loudness_sone": optional(a.loudness.as_ref().map(|x| x.sone)),
        "loudness_phon": optional(a.loudness.as_ref().map(|x| x.phon)),
        "tones": heard.tones.iter().map(|(t, from)| tone_json(t, *from)).collect::<Vec<_>>(),
        "events": a.watched.events.iter().map(event_json).collect::<Vec<_>>(),
        "source": heard.corrected.map(|c| json!({
            "laeq_db": number(c.level_db),
            "k1_db": number(c.k1_db),
            "state": c.state.token(),
        })),
        "seat_laeq_db": optional(heard.seat_db),
        "findings": findings(&heard.findings),
    })
}

pub(crate) fn tone_json(tone: &Tone, from: Origin) -> Value {
    json!({
        "hz": number(tone.hz),
        "level_db": number(tone.level_db),
        "tone_to_noise_db": number(tone.tone_to_noise_db),
        "tone_to_noise_criterion_db": number(tone.tone_to_noise_criterion_db),
        "prominence_db": number(tone.prominence_db),
        "prominence_criterion_db": number(tone.prominence_criterion_db),
        "prominent": tone.prominent(),
        "audible": tone.audible,
        "origin": origin_words(from),
    })
}

fn event_json(event: &Event) -> Value {
    json!({
        "kind": event.kind.token(),
        "start_s": number(event.start_s),
        "end_s": number(event.end_s),
        "over_db": number(event.over_db),
    })
}

/// What a tone may come from, in words.
pub(crate) fn origin_words(from: Origin) -> String {
    match from {
        Origin::Turns { order: 1 } => "turns of the fan".to_owned(),
        Origin::Turns { order } => format!("{order} times the turns of the fan"),
        Origin::Whine => "whine: coils, a supply, a bearing".to_owned(),
        Origin::Unknown => "not known".to_owned(),
        _ => "-".to_owned(),
    }
}

/// Most tones printed of a recording; JSON has all.
const TONES_SHOWN: usize = 8;

/// Tones that stand out, the most prominent first.
fn tones_text(heard: &Heard) -> String {
    let mut out: Vec<&(Tone, Origin)> = heard.tones.iter().filter(|t| t.0.prominent()).collect();
    if out.is_empty() {
        return String::new();
    }
    out.sort_by(|a, b| b.0.excess_db().total_cmp(&a.0.excess_db()));
    let rows: Vec<Vec<String>> = out
        .iter()
        .take(TONES_SHOWN)
        .map(|(t, from)| {
            vec![
                cell(Some(t.hz), 1),
                cell(Some(t.level_db), 1),
                cell(Some(t.tone_to_noise_db), 1),
                cell(Some(t.tone_to_noise_criterion_db), 1),
                cell(Some(t.prominence_db), 1),
                cell(Some(t.prominence_criterion_db), 1),
                origin_words(*from),
            ]
        })
        .collect();
    let more = out.len().saturating_sub(TONES_SHOWN);
    let header = [
        "tone Hz",
        "dB",
        "over noise",
        "from",
        "prominence",
        "from",
        "origin",
    ];
    let mut text = format!(
        "\n{}: tones that stand out (ECMA-418-1)\n{}",
        heard.file,
        table(&header, &rows)
    );
    if more > 0 {
        text += &format!("and {more} more\n");
    }
    text
}

fn text(heard: &[Heard], options: &Options) -> String {
    let rows: Vec<Vec<String>> = heard.iter().map(row).collect();
    let mut out = table(
        &[
            "file",
            "s",
            "LAeq",
            "LCeq",
            "LZeq",
            "LA10",
            "LA50",
            "LA90",
            "sone",
            "phon",
            "source",
            "at the seat",
        ],
        &rows,
    );
    out += &match options.calibration {
        None => "\nLevels are relative: a sine of full scale has 0 dB. Calibrate with --calibrate for dB and \
                 loudness.\n"
            .to_owned(),
        Some(c) => format!(
            "\nLevels in dB re 20 µPa, standard uncertainty of the calibration {:.1} dB; loudness by \
             ISO 532-1 for steady sound.\n",
            c.sd_db
        ),
    };
    if heard.iter().any(|h| h.seat_db.is_some()) {
        out += "At the seat: as in the open, 6 dB less for each doubling; in a room the level falls by \
                less.\n";
    }
    out += &heard.iter().map(tones_text).collect::<String>();
    for one in heard.iter().filter(|h| !h.findings.is_empty()) {
        out += &format!("\n{}:\n{}", one.file, findings_text(&one.findings));
    }
    out
}

fn row(heard: &Heard) -> Vec<String> {
    let a = &heard.analysis;
    let l = &a.levels;
    let db = |value: f64| cell(Some(value), 1);
    vec![
        heard.file.clone(),
        cell(Some(a.recording.duration_s()), 1),
        db(l.laeq_db),
        db(l.lceq_db),
        db(l.lzeq_db),
        db(l.la10_db),
        db(l.la50_db),
        db(l.la90_db),
        cell(a.loudness.as_ref().map(|x| x.sone), 2),
        cell(a.loudness.as_ref().map(|x| x.phon), 1),
        cell(heard.corrected.map(|c| c.level_db), 1),
        cell(heard.seat_db, 1),
    ]
}
