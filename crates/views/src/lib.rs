//! What the command line and the page share: from a notebook to the evidence of one cooling.

pub mod averages;
pub mod charts;
mod error;
pub mod facts;
pub mod gather;
pub mod listed;
pub mod recording;
pub mod verdicts;

pub use error::ViewError;
