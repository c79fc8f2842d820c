//! Sound: recordings and level readings to levels that can be used.
//!
//! A recording is read once, in constant memory: A, C and Z weighted levels (IEC 61672-1), fast,
//! slow and equivalent, percentiles, one-third-octave bands (IEC 61260-1); from these stationary
//! loudness (ISO 532-1); from a second pass tones (ECMA-418-1). What disturbed the recording is found and
//! left out. Calibration, background and distance stand on that, and so do several sources and a sweep of the
//! fan speed. Nothing here prints or
//! knows of notebooks; files come as bytes that can be gone back to.
//!
//! Levels are in dB. Without a calibration they are relative to a sine of full scale, which has 0 dB.

#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "lengths of filters and counts of samples are small, not negative and checked where \
              they come from a file; band energies are kept in single precision, 1e-6 dB"
)]

pub mod analysis;
pub mod background;
pub mod calibration;
mod error;
pub mod events;
mod filter;
pub mod hearing;
pub mod level;
pub mod loudness;
pub mod measure;
pub mod pcm;
pub mod quietest;
pub mod sources;
pub mod spectrum;
pub mod speed;
pub mod sweep;
pub mod tones;

pub use error::SoundError;
pub use filter::{Band, Bands, Weighting, a_weighting_db, bands, c_weighting_db, nominal_hz};
