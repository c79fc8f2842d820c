use crate::{Id, PhaseKind, ScoreTime};

/// Averages of one phase, typed by hand or read off a screen.
///
/// Each covers the whole phase, warm-up included, and is rounded as people round.
#[derive(Clone, Debug, PartialEq)]
pub struct PhaseReading {
    /// Which phase.
    pub phase: PhaseKind,
    /// Its length, s.
    pub duration_s: Option<f64>,
    /// Mean power, W.
    pub power_w: Option<f64>,
    /// Mean package temperature, °C.
    pub package_c: Option<f64>,
    /// Mean fan speed, rpm.
    pub fan_speed_rpm: Option<f64>,
    /// Sound level, dB(A).
    pub level_dba: Option<f64>,
    /// What the level is of ("all", "fans", …); blank if not said.
    pub level_of: String,
    /// Distance of the meter, m.
    pub distance_m: Option<f64>,
    /// Background level with the machine off, dB(A).
    pub background_dba: Option<f64>,
    /// Clocks of the first and second core kind, MHz.
    pub clock_mhz: [Option<f64>; 2],
}

impl PhaseReading {
    /// A reading with nothing noted.
    pub fn blank(phase: PhaseKind) -> Self {
        Self {
            phase,
            duration_s: None,
            power_w: None,
            package_c: None,
            fan_speed_rpm: None,
            level_dba: None,
            level_of: String::new(),
            distance_m: None,
            background_dba: None,
            clock_mhz: [None, None],
        }
    }
}

/// One score of a run.
#[derive(Clone, Debug, PartialEq)]
pub struct Score {
    /// The value in the workload's unit.
    pub value: f64,
    /// Repetition, from 1.
    pub repetition: u32,
    /// Position in the order of measurement, if noted.
    pub order: Option<u32>,
    /// Block, if blocked.
    pub block: Option<String>,
    /// When it was measured, if noted.
    pub time: Option<ScoreTime>,
}

/// What a run consists of.
#[derive(Clone, Debug, PartialEq)]
pub enum RunData {
    /// Averages typed by hand, in time order.
    Readings(Vec<PhaseReading>),
    /// A log, kept in the notebook under the run's id.
    Log,
    /// Only scores.
    ScoresOnly,
}

/// One workload under one setting, tune and cooling at one room temperature.
#[derive(Clone, Debug, PartialEq)]
pub struct Run {
    /// Identity.
    pub id: Id,
    /// Label, unique enough for people.
    pub name: String,
    /// The machine.
    pub machine: Id,
    /// The cooling.
    pub cooling: Id,
    /// The tune, if any was named.
    pub tune: Option<Id>,
    /// The setting.
    pub setting: Id,
    /// The workload.
    pub workload: Id,
    /// Air at the intake, °C, where known.
    pub room_c: Option<f64>,
    /// Altitude, m, where known.
    pub altitude_m: Option<f64>,
    /// Readings or log.
    pub data: RunData,
    /// Scores.
    pub scores: Vec<Score>,
    /// Reason for which it is left out, if it is.
    pub excluded: Option<String>,
}
