//! The notebook: one SQLite file with everything about one or more machines.
//!
//! This is the only crate that speaks SQL. It takes and gives domain types, keeps raw files as
//! they came (once each, by SHA-256) and samples bit for bit, merges notebooks and writes them out
//! as plain files.
//!
//! Promises:
//! - an id is random and for ever; a name is a label and may change or repeat;
//! - a step is kept whole or not at all ([`Notebook::transaction`]), whatever ends the program;
//! - a value that was not noted stays apart from 0, from automatic and from unlimited;
//! - a file of an older schema opens, one of a newer schema is refused and left alone.
//!
//! It reads no clock: times are data.

mod anonymous;
mod blocks;
mod codec;
mod derived;
mod digest;
mod entities;
mod error;
mod export;
mod file;
mod frames;
mod logs;
mod merge;
mod names;
mod raw;
mod recorders;
mod recording;
mod rescue;
mod runs;
mod schema;
mod settings;
mod transaction;

pub use derived::KeptFinding;
pub use entities::{Part, new_id};
pub use error::NotebookError;
pub use file::Notebook;
pub use frames::{FrameInfo, FrameSource};
pub use logs::{LogInfo, LogSource};
pub use merge::{Conflict, MergeCount, MergeReport, SameName};
pub use names::Kind;
pub use raw::{ParseHashError, RawFile, RawHash};
pub use recorders::{Recorder, RecorderCalibration};
pub use schema::SCHEMA_VERSION;
