//! What the file and the recorder did to the sound: coding, silent channels, coarse samples; clipping,
//! noise gating, automatic gain, a cut-off top.

use settlepoint_domain::{Finding, Severity};

use super::{Around, Event, runs, segment_s};
use crate::level::db;
use crate::measure::{Recording, Track};

pub(super) fn file_findings(recording: &Recording) -> Vec<Finding> {
    let mut findings: Vec<Finding> = recording
        .oddities
        .iter()
        .map(|o| {
            Finding::new(
                o.rule,
                Severity::Warning,
                o.evidence.clone(),
                o.remedy.clone(),
            )
        })
        .collect();
    if recording.format.lossy {
        findings.push(Finding::new(
            "compressed",
            Severity::Warning,
            format!("the sound is compressed ({})", recording.format.encoding),
            "record as WAV (PCM): coding throws away what it takes for inaudible, quiet fans among it",
        ));
    }
    if recording.format.rate_hz < LEAST_RATE_HZ {
        findings.push(Finding::new(
            "band_limited",
            Severity::Warning,
            format!(
                "{:.0} samples a second carry nothing above {:.0} Hz",
                recording.format.rate_hz,
                0.45 * recording.format.rate_hz
            ),
            "record with 44100 samples a second or more; hiss and whine above are missing",
        ));
    }
    let live = recording.live_channels();
    if !live.contains(&true) {
        findings.push(Finding::new(
            "silent",
            Severity::Error,
            "there is no sound in it, only zeros".to_owned(),
            "check that the microphone is on and that the recorder may use it, then record again",
        ));
        return findings;
    }
    for (i, channel) in recording
        .channels
        .iter()
        .enumerate()
        .filter(|(i, _)| !live[*i])
    {
        findings.push(Finding::new(
            "silent_channel",
            Severity::Note,
            format!(
                "channel {} is {} and was left out of the mean",
                i + 1,
                if channel.peak == 0.0 {
                    "silent".to_owned()
                } else {
                    format!(
                        "{:.0} dB below the others",
                        -db(channel.z)
                            + db(recording.channels.iter().map(|c| c.z).fold(0.0, f64::max))
                    )
                }
            ),
            "nothing, if the microphone has one channel",
        ));
    }
    let apart_db = recording.channel_difference_db();
    if apart_db > 3.0 {
        findings.push(Finding::new(
            "channels_differ",
            Severity::Note,
            format!("the channels differ by {apart_db:.1} dB; their mean energy was taken"),
            "calibrate each channel by itself, or choose one",
        ));
    }
    let offset = recording
        .channels
        .iter()
        .map(|c| c.offset.abs())
        .fold(0.0, f64::max);
    if offset > 0.02 {
        findings.push(Finding::new(
            "offset",
            Severity::Note,
            format!(
                "the samples stand {:.1} % of full scale off zero; it was taken out",
                100.0 * offset
            ),
            "nothing; the recorder's input has a direct voltage",
        ));
    }
    findings.extend(resolution(recording));
    findings
}

/// Sampling rate below which the recording lacks a part of what is heard of fans and coils, Hz. A
/// judgement: 32 kHz carries up to 14 kHz.
const LEAST_RATE_HZ: f64 = 32_000.0;

/// Rounding of the samples adds noise of a twelfth of a step squared.
fn resolution(recording: &Recording) -> Option<Finding> {
    let step = recording.format.step;
    let energy = recording.track.segments().iter().map(|s| s.z).sum::<f64>()
        / recording.track.segments().len() as f64;
    let rounding = step * step / 6.0;
    (energy > 0.0 && rounding > 0.01 * energy).then(|| {
        Finding::new(
            "coarse_samples",
            Severity::Warning,
            format!(
                "the sound is only {:.0} dB above the rounding of {} samples",
                db(energy) - db(rounding),
                recording.format.encoding
            ),
            "record with a higher input gain or with 24 bits",
        )
    })
}

pub(super) fn recorder_findings(
    recording: &Recording,
    events: &[Event],
    around: Around<'_>,
) -> Vec<Finding> {
    let track = &recording.track;
    let mut findings = Vec::new();
    findings.extend(clipping(recording));
    findings.extend(gate(recording, around));
    findings.extend(gain_after_events(track, events));
    findings.extend(cut_above(track));
    findings
}

fn clipping(recording: &Recording) -> Option<Finding> {
    let count: u64 = recording
        .track
        .segments()
        .iter()
        .map(|s| u64::from(s.clipped))
        .sum();
    let peak = recording
        .channels
        .iter()
        .map(|c| c.peak)
        .fold(0.0, f64::max);
    if count == 0 {
        return None;
    }
    // What is left out with a knock does no harm; in the sound itself it bars levels.
    let stretches = recording
        .track
        .segments()
        .iter()
        .filter(|s| s.clipped > 0)
        .count();
    let severe = 10 * stretches > recording.track.segments().len();
    Some(Finding::new(
        "clipped",
        if severe {
            Severity::Error
        } else {
            Severity::Warning
        },
        format!(
            "{count} samples stand at the top, {:.1} dB below full scale{}",
            (-20.0 * peak.log10()).max(0.0),
            if severe {
                ", so the levels are too low"
            } else {
                "; the eighths of a second around them were left out"
            }
        ),
        "record again with less gain",
    ))
}

/// Drop that a steady sound does not make by itself, dB.
const GATE_DROP_DB: f64 = 15.0;
/// Below this there are only zeros: the rounding of 24 bits makes -146 dB.
const SILENT_DB: f64 = -160.0;

/// A gate lets nothing through below a threshold: drops far below the median, or exact zeros.
fn gate(recording: &Recording, around: Around<'_>) -> Option<Finding> {
    let track = &recording.track;
    let levels: Vec<f64> = track
        .segments()
        .iter()
        .map(|s| db(s.a).max(-200.0))
        .collect();
    let around = around(&levels);
    let flags: Vec<bool> = levels
        .iter()
        .zip(&around)
        .map(|(l, a)| *l - *a < -GATE_DROP_DB)
        .collect();
    let drops = runs(&flags, 0).len();
    let share = |count: usize| count as f64 / levels.len() as f64;
    let dropped = share(flags.iter().filter(|f| **f).count());
    let silent = share(levels.iter().filter(|l| **l < SILENT_DB).count());
    // A fan that stops drops once; a gate opens and closes.
    let gated = drops >= 3 && dropped >= 0.01 || (0.05..1.0).contains(&silent);
    if !gated {
        return None;
    }
    Some(Finding::new(
        "noise_gate",
        Severity::Error,
        format!(
            "{:.0} % of the time, in {drops} stretches, is more than {GATE_DROP_DB:.0} dB below the rest, \
             {:.0} % is digital silence",
            100.0 * dropped,
            100.0 * silent
        ),
        "switch noise reduction and voice processing off; quiet sound was cut away, so levels are not \
         to be trusted",
    ))
}

/// Automatic gain turns down at something loud and comes back over seconds.
fn gain_after_events(track: &Track, events: &[Event]) -> Option<Finding> {
    let starts = track.starts_s();
    let mean = |from_s: f64, to_s: f64| -> Option<f64> {
        let inside: Vec<f64> = starts
            .iter()
            .zip(track.segments())
            .filter(|(s, _)| **s >= from_s && **s < to_s)
            .map(|(_, segment)| segment.a)
            .collect();
        (inside.len() >= 4).then(|| db(inside.iter().sum::<f64>() / inside.len() as f64))
    };
    let free = |from_s: f64, to_s: f64| {
        !events
            .iter()
            .any(|e| e.start_s < to_s && from_s < e.end_s + 0.3)
    };
    let mut dips: Vec<f64> = events
        .iter()
        .filter(|e| e.over_db > 10.0)
        .filter_map(|e| {
            let (after, later, before) = (e.end_s + 0.5, e.end_s + 4.0, e.start_s - 2.5);
            if !free(after, later + 2.0) || !free(before, e.start_s - 0.4) {
                return None;
            }
            let level_db = mean(before, e.start_s - 0.4)?.min(mean(later, later + 2.0)?);
            Some(level_db - mean(after, after + 0.75)?)
        })
        .collect();
    dips.sort_by(f64::total_cmp);
    let middle = *dips.get(dips.len() / 2)?;
    (middle > 1.5).then(|| {
        Finding::new(
            "automatic_gain",
            Severity::Error,
            format!(
                "after {} loud event{} the sound was {middle:.1} dB lower and came back over seconds",
                dips.len(),
                if dips.len() == 1 { "" } else { "s" }
            ),
            "switch automatic gain off, or record with a program that has a fixed gain; levels are not \
             to be trusted",
        )
    })
}

/// Automatic gain also settles at the start: all bands move together.
pub(super) fn gain_at_start(track: &Track) -> Option<Finding> {
    let segment_s = segment_s(track);
    if track.duration_s() < 20.0 {
        return None;
    }
    let mean = |from_s: f64, to_s: f64| -> Vec<f64> {
        let (from, to) = ((from_s / segment_s) as usize, (to_s / segment_s) as usize);
        let to = to.min(track.segments().len());
        (0..track.bands.len())
            .map(|b| {
                db((from..to)
                    .map(|i| f64::from(track.energies(i)[b]))
                    .sum::<f64>()
                    / (to - from) as f64)
            })
            .collect()
    };
    let (start, settled) = (mean(1.0, 2.5), mean(10.0, 18.0));
    let steps: Vec<f64> = track
        .bands
        .iter()
        .zip(start.iter().zip(&settled))
        .filter(|(b, (s, _))| (200.0..=6300.0).contains(&b.nominal_hz) && s.is_finite())
        .map(|(_, (s, e))| e - s)
        .collect();
    if steps.len() < 8 {
        return None;
    }
    let step_db = steps.iter().sum::<f64>() / steps.len() as f64;
    let apart =
        (steps.iter().map(|s| (s - step_db).powi(2)).sum::<f64>() / steps.len() as f64).sqrt();
    // Fans that speed up change their bands by different amounts; a gain changes all by the same.
    (step_db.abs() > 3.0 && apart < 1.0).then(|| {
        Finding::new(
            "gain_at_start",
            Severity::Warning,
            format!("all bands moved by {step_db:+.1} dB together within the first 10 s"),
            "if no fan changed then, the recorder set its own gain: switch that off",
        )
    })
}

/// Recorders for speech cut the top off: from one band to the next the sound is gone, and stays away.
fn cut_above(track: &Track) -> Option<Finding> {
    const CLIFF_DB: f64 = 20.0;
    let levels = track.band_levels(&[]);
    let at = (4..levels.len()).find(|&i| {
        let edge_db = levels[i - 1];
        let nothing_above = levels[i..].iter().all(|l| *l < edge_db - CLIFF_DB);
        // A tone alone also has a cliff; then the bands below it are lower, too.
        let even_below = levels[i - 4..i - 1].iter().all(|l| edge_db - l < 10.0);
        track.bands[i].nominal_hz > 2500.0 && edge_db.is_finite() && nothing_above && even_below
    })?;
    let below_hz = track.bands[at - 1].edges_hz().1;
    (below_hz < 15_000.0).then(|| {
        Finding::new(
            "band_limited",
            Severity::Warning,
            format!("there is nothing above {below_hz:.0} Hz"),
            "record with 44100 samples a second or more, uncompressed; hiss and whine above are missing",
        )
    })
}
