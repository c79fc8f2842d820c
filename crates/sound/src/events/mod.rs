//! What does not belong to the sound that was meant to be measured: speech, doors, wind; and what the
//! recorder did to it: clipping, automatic gain, noise gating.
//!
//! The thresholds are judgements, tried on synthetic rooms (`tests/disturbances.rs`); each finding gives
//! its numbers, and what is left out is said.

mod recorder;

use settlepoint_domain::{Finding, Severity};

use crate::level::db;
use crate::measure::{Recording, Track};

/// What disturbed the recording.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EventKind {
    /// Short and sharp: a door, a knock, something put down.
    Knock,
    /// Energy in the range of voices, in syllables.
    Speech,
    /// Gusts at the microphone: low, and not in the middle of the range.
    Wind,
    /// Anything else that passed.
    Passing,
}

impl EventKind {
    /// The token in JSON and tables.
    pub const fn token(self) -> &'static str {
        match self {
            Self::Knock => "knock",
            Self::Speech => "speech",
            Self::Wind => "wind",
            Self::Passing => "passing",
        }
    }
}

/// A stretch that was left out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Event {
    /// Kind.
    pub kind: EventKind,
    /// Start, s.
    pub start_s: f64,
    /// End, s.
    pub end_s: f64,
    /// By how much it stood above what was around it at most, dB(A).
    pub over_db: f64,
}

/// What was found in a recording.
#[derive(Clone, Debug, PartialEq)]
pub struct Watched {
    /// Disturbances in order.
    pub events: Vec<Event>,
    /// Which stretches of the track to use.
    pub keep: Vec<bool>,
    /// What users should know.
    pub findings: Vec<Finding>,
    /// Whether automatic gain, gating or clipping bars absolute levels.
    pub levels_barred: bool,
}

/// Least rise over the surroundings that is taken for an event, dB.
const LEAST_RISE_DB: f64 = 4.0;
/// Longest event, s: what lasts longer is a change of the sound itself.
const LONGEST_S: f64 = 8.0;
/// Change from eighth to eighth of a second that syllables make at least, dB; what changes less over a
/// longer time is the sound itself.
const SYLLABLES_DB: f64 = 2.0;
/// Half the width of the surroundings, s.
const AROUND_S: f64 = 15.0;
/// What is left out before and after an event, s: the low bands ring.
const BEFORE_S: f64 = 0.2;
const AFTER_S: f64 = 0.6;
/// Largest share of a recording that is left out.
const MOST_LEFT_OUT: f64 = 0.5;

/// Stretches that touch the top of the scale are left out too, if enough is left.
fn leave_out_clipped(track: &Track, keep: &mut [bool]) {
    let clipped = |i: usize| track.segments()[i].clipped > 0;
    let used = keep.iter().filter(|k| **k).count();
    let bad = (0..keep.len()).filter(|&i| keep[i] && clipped(i)).count();
    if 10 * bad <= used {
        for (i, k) in keep.iter_mut().enumerate() {
            *k &= !clipped(i);
        }
    }
}

/// What the level of each stretch is compared with: from the levels of all, dB.
pub(crate) type Around<'a> = &'a dyn Fn(&[f64]) -> Vec<f64>;

/// Looks through a recording of a sound that is meant to be steady.
pub fn watch(recording: &Recording) -> Watched {
    let segment_s = segment_s(&recording.track);
    let mut watched = watch_by(recording, &|levels| surroundings(levels, segment_s));
    watched
        .findings
        .extend(recorder::gain_at_start(&recording.track));
    watched
}

/// The same against other surroundings than those in time.
pub(crate) fn watch_by(recording: &Recording, around: Around<'_>) -> Watched {
    let track = &recording.track;
    let mut events = disturbances(track, around);
    events.extend(gusts(track, &events, around));
    events.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    let mut keep = kept(track, &events);
    let mut findings = Vec::new();
    let left_out_s: f64 = durations(track)
        .zip(&keep)
        .filter(|(_, k)| !**k)
        .map(|(d, _)| d)
        .sum();
    if left_out_s > MOST_LEFT_OUT * track.duration_s() {
        keep.fill(true);
        findings.push(Finding::new(
            "unsteady",
            Severity::Warning,
            format!(
                "{left_out_s:.0} of {:.0} s stand out of what is around them; nothing was left out",
                track.duration_s()
            ),
            "record again in a quiet hour, or take the level exceeded in 90 % of the time",
        ));
    } else {
        findings.extend(event_findings(&events, left_out_s));
    }
    leave_out_clipped(track, &mut keep);
    findings.extend(recorder::file_findings(recording));
    let recorder = recorder::recorder_findings(recording, &events, around);
    let levels_barred = recorder.iter().any(|f| f.severity == Severity::Error);
    findings.extend(recorder);
    Watched {
        events,
        keep,
        findings,
        levels_barred,
    }
}

fn durations(track: &Track) -> impl Iterator<Item = f64> + '_ {
    track.segments().iter().map(|s| s.duration_s)
}

/// Median of the stretches around each one.
fn surroundings(values: &[f64], segment_s: f64) -> Vec<f64> {
    let half = (AROUND_S / segment_s).ceil() as usize;
    // A new median every half second is enough, and keeps long recordings quick.
    let step = ((0.5 / segment_s) as usize).max(1);
    let mut middle = 0.0;
    (0..values.len())
        .map(|i| {
            if i % step == 0 {
                let end = (i + half + 1).min(values.len());
                let mut window = values[i.saturating_sub(half)..end].to_vec();
                window.sort_by(f64::total_cmp);
                middle = window[window.len() / 2];
            }
            middle
        })
        .collect()
}

/// Typical change from stretch to stretch: 1.48 times the median of absolute differences over sqrt 2.
fn flutter(values: &[f64]) -> f64 {
    let mut steps: Vec<f64> = values
        .windows(2)
        .map(|w| (w[1] - w[0]).abs())
        .filter(|d| d.is_finite())
        .collect();
    steps.sort_by(f64::total_cmp);
    steps.get(steps.len() / 2).copied().unwrap_or(0.0) * 1.4826 / std::f64::consts::SQRT_2
}

fn segment_s(track: &Track) -> f64 {
    track.segments().first().map_or(0.125, |s| s.duration_s)
}

/// Runs of stretches for which `stands_out` holds, gaps of up to `bridge` stretches included.
fn runs(flags: &[bool], bridge: usize) -> Vec<(usize, usize)> {
    let mut found: Vec<(usize, usize)> = Vec::new();
    for i in (0..flags.len()).filter(|&i| flags[i]) {
        match found.last_mut() {
            Some(run) if i <= run.1 + bridge => run.1 = i + 1,
            _ => found.push((i, i + 1)),
        }
    }
    found
}

fn disturbances(track: &Track, around: Around<'_>) -> Vec<Event> {
    let levels: Vec<f64> = track
        .segments()
        .iter()
        .map(|s| db(s.a).max(-200.0))
        .collect();
    let segment_s = segment_s(track);
    let around = around(&levels);
    let rise_db = LEAST_RISE_DB.max(6.0 * flutter(&levels));
    let flags: Vec<bool> = levels
        .iter()
        .zip(&around)
        .map(|(l, a)| l - a > rise_db)
        .collect();
    let starts = track.starts_s();
    runs(&flags, (0.75 / segment_s) as usize)
        .into_iter()
        .filter(|&(from, to)| {
            let length_s = (to - from) as f64 * segment_s;
            length_s <= LONGEST_S
                || flutter(&levels[from..to]) > SYLLABLES_DB
                    && kind(track, from, to, length_s) == EventKind::Speech
        })
        .map(|(from, to)| {
            let over = |i: usize| levels[i] - around[i];
            let over_db = (from..to).map(over).fold(0.0, f64::max);
            let length_s = (to - from) as f64 * segment_s;
            Event {
                kind: kind(track, from, to, length_s),
                start_s: starts[from],
                end_s: starts[to - 1] + track.segments()[to - 1].duration_s,
                over_db,
            }
        })
        .collect()
}

/// Speech lasts and keeps to the range of voices; a knock is short.
fn kind(track: &Track, from: usize, to: usize, length_s: f64) -> EventKind {
    let before = from.checked_sub(2);
    let excess = |lo_hz: f64, hi_hz: f64| -> f64 {
        let pick = |i: usize| -> f64 {
            let bands = track.bands.iter().zip(track.energies(i));
            bands
                .filter(|(b, _)| (lo_hz..=hi_hz).contains(&b.nominal_hz))
                .map(|(_, &e)| f64::from(e))
                .sum()
        };
        let during = (from..to).map(pick).sum::<f64>() / (to - from) as f64;
        (during - before.map_or(0.0, pick)).max(0.0)
    };
    let voice = excess(200.0, 4000.0);
    let rest = excess(20.0, 80.0) + excess(6300.0, 20_000.0);
    match (length_s, voice > 4.0 * rest) {
        (l, true) if l >= 0.6 => EventKind::Speech,
        (l, _) if l <= 0.8 => EventKind::Knock,
        _ => EventKind::Passing,
    }
}

/// Wind at the microphone: the bands to 63 Hz rise by gusts and the middle does not.
fn gusts(track: &Track, known: &[Event], around: Around<'_>) -> Vec<Event> {
    let sum = |i: usize, lo_hz: f64, hi_hz: f64| -> f64 {
        let bands = track.bands.iter().zip(track.energies(i));
        let picked = bands.filter(|(b, _)| (lo_hz..=hi_hz).contains(&b.nominal_hz));
        db(picked.map(|(_, &e)| f64::from(e)).sum()).max(-200.0)
    };
    let of = |lo, hi| -> Vec<f64> {
        (0..track.segments().len())
            .map(|i| sum(i, lo, hi))
            .collect()
    };
    let (low, middle) = (of(20.0, 63.0), of(315.0, 4000.0));
    let segment_s = segment_s(track);
    let (low_around, middle_around) = (around(&low), around(&middle));
    // Bands as narrow as these flutter by several dB by themselves.
    let rise_db = (3.0 * flutter(&low)).max(10.0);
    let flags: Vec<bool> = (0..low.len())
        .map(|i| {
            let rise = low[i] - low_around[i];
            rise > rise_db && middle[i] - middle_around[i] < 0.3 * rise
        })
        .collect();
    let starts = track.starts_s();
    runs(&flags, (0.75 / segment_s) as usize)
        .into_iter()
        .map(|(from, to)| Event {
            kind: EventKind::Wind,
            start_s: starts[from],
            end_s: starts[to - 1] + segment_s,
            over_db: (from..to)
                .map(|i| low[i] - low_around[i])
                .fold(0.0, f64::max),
        })
        .filter(|e| {
            !known
                .iter()
                .any(|k| k.start_s < e.end_s && e.start_s < k.end_s + AFTER_S)
        })
        .collect()
}

/// Stretches outside of events; the ring of the low bands after an event is left out too.
fn kept(track: &Track, events: &[Event]) -> Vec<bool> {
    let mut at = 0;
    track
        .starts_s()
        .iter()
        .zip(track.segments())
        .map(|(&start_s, segment)| {
            let end_s = start_s + segment.duration_s;
            while events.get(at).is_some_and(|e| e.end_s + AFTER_S <= start_s) {
                at += 1;
            }
            !events[at..]
                .iter()
                .take_while(|e| e.start_s - BEFORE_S < end_s)
                .any(|e| start_s < e.end_s + AFTER_S)
        })
        .collect()
}

fn event_findings(events: &[Event], left_out_s: f64) -> Vec<Finding> {
    const KINDS: [(EventKind, &str, &str); 4] = [
        (EventKind::Speech, "speech", "say nothing while it records"),
        (
            EventKind::Knock,
            "knock",
            "keep doors shut and hands off the table while it records",
        ),
        (
            EventKind::Wind,
            "wind",
            "keep the microphone out of the fan's air, or put foam over it",
        ),
        (
            EventKind::Passing,
            "passing_sound",
            "record in a quiet hour",
        ),
    ];
    KINDS
        .iter()
        .filter_map(|(kind, rule, remedy)| {
            let of: Vec<&Event> = events.iter().filter(|e| e.kind == *kind).collect();
            let first = of.first()?;
            let most_db = of.iter().map(|e| e.over_db).fold(0.0, f64::max);
            Some(Finding::new(
                rule,
                Severity::Note,
                format!(
                    "{} of it, first at {:.1} s, up to {most_db:.0} dB above the rest; {left_out_s:.1} s \
                     were left out in all",
                    if of.len() == 1 { "1 stretch".to_owned() } else { format!("{} stretches", of.len()) },
                    first.start_s
                ),
                *remedy,
            ))
        })
        .collect()
}
