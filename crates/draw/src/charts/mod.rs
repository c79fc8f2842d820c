//! One chart a module.

mod run_over_time;
mod trade_off;

pub use run_over_time::{
    ActingStretch, Held, LimitLine, PhaseStretch, RunOverTime, RunPanel, RunSeries, Stretch,
};
pub use trade_off::{Standing, TradeAxis, TradeOff, TradePoint};
