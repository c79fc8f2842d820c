//! A fan sweep: one recording while the fan speed is stepped or ramped, with the speed log beside it.

use settlepoint_domain::Estimate;

use crate::SoundError;
use crate::analysis::{Options, loudness_of};
use crate::events::{Watched, watch_by};
use crate::filter::Bands;
use crate::level::db;
use crate::measure::{Recording, Track, measure};
use crate::pcm::Source;
use crate::spectrum::spectra;
use crate::speed::{Background, HALF_WIDTH_90, Reading, Scale, SpeedFit, fit};
use crate::tones::{Origin, Tone, origin, tones};

/// Fan speed over time: (s from the start of the log, rpm), rising in time.
#[derive(Clone, Debug, PartialEq)]
pub struct SpeedLog {
    points: Vec<(f64, f64)>,
}

/// Longest gap in a speed log that is bridged, s.
const LONGEST_GAP_S: f64 = 10.0;

impl SpeedLog {
    /// From points; those that are not finite or below 0 rpm are left out.
    ///
    /// # Errors
    /// [`SoundError::NotIdentified`] with fewer than two points.
    pub fn new(points: impl IntoIterator<Item = (f64, f64)>) -> Result<Self, SoundError> {
        let mut kept: Vec<(f64, f64)> = points
            .into_iter()
            .filter(|(t, n)| t.is_finite() && n.is_finite() && *n >= 0.0)
            .collect();
        kept.sort_by(|a, b| a.0.total_cmp(&b.0));
        if kept.len() < 2 {
            return Err(SoundError::needs(
                "a log of the fan speed with at least two rows",
            ));
        }
        Ok(Self { points: kept })
    }

    /// Speed at a time, straight between rows; `None` outside and in gaps.
    pub fn at(&self, time_s: f64) -> Option<f64> {
        let after = self.points.partition_point(|p| p.0 <= time_s);
        let a = self.points[after.checked_sub(1)?];
        let Some(&b) = self.points.get(after) else {
            return (time_s <= a.0).then_some(a.1);
        };
        if b.0 - a.0 > LONGEST_GAP_S {
            return None;
        }
        Some(a.1 + (b.1 - a.1) * (time_s - a.0) / (b.0 - a.0))
    }

    /// Relative change of speed around a time, 1/s.
    fn slew_per_s(&self, time_s: f64) -> f64 {
        let after = self.points.partition_point(|p| p.0 <= time_s);
        let (Some(i), Some(b)) = (after.checked_sub(1), self.points.get(after)) else {
            return 0.0;
        };
        let a = self.points[i];
        let mean = 0.5 * (a.1 + b.1);
        if mean > 0.0 {
            (b.1 - a.1).abs() / (mean * (b.0 - a.0).max(0.05))
        } else {
            0.0
        }
    }
}

/// How a sweep is to be taken.
#[derive(Clone, Debug, Default)]
pub struct SweepOptions {
    /// Calibration, microphone, field.
    pub recording: Options,
    /// Start of the recording in the log's time, s; found from the sound if not given.
    pub start_s: Option<f64>,
    /// The room with the machine off.
    pub background: Option<Background>,
    /// Speed to which the level refers, rpm; the highest seen if not given.
    pub full_speed_rpm: Option<f64>,
    /// Blades of the fan, if known.
    pub blades: Option<u32>,
    /// Lowest level that the recorder or the meter shows, dB(A): its own noise. Levels there are "at
    /// most this".
    pub floor_db: Option<f64>,
}

/// The sound at one speed.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    /// Mean speed, rpm.
    pub speed_rpm: f64,
    /// Seconds of sound.
    pub duration_s: f64,
    /// Equivalent level of fans and room, dB(A).
    pub level_db: f64,
    /// Standard deviation of that level, dB.
    pub sd_db: f64,
    /// Bands, dB.
    pub thirds: Bands,
    /// Loudness of fans and room, sone; `None` without calibration.
    pub loudness_sone: Option<f64>,
    /// Prominent tones with what they may come from.
    pub tones: Vec<(Tone, Origin)>,
    /// Whether it stands at the floor: the level is at most this.
    pub at_floor: bool,
    /// Measured less the line through all speeds, dB.
    pub off_line_db: f64,
}

/// Speeds at which something resonates.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Resonance {
    /// From, rpm.
    pub from_rpm: f64,
    /// To, rpm.
    pub to_rpm: f64,
    /// Highest excess over the line, dB.
    pub excess_db: f64,
    /// A tone that is prominent only there, Hz.
    pub tone_hz: Option<f64>,
}

/// A sweep as evaluated.
#[derive(Clone, Debug, PartialEq)]
pub struct Sweep {
    /// Sound at each speed, slowest first.
    pub steps: Vec<Step>,
    /// The model through them.
    pub fit: SpeedFit,
    /// Speeds to avoid.
    pub resonances: Vec<Resonance>,
    /// Start of the recording in the log's time, s.
    pub start_s: f64,
    /// Whether that was found from the sound.
    pub aligned: bool,
    /// Whether levels are relative to full scale.
    pub relative: bool,
    /// The recording as measured.
    pub recording: Recording,
    /// Events and findings.
    pub watched: Watched,
}

/// Ratio of neighbouring speeds that are told apart.
const SPEED_RATIO: f64 = 1.04;
/// Change of speed per second above which neither speed nor sound is what the log says, 1/s.
const FASTEST_SLEW_PER_S: f64 = 0.05;
/// Least sound a step needs, s.
const LEAST_STEP_S: f64 = 1.0;

/// Within this of the floor a level stands at it, dB. A judgement: what makes it would be 9.6 dB below.
const AT_FLOOR_DB: f64 = 0.5;

/// Evaluates a sweep.
///
/// # Errors
/// Those of reading; [`SoundError::NotIdentified`] if log and recording share no two speeds.
pub fn sweep(
    source: &mut dyn Source,
    log: &SpeedLog,
    options: &SweepOptions,
) -> Result<Sweep, SoundError> {
    let mut recording = measure(source)?;
    let (start_s, aligned) = match options.start_s {
        Some(start_s) => (start_s, false),
        None => align(&recording.track, log),
    };
    let classes = classes(&recording.track, log, start_s);
    let watched = watch_by(&recording, &|levels| class_medians(levels, &classes));
    let calibration = options.recording.usable(&watched);
    options.recording.apply(calibration, &mut recording.track);
    let track = &recording.track;
    let (groups, of_segment) = group(track, &classes, &watched.keep);
    if groups.len() < 2 {
        return Err(SoundError::needs(
            "a recording and a log that share at least two speeds, each held for a second or more; check \
             that both were running, and give the recording's start in the log's time",
        ));
    }
    let mut found = spectra(source, &recording, groups.len(), |i| of_segment[i])?;
    let mut steps: Vec<Step> = groups
        .iter()
        .zip(&mut found)
        .map(|(group, spectrum)| {
            options.recording.apply_spectrum(calibration, spectrum);
            let tones = if spectrum.blocks > 0 {
                tones(spectrum, calibration.is_some())
            } else {
                Vec::new()
            };
            step(
                track,
                group,
                tones,
                spectrum.line_hz,
                calibration.is_some(),
                options,
            )
        })
        .collect();
    let readings: Vec<Reading> = steps
        .iter()
        .map(|s| Reading {
            speed_rpm: s.speed_rpm,
            level_db: s.level_db,
            sd_db: s.sd_db,
            at_floor: s.at_floor,
        })
        .collect();
    let scale = if calibration.is_some() {
        Scale::Absolute
    } else {
        Scale::Relative
    };
    let mut fit = fit(&readings, options.background, options.full_speed_rpm, scale)?;
    // The whole scale may be off by what the calibration is uncertain by.
    if let Some(calibration) = calibration {
        widen(&mut fit.full_speed_db, calibration.sd_db);
        widen(&mut fit.background_db, calibration.sd_db);
    }
    for (step, residual) in steps.iter_mut().zip(&fit.residuals_db) {
        step.off_line_db = residual.unwrap_or(0.0);
    }
    Ok(Sweep {
        resonances: resonances(&steps, &fit),
        steps,
        fit,
        start_s,
        aligned,
        relative: calibration.is_none(),
        watched,
        recording,
    })
}

/// Adds a standard uncertainty to an interval of 90 %.
fn widen(estimate: &mut Estimate, sd_db: f64) {
    let more = HALF_WIDTH_90 * sd_db;
    estimate.lo = estimate.value - (estimate.value - estimate.lo).hypot(more);
    estimate.hi = estimate.value + (estimate.hi - estimate.value).hypot(more);
}

/// Stretches at one speed.
struct Group {
    speed_rpm: f64,
    members: Vec<usize>,
}

/// Speeds below this are a stopped fan, rpm.
const STOPPED_BELOW_RPM: f64 = 30.0;

/// The speed of every stretch with its class: classes are 4 % apart, and stopped fans are one of their
/// own. `None` where the log has no speed or the speed is changing.
type Classes = Vec<Option<(usize, f64)>>;

fn classes(track: &Track, log: &SpeedLog, start_s: f64) -> Classes {
    let starts = track.starts_s();
    let mut of_class: std::collections::BTreeMap<i32, Vec<(usize, f64)>> =
        std::collections::BTreeMap::new();
    for (i, segment) in track.segments().iter().enumerate() {
        let middle_s = start_s + starts[i] + 0.5 * segment.duration_s;
        let Some(rpm) = log.at(middle_s) else {
            continue;
        };
        if log.slew_per_s(middle_s) > FASTEST_SLEW_PER_S {
            continue;
        }
        let class = if rpm < STOPPED_BELOW_RPM {
            -1
        } else {
            (rpm.ln() / SPEED_RATIO.ln()).round() as i32
        };
        of_class.entry(class).or_default().push((i, rpm));
    }
    let mut classes = vec![None; track.segments().len()];
    for (class, members) in joined(of_class.into_values()).into_iter().enumerate() {
        for (i, rpm) in members {
            classes[i] = Some((class, rpm));
        }
    }
    classes
}

/// The median of each stretch's class, so that a step of the speed is no event; stretches without a class
/// stand out of nothing.
fn class_medians(levels: &[f64], classes: &Classes) -> Vec<f64> {
    let many = classes.iter().flatten().map(|c| c.0 + 1).max().unwrap_or(0);
    let mut of_class: Vec<Vec<f64>> = vec![Vec::new(); many];
    for (level, class) in levels.iter().zip(classes) {
        if let Some((class, _)) = class {
            of_class[*class].push(*level);
        }
    }
    let medians: Vec<f64> = of_class
        .into_iter()
        .map(|mut levels| {
            levels.sort_by(f64::total_cmp);
            levels.get(levels.len() / 2).copied().unwrap_or(f64::NAN)
        })
        .collect();
    levels
        .iter()
        .zip(classes)
        .map(|(level, class)| class.map_or(*level, |(class, _)| medians[class]))
        .collect()
}

/// The classes with enough sound that is kept, slowest first, and which of them each stretch is in.
fn group(track: &Track, classes: &Classes, keep: &[bool]) -> (Vec<Group>, Vec<Option<usize>>) {
    let many = classes.iter().flatten().map(|c| c.0 + 1).max().unwrap_or(0);
    let mut of_segment = vec![None; track.segments().len()];
    let mut groups = Vec::new();
    for class in 0..many {
        let members: Vec<(usize, f64)> = classes
            .iter()
            .enumerate()
            .filter_map(|(i, c)| c.filter(|c| c.0 == class && keep[i]).map(|c| (i, c.1)))
            .collect();
        let length_s: f64 = members
            .iter()
            .map(|(i, _)| track.segments()[*i].duration_s)
            .sum();
        if length_s < LEAST_STEP_S {
            continue;
        }
        for (i, _) in &members {
            of_segment[*i] = Some(groups.len());
        }
        let mean = members.iter().map(|m| m.1).sum::<f64>() / members.len() as f64;
        groups.push(Group {
            speed_rpm: if mean < STOPPED_BELOW_RPM { 0.0 } else { mean },
            members: members.into_iter().map(|m| m.0).collect(),
        });
    }
    (groups, of_segment)
}

/// Joins neighbouring classes whose means are nearer than half a class: one speed on the border.
fn joined(classes: impl Iterator<Item = Vec<(usize, f64)>>) -> Vec<Vec<(usize, f64)>> {
    let mean = |v: &[(usize, f64)]| v.iter().map(|m| m.1).sum::<f64>() / v.len() as f64;
    let mut out: Vec<Vec<(usize, f64)>> = Vec::new();
    for class in classes {
        match out.last_mut() {
            Some(before)
                if mean(&class) < mean(before) * SPEED_RATIO.sqrt()
                    && mean(before) >= STOPPED_BELOW_RPM =>
            {
                before.extend(class);
            }
            _ => out.push(class),
        }
    }
    out
}

fn step(
    track: &Track,
    group: &Group,
    tones: Vec<Tone>,
    line_hz: f64,
    calibrated: bool,
    options: &SweepOptions,
) -> Step {
    let mut keep = vec![false; track.segments().len()];
    for &i in &group.members {
        keep[i] = true;
    }
    let thirds = track.band_levels(&keep);
    let of: Vec<f64> = group
        .members
        .iter()
        .map(|&i| track.segments()[i].a)
        .collect();
    let mean = of.iter().sum::<f64>() / of.len() as f64;
    let loudness = calibrated
        .then(|| loudness_of(track, &thirds, options.recording.field()))
        .flatten();
    let level_db = db(mean);
    Step {
        speed_rpm: group.speed_rpm,
        duration_s: group
            .members
            .iter()
            .map(|&i| track.segments()[i].duration_s)
            .sum(),
        level_db,
        at_floor: options
            .floor_db
            .is_some_and(|f| level_db <= f + AT_FLOOR_DB),
        sd_db: mean_sd_db(&of, mean),
        thirds,
        loudness_sone: loudness.map(|l| l.sone),
        tones: tones
            .into_iter()
            .filter(Tone::prominent)
            .map(|t| {
                (
                    t,
                    origin(t.hz, Some(group.speed_rpm), options.blades, line_hz),
                )
            })
            .collect(),
        off_line_db: 0.0,
    }
}

/// Standard deviation of a mean of energies in dB, from means over eighths of the stretches, since
/// neighbours are alike.
fn mean_sd_db(energies: &[f64], mean: f64) -> f64 {
    let length = energies.len().div_ceil(8).max(1);
    let parts: Vec<f64> = energies
        .chunks(length)
        .map(|c| c.iter().sum::<f64>() / c.len() as f64)
        .collect();
    let n = parts.len() as f64;
    if n < 2.0 || mean <= 0.0 {
        return 0.5;
    }
    let variance = parts.iter().map(|p| (p - mean).powi(2)).sum::<f64>() / (n - 1.0);
    10.0 / std::f64::consts::LN_10 * (variance / n).sqrt() / mean
}

/// Exponents of energy against speed tried while looking for the place of a recording in its log: 45 to
/// 65 dB per decade.
const EXPONENTS: [f64; 3] = [4.5, 5.5, 6.5];
/// Step of the search, and of its second round, s.
const SEARCH_STEP_S: f64 = 0.25;
const FINE_STEP_S: f64 = 0.05;
/// Share of the recording that has to lie within the log.
const LEAST_OVERLAP: f64 = 0.7;

/// Start of the recording in the log's time: where a room and a fan that goes with a power of its speed
/// tell most of the level, within the log. The recording is taken to begin with the log where no place
/// is clearly better, since noise also has a best place.
fn align(track: &Track, log: &SpeedLog) -> (f64, bool) {
    let starts = track.starts_s();
    // A stretch in three is enough to find the place.
    let heard: Vec<(f64, f64)> = starts
        .iter()
        .zip(track.segments())
        .step_by(3)
        .map(|(&start, s)| (start, s.a))
        .filter(|(_, a)| *a > 0.0)
        .collect();
    let (first, last) = (log.points[0].0, log.points[log.points.len() - 1].0);
    let span_s = track.duration_s();
    let from = first - (1.0 - LEAST_OVERLAP) * span_s;
    let to = (last - LEAST_OVERLAP * span_s).max(first);
    let steps = ((to - from) / SEARCH_STEP_S).clamp(0.0, 20_000.0) as usize;
    let best_of = |starts: &mut dyn Iterator<Item = f64>| {
        starts
            .filter_map(|s| unexplained(&heard, log, s).map(|u| (s, u)))
            .min_by(|a, b| a.1.total_cmp(&b.1))
    };
    let coarse = best_of(&mut (0..=steps).map(|i| from + SEARCH_STEP_S * i as f64));
    let fine = coarse
        .and_then(|(near, _)| best_of(&mut (-5..=5).map(|i| near + FINE_STEP_S * f64::from(i))));
    let at_first = unexplained(&heard, log, first).unwrap_or(f64::INFINITY);
    match fine {
        Some((start_s, u)) if u < 0.9 * at_first => (start_s, true),
        _ => (first, false),
    }
}

/// Mean square of what room and fan do not tell of the energies, relative to these, for a recording that
/// starts at this time of the log; `None` if too little of it lies within.
fn unexplained(heard: &[(f64, f64)], log: &SpeedLog, start_s: f64) -> Option<f64> {
    let inside: Vec<(f64, f64)> = heard
        .iter()
        .filter_map(|(at, energy)| log.at(start_s + at).map(|rpm| (rpm / 1000.0, *energy)))
        .collect();
    if inside.len() < 10 || (inside.len() as f64) < LEAST_OVERLAP * heard.len() as f64 {
        return None;
    }
    EXPONENTS
        .iter()
        .map(|&e| {
            // Least squares of 1 = room / energy + fan n^e / energy.
            let (mut rr, mut rf, mut ff, mut r1, mut f1) = (0.0, 0.0, 0.0, 0.0, 0.0);
            for (speed, energy) in &inside {
                let (r, f) = (1.0 / energy, speed.powf(e) / energy);
                rr += r * r;
                rf += r * f;
                ff += f * f;
                r1 += r;
                f1 += f;
            }
            let n = inside.len() as f64;
            let determinant = rr * ff - rf * rf;
            let told = if determinant > 1e-9 * rr * ff {
                (r1 * (ff * r1 - rf * f1) + f1 * (rr * f1 - rf * r1)) / determinant
            } else {
                r1 * r1 / rr
            };
            ((n - told) / n).max(0.0)
        })
        .min_by(f64::total_cmp)
}

/// Steps that stand above the line by more than their scatter, or have a tone that neither neighbour
/// has; neighbours are joined.
fn resonances(steps: &[Step], fit: &SpeedFit) -> Vec<Resonance> {
    let bound_db = (3.0 * fit.scatter_db).max(1.5);
    let stands_out = |s: &Step| s.speed_rpm > 0.0 && s.off_line_db > bound_db;
    let mut found: Vec<Resonance> = Vec::new();
    let mut open = false;
    for (i, step) in steps.iter().enumerate() {
        let tone = lone_tone(steps, i);
        if !stands_out(step) && tone.is_none() {
            open = false;
            continue;
        }
        let here = Resonance {
            from_rpm: step.speed_rpm / SPEED_RATIO.sqrt(),
            to_rpm: step.speed_rpm * SPEED_RATIO.sqrt(),
            excess_db: step.off_line_db,
            tone_hz: tone,
        };
        match found.last_mut() {
            Some(before) if open => {
                before.to_rpm = here.to_rpm;
                before.excess_db = before.excess_db.max(here.excess_db);
                before.tone_hz = before.tone_hz.or(here.tone_hz);
            }
            _ => found.push(here),
        }
        open = true;
    }
    found
}

/// A prominent tone that the steps one class away on either side do not have at that frequency or at
/// that multiple of the speed. Only within the range: at its ends there is no neighbour to ask.
fn lone_tone(steps: &[Step], i: usize) -> Option<f64> {
    let (before, after) = (steps.get(i.checked_sub(1)?)?, steps.get(i + 1)?);
    let here = &steps[i];
    if before.speed_rpm <= 0.0 {
        return None;
    }
    let has = |other: &Step, hz: f64| {
        let order = hz / here.speed_rpm * other.speed_rpm;
        let near = |a: f64, b: f64| (a / b - 1.0).abs() < 0.015;
        other
            .tones
            .iter()
            .any(|(t, _)| near(t.hz, hz) || near(t.hz, order))
    };
    let alone = here.tones.iter().map(|(t, _)| t);
    alone
        // Well above the criterion: one that is just above it here may be just below it there.
        .filter(|t| {
            t.tone_to_noise_db > t.tone_to_noise_criterion_db + 3.0
                || t.prominence_db > t.prominence_criterion_db + 3.0
        })
        .map(|t| t.hz)
        .find(|&hz| !has(before, hz) && !has(after, hz))
}
