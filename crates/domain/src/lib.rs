//! The words of settlepoint as types: machines, settings, runs, channels, estimates.
//!
//! Nothing here reads files, talks to a database or prints; the types carry their invariants and
//! their units (in the names), and every other crate speaks in them.
//!
//! They are deliberately not serialisable: the notebook, the command line and the page each have
//! their own forms, so that a renamed field cannot silently change a file format.

mod channel;
mod estimate;
mod id;
mod log;
mod machine;
mod phase;
mod run;
mod score_time;
mod setting;
mod workload;

pub use channel::{Averaging, Channel, Role, Unit};
pub use estimate::{Basis, Estimate, Figure};
pub use id::Id;
pub use log::{LogError, LogStart, SensorLog, Zone};
pub use machine::{Cooling, Machine, Tune};
pub use phase::{Finding, Phase, PhaseKind, Plateau, Severity};
pub use run::{PhaseReading, Run, RunData, Score};
pub use score_time::{ScoreTime, TimeOrigin};
pub use setting::{FanSetting, LimitValue, Setting, SettingError, Tier};
pub use workload::{Direction, ScoreKind, Workload};

/// Lowest temperature that exists, in °C; anything below is a sensor error.
pub const ABSOLUTE_ZERO_C: f64 = -273.15;
