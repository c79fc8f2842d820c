//! A recording from file to figures.

use crate::SoundError;
use crate::calibration::{Calibration, MicrophoneCurve};
use crate::events::{Watched, watch};
use crate::filter::Bands;
use crate::level::db;
use crate::loudness::{BANDS, FIRST_BAND, Field, Loudness, loudness};
use crate::measure::{Levels, Recording, Track, measure};
use crate::pcm::Source;
use crate::spectrum::{Spectrum, spectra};
use crate::tones::{Tone, tones};

/// How a recording is to be taken.
#[derive(Clone, Debug, Default)]
pub struct Options {
    /// Calibration; without one, levels are relative to a sine of full scale.
    pub calibration: Option<Calibration>,
    /// The microphone's response.
    pub microphone: Option<MicrophoneCurve>,
    /// Leave nothing out.
    pub keep_all: bool,
    /// The recorder's gain is known to be fixed: take levels as absolute even where the signal looks as
    /// if it were not.
    pub trust_gain: bool,
    /// Take the sound field as diffuse for loudness (a room far from the machine), not as free (a
    /// listener at the desk beside it).
    pub diffuse: bool,
}

/// A recording with all that is made of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Analysis {
    /// As measured, calibrated.
    pub recording: Recording,
    /// Events and findings.
    pub watched: Watched,
    /// Levels without what was left out.
    pub levels: Levels,
    /// One-third-octave levels, dB, in the order of the track's bands.
    pub thirds: Bands,
    /// Loudness; `None` without calibration.
    pub loudness: Option<Loudness>,
    /// Narrow-band spectrum of what was kept; `None` where no stretch is long enough for one.
    pub spectrum: Option<Spectrum>,
    /// Tones.
    pub tones: Vec<Tone>,
    /// Whether levels are relative to full scale.
    pub relative: bool,
}

impl Options {
    pub(crate) fn field(&self) -> Field {
        if self.diffuse {
            Field::Diffuse
        } else {
            Field::Free
        }
    }

    /// The calibration, unless what was found in a recording bars absolute levels.
    pub(crate) fn usable(&self, watched: &Watched) -> Option<Calibration> {
        let barred = watched.levels_barred && !self.trust_gain;
        self.calibration.filter(|_| !barred)
    }

    /// Puts levels of a track right.
    pub(crate) fn apply(&self, calibration: Option<Calibration>, track: &mut Track) {
        if let Some(microphone) = &self.microphone {
            microphone.apply(track);
        }
        if let Some(calibration) = calibration {
            calibration.apply(track);
        }
    }

    /// Puts levels of a spectrum right.
    pub(crate) fn apply_spectrum(&self, calibration: Option<Calibration>, spectrum: &mut Spectrum) {
        let offset_db = calibration.map_or(0.0, |c| c.offset_db);
        let microphone = self.microphone.as_ref();
        spectrum.equalise(|hz| offset_db - microphone.map_or(0.0, |m| m.response_db(hz)));
    }
}

/// Measures a recording and judges it.
///
/// # Errors
/// Those of reading, and [`SoundError::TooShort`].
pub fn analyse(source: &mut dyn Source, options: &Options) -> Result<Analysis, SoundError> {
    let mut recording = measure(source)?;
    let mut watched = watch(&recording);
    if options.keep_all {
        watched.keep.fill(true);
    }
    let calibration = options.usable(&watched);
    let found = spectra(source, &recording, 1, |i| watched.keep[i].then_some(0))?;
    let mut spectrum = found.into_iter().next().filter(|s| s.blocks > 0);
    options.apply(calibration, &mut recording.track);
    if let Some(spectrum) = &mut spectrum {
        options.apply_spectrum(calibration, spectrum);
    }
    let relative = calibration.is_none();
    let thirds = recording.track.band_levels(&watched.keep);
    Ok(Analysis {
        levels: recording.track.levels(&watched.keep),
        loudness: if relative {
            None
        } else {
            loudness_of(&recording.track, &thirds, options.field())
        },
        tones: spectrum
            .as_ref()
            .map_or_else(Vec::new, |s| tones(s, !relative)),
        thirds,
        spectrum,
        watched,
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
