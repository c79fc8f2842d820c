//! What the command line and the page share: from a notebook to the evidence of one cooling.

pub mod adding;
pub mod averages;
pub mod charts;
pub mod compared;
mod error;
pub mod facts;
pub mod gather;
pub mod listed;
pub mod models;
pub mod planning;
pub mod recording;
pub mod report;
pub mod sheet_page;
pub mod text;
pub mod verdicts;
pub mod words;

pub use error::ViewError;
