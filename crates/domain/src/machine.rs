use crate::Id;

/// What stays: model and unit, board, memory, case.
#[derive(Clone, Debug, PartialEq)]
pub struct Machine {
    /// Identity.
    pub id: Id,
    /// Label.
    pub name: String,
    /// Model, so that units of one model can be compared; may be blank.
    pub model: String,
    /// Serial of the unit; may be blank.
    pub serial: String,
    /// Free text.
    pub notes: String,
}

/// A named arrangement of cooler, fans, pump, paste and positions.
#[derive(Clone, Debug, PartialEq)]
pub struct Cooling {
    /// Identity.
    pub id: Id,
    /// The machine it is (or was) in.
    pub machine: Id,
    /// Label.
    pub name: String,
    /// Highest fan speed in rpm, where the owner knows it.
    pub fan_max_rpm: Option<f64>,
    /// Free text.
    pub notes: String,
}

/// What changes work or heat at equal limits: voltage offset, active cores, memory profile,
/// firmware version.
#[derive(Clone, Debug, PartialEq)]
pub struct Tune {
    /// Identity.
    pub id: Id,
    /// The machine it belongs to.
    pub machine: Id,
    /// Label.
    pub name: String,
    /// Free text.
    pub notes: String,
}
