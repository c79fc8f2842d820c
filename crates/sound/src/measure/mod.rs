//! From samples to a track of short stretches, and from stretches to levels.

mod meter;
mod track;

pub use meter::{Channel, Recording, measure};
pub use track::{Levels, Segment, Track};
