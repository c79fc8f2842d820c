//! The run sheet: which runs to make, in which order, under which settings. A plan writes it, people
//! change it in a spreadsheet, a campaign follows it.
//!
//! One row a run. Empty is "as it is" or "not said". Limits are a number, `automatic`, `unlimited`
//! or `unknown`; numbers may carry the column's unit.
//!
//! | column | meaning |
//! | --- | --- |
//! | `order` | place in the sequence, from 1; a row without one stands where it is in the file |
//! | `run` | name of the run, unique within the sheet; the only column that must be there |
//! | `machine`, `cooling`, `tune`, `workload`, `setting` | names as in the notebook |
//! | `pl1_w`, `pl2_w`, `tau_s`, `temp_limit_c` | the limits |
//! | `fan_max_rpm` | highest fan speed |
//! | `room_c` | room temperature, if it is known beforehand |
//! | `warm_up_s` | load before the scored part, which follows without a pause |
//! | `run_s` | the scored part, under load |
//! | `cool_down_s` | rest afterwards, recorded too |
//! | `block` | rounds that are compared within themselves |
//! | `reason` | why the run is worth making |
//!
//! ```
//! use settlepoint_domain::LimitValue;
//! use settlepoint_sheet::read;
//!
//! let sheet = read("run;pl1_w;run_s\nquiet;65;600\nfast;unlimited;600\n", "plan.csv")?;
//! assert_eq!(sheet.rows[0].pl1_w, LimitValue::Value(65.0));
//! assert_eq!(sheet.rows[1].pl1_w, LimitValue::Unlimited);
//! # Ok::<(), settlepoint_sheet::SheetError>(())
//! ```

mod cells;
mod error;
mod read;
mod write;

pub use error::SheetError;
pub use read::{Sheet, read};
pub use write::write;

use settlepoint_domain::LimitValue;

/// The columns, in the order in which they are written.
pub const COLUMNS: [&str; 18] = [
    "order",
    "run",
    "machine",
    "cooling",
    "tune",
    "workload",
    "setting",
    "pl1_w",
    "pl2_w",
    "tau_s",
    "temp_limit_c",
    "fan_max_rpm",
    "room_c",
    "warm_up_s",
    "run_s",
    "cool_down_s",
    "block",
    "reason",
];

/// One run to make.
#[derive(Clone, Debug, PartialEq)]
pub struct SheetRow {
    /// Place in the sequence, from 1.
    pub order: u32,
    /// Name of the run.
    pub run: String,
    /// Machine; empty for the only one.
    pub machine: String,
    /// Cooling; empty for the only one.
    pub cooling: String,
    /// Tune; empty for none.
    pub tune: String,
    /// Workload; empty for the only one.
    pub workload: String,
    /// Name of the setting; empty for one named after its limits.
    pub setting: String,
    /// Sustained power limit, W.
    pub pl1_w: LimitValue,
    /// Short-time power limit, W.
    pub pl2_w: LimitValue,
    /// Window of the sustained limit, s.
    pub tau_s: LimitValue,
    /// Temperature limit, °C.
    pub temp_limit_c: LimitValue,
    /// Highest fan speed, rpm; `None` for the machine's own.
    pub fan_max_rpm: Option<f64>,
    /// Air at the intake, °C.
    pub room_c: Option<f64>,
    /// Load before the scored part, s.
    pub warm_up_s: Option<f64>,
    /// The scored part, s.
    pub run_s: Option<f64>,
    /// Rest afterwards, s.
    pub cool_down_s: Option<f64>,
    /// Block; empty for none.
    pub block: String,
    /// Why the run is worth making.
    pub reason: String,
}

impl SheetRow {
    /// A row with a place and a name, and nothing else said.
    pub fn named(order: u32, run: &str) -> Self {
        Self {
            order,
            run: run.to_owned(),
            machine: String::new(),
            cooling: String::new(),
            tune: String::new(),
            workload: String::new(),
            setting: String::new(),
            pl1_w: LimitValue::Unknown,
            pl2_w: LimitValue::Unknown,
            tau_s: LimitValue::Unknown,
            temp_limit_c: LimitValue::Unknown,
            fan_max_rpm: None,
            room_c: None,
            warm_up_s: None,
            run_s: None,
            cool_down_s: None,
            block: String::new(),
            reason: String::new(),
        }
    }
}
