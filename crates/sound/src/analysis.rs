//! A recording from file to figures.

use crate::SoundError;
use crate::calibration::{Calibration, MicrophoneCurve};
use crate::filter::Bands;
use crate::level::db;
use crate::loudness::{BANDS, FIRST_BAND, Field, Loudness, loudness};
use crate::measure::{Levels, Recording, Track, measure};
use crate::pcm::Source;

/// How a recording is to be taken.
#[derive(Clone, Debug, Default)]
pub struct Options {
    /// Calibration; without one, levels are relative to a sine of full scale.
    pub calibration: Option<Calibration>,
    /// The microphone's response.
    pub microphone: Option<MicrophoneCurve>,
    /// Take the sound field as diffuse for loudness (a room far from the machine), not as free (a
    /// listener at the desk beside it).
    pub diffuse: bool,
}

/// A recording with all that is made of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Analysis {
    /// As measured, calibrated.
    pub recording: Recording,
    /// Levels of the whole.
    pub levels: Levels,
    /// One-third-octave levels, dB, in the order of the track's bands.
    pub thirds: Bands,
    /// Loudness; `None` without calibration.
    pub loudness: Option<Loudness>,
    /// Whether levels are relative to full scale.
    pub relative: bool,
}

impl Options {
    fn field(&self) -> Field {
        if self.diffuse {
            Field::Diffuse
        } else {
            Field::Free
        }
    }

    /// Puts levels of a track right.
    pub(crate) fn apply(&self, track: &mut Track) {
        if let Some(microphone) = &self.microphone {
            microphone.apply(track);
        }
        if let Some(calibration) = &self.calibration {
            calibration.apply(track);
        }
    }
}

/// Measures a recording from start to end; nothing is left out.
///
/// # Errors
/// Those of reading, and [`SoundError::TooShort`].
pub fn analyse(source: &mut dyn Source, options: &Options) -> Result<Analysis, SoundError> {
    let mut recording = measure(source)?;
    options.apply(&mut recording.track);
    let relative = options.calibration.is_none();
    let thirds = recording.track.band_levels(&[]);
    Ok(Analysis {
        levels: recording.track.levels(&[]),
        loudness: if relative {
            None
        } else {
            loudness_of(&recording.track, &thirds, options.field())
        },
        thirds,
        recording,
        relative,
    })
}

/// Loudness of band levels of a track: bands that the sampling rate does not carry count as empty.
pub fn loudness_of(track: &Track, thirds: &[f64], field: Field) -> Option<Loudness> {
    let mut levels = [f64::NEG_INFINITY; BANDS];
    for (band, &level_db) in track.bands.iter().zip(thirds) {
        if let Ok(place) = usize::try_from(band.index - FIRST_BAND)
            && let Some(slot) = levels.get_mut(place)
        {
            *slot = level_db;
        }
    }
    loudness(&levels, field)
}

/// A-weighted level of band levels, dB: what the bands alone would make of the whole.
pub fn a_level_of(track: &Track, thirds: &[f64]) -> f64 {
    let weighted = track.bands.iter().zip(thirds);
    db(weighted
        .map(|(b, &l)| crate::level::energy(l + crate::a_weighting_db(b.exact_hz)))
        .sum())
}
