//! From shares of full scale to sound pressure: calibration, and the microphone's own response.

use crate::SoundError;
use crate::level::db;
use crate::measure::{Recording, Track};

/// How a recorder was calibrated.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reference {
    /// An acoustic calibrator on the microphone.
    Calibrator {
        /// Its level, dB.
        level_db: f64,
        /// Nominal frequency of the band its tone was found in, Hz.
        tone_hz: f64,
    },
    /// A meter's A-weighted equivalent level beside the microphone, of the same sound.
    Reading {
        /// What it showed, dB(A).
        level_db: f64,
    },
}

/// What is to be added to relative levels to have them in dB re 20 µPa.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Calibration {
    /// Added to levels, dB.
    pub offset_db: f64,
    /// Standard uncertainty, dB.
    pub sd_db: f64,
    /// Where it comes from.
    pub reference: Reference,
}

/// Limits of error of a class 1 calibrator, dB: IEC 60942:2017, from memory.
const CALIBRATOR_LIMIT_DB: f64 = 0.25;

/// By how much the calibrator's tone must stand out of everything else, dB. A judgement: at 15 dB the
/// rest adds 0.14 dB.
const TONE_CLEAR_DB: f64 = 15.0;

/// Stretches within this of the median count as the steady part of a calibrator's recording, dB.
const STEADY_DB: f64 = 0.3;

impl Calibration {
    /// From the recording of a calibrator (usually 94 or 114 dB at 1 kHz). Clicks and pauses while it
    /// is put on and taken off are left out.
    ///
    /// # Errors
    /// [`SoundError::NotIdentified`] if no steady tone stands out.
    pub fn from_calibrator(recording: &Recording, level_db: f64) -> Result<Self, SoundError> {
        check_level(level_db)?;
        let track = &recording.track;
        let levels = track.band_levels(&[]);
        let band = (0..levels.len())
            .max_by(|&a, &b| levels[a].total_cmp(&levels[b]))
            .unwrap_or(0);
        let energy = |i: usize| f64::from(track.energies(i)[band]);
        let tone: Vec<f64> = (0..track.segments().len()).map(|i| db(energy(i))).collect();
        let middle_db = upper_median(&tone);
        let steady: Vec<usize> = (0..tone.len())
            .filter(|&i| (tone[i] - middle_db).abs() <= STEADY_DB)
            .collect();
        let length_s: f64 = steady.iter().map(|&i| track.segments()[i].duration_s).sum();
        if length_s < 2.0 {
            return Err(SoundError::needs(
                "a recording of the calibrator with at least 2 s of its steady tone",
            ));
        }
        let rest: f64 = steady
            .iter()
            .map(|&i| track.segments()[i].c - energy(i))
            .sum::<f64>()
            .max(0.0);
        let signal: f64 = steady.iter().map(|&i| energy(i)).sum();
        if signal <= 0.0 || db(signal) - db(rest) < TONE_CLEAR_DB {
            return Err(SoundError::needs(
                "a recording in which the calibrator's tone stands 15 dB above everything else; press \
                 it tightly onto the microphone",
            ));
        }
        let mean_db = db(signal / steady.len() as f64);
        let spread = steady
            .iter()
            .map(|&i| (tone[i] - mean_db).powi(2))
            .sum::<f64>();
        let spread_db = (spread / steady.len() as f64).sqrt();
        Ok(Self {
            offset_db: level_db - mean_db,
            sd_db: spread_db.hypot(CALIBRATOR_LIMIT_DB / 3.0_f64.sqrt()),
            reference: Reference::Calibrator {
                level_db,
                tone_hz: track.bands[band].nominal_hz,
            },
        })
    }

    /// From a meter's reading of the same sound at the same place. `resolution_db` is the meter's step
    /// and `meter_sd_db` its own standard uncertainty.
    ///
    /// # Errors
    /// [`SoundError::NotIdentified`] if the recording is silent, [`SoundError::Range`].
    pub fn from_reading(
        recording: &Recording,
        level_db: f64,
        resolution_db: f64,
        meter_sd_db: f64,
    ) -> Result<Self, SoundError> {
        check_level(level_db)?;
        let levels = recording.track.levels(&[]);
        if !levels.laeq_db.is_finite() {
            return Err(SoundError::needs("a recording that is not silent"));
        }
        // A reading is taken by eye from a moving display: half the range from L90 to L10 says how far
        // it can be off, a third of that its standard uncertainty. A judgement.
        let moving_db = (levels.la10_db - levels.la90_db) / 6.0;
        let step_db = resolution_db / 12.0_f64.sqrt();
        Ok(Self {
            offset_db: level_db - levels.laeq_db,
            sd_db: meter_sd_db.hypot(step_db).hypot(moving_db),
            reference: Reference::Reading { level_db },
        })
    }

    /// Puts all levels of a track in dB re 20 µPa.
    pub fn apply(&self, track: &mut Track) {
        track.scale(crate::level::energy(self.offset_db));
    }
}

fn check_level(level_db: f64) -> Result<(), SoundError> {
    if (-10.0..=140.0).contains(&level_db) {
        return Ok(());
    }
    Err(SoundError::Range {
        what: "level of the reference in dB",
        value: level_db,
        expected: "-10 to 140",
    })
}

/// Median of the upper half: the steady part of a tone with pauses around it.
fn upper_median(values: &[f64]) -> f64 {
    let mut sorted: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    sorted
        .get(sorted.len() * 3 / 4)
        .copied()
        .unwrap_or(f64::NAN)
}

/// A microphone's response: (frequency Hz, dB relative to flat), rising in frequency.
#[derive(Clone, Debug, PartialEq)]
pub struct MicrophoneCurve {
    points: Vec<(f64, f64)>,
}

/// Which way round a table of a microphone is meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CurveMeaning {
    /// What the microphone reads too much at each frequency; it is subtracted.
    Response,
    /// What is to be added.
    Correction,
}

impl MicrophoneCurve {
    /// Reads a text table: frequency in Hz and dB a line, with blanks, tabs, commas or semicolons
    /// between; further columns (phase) are passed over, as are lines that begin with no number before
    /// the first that does, and lines marked with `#`, `*` or `"`.
    ///
    /// # Errors
    /// [`SoundError::Table`] with the line.
    pub fn parse(text: &str, meaning: CurveMeaning) -> Result<Self, SoundError> {
        let sign = match meaning {
            CurveMeaning::Response => 1.0,
            CurveMeaning::Correction => -1.0,
        };
        let mut points: Vec<(f64, f64)> = Vec::new();
        for (i, line) in text.trim_start_matches('\u{feff}').lines().enumerate() {
            let line = line.trim();
            if line.is_empty() || line.starts_with(['#', '*', '"', ';']) {
                continue;
            }
            let error = |expected| SoundError::Table {
                line: i + 1,
                value: line.chars().take(60).collect(),
                expected,
            };
            let Some((hz, gain_db)) = two_numbers(line) else {
                if points.is_empty() {
                    continue;
                }
                return Err(error("a frequency in Hz and a value in dB"));
            };
            if !(0.1..=1e6).contains(&hz) || gain_db.abs() > 60.0 {
                return Err(error(
                    "a frequency from 0.1 to 1000000 Hz and at most 60 dB",
                ));
            }
            if points.last().is_some_and(|p| p.0 >= hz) {
                return Err(error("frequencies that rise from line to line"));
            }
            points.push((hz, sign * gain_db));
        }
        if points.len() < 2 {
            return Err(SoundError::Table {
                line: text.lines().count().max(1),
                value: String::new(),
                expected: "at least two lines of frequency in Hz and dB",
            });
        }
        Ok(Self { points })
    }

    /// From points of frequency in Hz and dB read too much, rising in frequency; `None` if they are not, or
    /// if there are fewer than two.
    pub fn from_points(points: &[(f64, f64)]) -> Option<Self> {
        let sound = points.iter().all(|(hz, db)| *hz > 0.0 && db.is_finite());
        let rising = points.windows(2).all(|w| w[0].0 < w[1].0);
        (points.len() >= 2 && sound && rising).then(|| Self {
            points: points.to_vec(),
        })
    }

    /// The points: (Hz, dB read too much).
    pub fn points(&self) -> &[(f64, f64)] {
        &self.points
    }

    /// What the microphone reads too much at a frequency, dB: straight over the logarithm of frequency
    /// between points, level outside.
    pub fn response_db(&self, hz: f64) -> f64 {
        let after = self.points.partition_point(|p| p.0 <= hz);
        let before = after.checked_sub(1).map(|i| self.points[i]);
        match (before, self.points.get(after)) {
            (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (hz / a.0).ln() / (b.0 / a.0).ln(),
            (Some(a), None) => a.1,
            (None, Some(b)) => b.1,
            (None, None) => 0.0,
        }
    }

    /// Whether the table reaches from 50 Hz to 10 kHz, where the level of a fan is decided.
    pub fn covers_fans(&self) -> bool {
        self.points.first().is_some_and(|p| p.0 <= 50.0)
            && self.points.last().is_some_and(|p| p.0 >= 10_000.0)
    }

    /// Takes the response out of a track: exactly in the bands, and from the weighted levels by what
    /// it changes in the weighted sum of the bands of the same stretch.
    pub fn apply(&self, track: &mut Track) {
        track.equalise(|hz| -self.response_db(hz));
    }
}

/// The first two numbers of a line. With semicolons or tabs between, a comma is a decimal comma.
fn two_numbers(line: &str) -> Option<(f64, f64)> {
    let decimal_comma =
        line.contains([';', '\t']) || !line.contains('.') && line.matches(',').count() > 1;
    let parse = |cell: &str| -> Option<f64> {
        let cell = cell.trim();
        let value = if decimal_comma {
            cell.replace(',', ".").parse()
        } else {
            cell.parse()
        };
        value.ok().filter(|v: &f64| v.is_finite())
    };
    let is_gap = |c: char| c.is_whitespace() || c == ';' || (c == ',' && !decimal_comma);
    let mut cells = line.split(is_gap).filter(|c| !c.is_empty());
    Some((parse(cells.next()?)?, parse(cells.next()?)?))
}
