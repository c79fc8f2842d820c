//! One chart a module.

mod boost_budget;
mod capacity;
mod curves;
mod fan_curve;
mod forest;
mod held_out;
mod impedance;
mod level;
mod plateau_map;
mod ranking;
mod run_over_time;
mod trade_off;
mod work;

pub use boost_budget::{BoostBudget, Budget};
pub use capacity::CapacityBySpeed;
pub use curves::{Curve, Marked, MarkedRange, Reading};
pub use fan_curve::FanCurveChart;
pub use forest::{Forest, ForestRow};
pub use held_out::{HeldOutPanel, HeldOutPoint, PredictedMeasured};
pub use impedance::{ImpedanceStage, ThermalImpedance};
pub use level::LevelBySpeed;
pub use plateau_map::{MapLimit, MapPoint, PlateauMap};
pub use ranking::{Ranking, RankingColumn, RankingRow};
pub use run_over_time::{
    ActingStretch, Held, LimitLine, PhaseStretch, RunOverTime, RunPanel, RunSeries, Stretch,
};
pub use trade_off::{Standing, TradeAxis, TradeOff, TradePoint};
pub use work::{WattsPanel, WorkByWatts};
