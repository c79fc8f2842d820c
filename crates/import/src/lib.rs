//! Delimited sensor logs of any shape to channels with units, every row accounted for.
//!
//! The way of a file: [`import`] reads the bytes in blocks (`source`), finds how they are split,
//! where the header stands and what the columns hold (`detect`), chooses the time (`clock`), reads
//! the rows on two threads (`body`), picks a device or turns long form to wide (`devices`), makes
//! time rise (`timeline`), and gives each column its role, unit and reason (`roles`, `readings`).
//! What cannot be told from the file alone is chosen, and asked about ([`Question`]).
//!
//! ```
//! use settlepoint_domain::Role;
//! use settlepoint_import::{ImportOptions, import};
//!
//! let text = "time_s;CPU package (°C);CPU package power (W)\n0;41,5;12,0\n1;43,0;65,5\n";
//! let imported = import(text.as_bytes(), &ImportOptions::default(), &mut |_, _| {})?;
//! assert_eq!((imported.rows.read, imported.rows.kept), (3, 2));
//! let power = imported.log.channel(Role::Power).and_then(|c| c.mean());
//! assert_eq!(power, Some(38.75));
//! # Ok::<(), settlepoint_import::ImportError>(())
//! ```

mod body;
mod clock;
mod detect;
mod devices;
mod error;
mod imported;
mod number;
mod options;
mod pipeline;
mod readings;
mod recipe;
mod roles;
mod say;
mod source;
mod split;
mod stamp;
mod timeline;
mod units;
mod words;

pub use body::SkipReason;
pub use error::ImportError;
pub use imported::{Format, Imported, Labels, Question, RowAccount, Skipped};
pub use options::{ChannelOverride, ColumnRef, ImportOptions};
pub use pipeline::{import, import_reader};
pub use recipe::Recipe;
pub use source::{Encoding, LineEnd};
pub use split::Delimiter;
pub use stamp::{DayOrder, Moment, moment};
pub use units::{Quantity, SourceUnit, lookup as lookup_unit};
