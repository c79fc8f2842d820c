//! At the bench: sensors, the recorder, loads, limits, campaigns, and a simulated machine to
//! rehearse on.
//!
//! This is the only crate that touches the kernel's files. It finds them under a root directory,
//! `/` or a rehearsal's folder ([`discover`]), reads them at a steady rate ([`Recorder`]) and hands
//! the rows to a [`Sink`]; the notebook is reached through that trait only.
//!
//! Linux is the system with these files. The crate compiles elsewhere; what needs them then gives
//! [`BenchError::NoKernelFiles`].

mod account;
mod acting;
mod choice;
mod clock;
mod discover;
mod error;
mod found;
pub mod limits;
mod load;
mod outbox;
mod presence;
mod probe;
mod read;
mod recorder;
pub mod rehearse;
mod session;
mod settle;
mod sink;
mod state;
mod topology;
mod zones;

pub use account::{Account, ReadErrors};
pub use acting::{Acting, KnownLimits, Watcher};
pub use choice::{Wanted, choose, unit_of};
pub use clock::{Clock, Moment, SystemClock};
pub use discover::{ENERGY_REMEDY, Tree, discover};
pub use error::{BenchError, SinkError};
pub use found::{Found, Problem, Reading};
pub use load::{Load, LoadKind, LoadResult, LoadRun, LoadSpec, Pulse, ScorePick};
pub use presence::Presence;
pub use probe::Probe;
pub use recorder::{Feed, Plan, Recorder, Tick};
pub use session::{
    BLIND_S, End, LoadAt, RunOutcome, Snapshot, Stage, Stages, Stop, run, work_feed,
};
pub use settle::{Rest, Settled, settle};
pub use sink::{CsvSink, Header, Rows, Sink};
pub use state::state_folder;
pub use topology::{Cpu, Topology};
pub use zones::{Constraint, Zone, package_zones};
