//! A simulated machine to rehearse on: a folder laid out as the kernel lays out its files, backed
//! by the closed-loop simulator. Recorder, campaign and guard take the same path through it as
//! through the real files.

mod layout;
mod machine;
mod spec;
mod window;

pub use machine::Rehearsal;
pub use spec::{MachineSpec, Sensors};

use std::path::Path;

use crate::clock::{Clock, SystemClock};
use crate::error::BenchError;

/// Makes the folder of a rehearsal.
///
/// # Errors
/// [`BenchError::Invalid`] if the folder holds anything else or the machine cannot be simulated;
/// [`BenchError::File`].
pub fn make(root: &Path, spec: &MachineSpec) -> Result<(), BenchError> {
    if !(0.01..=1000.0).contains(&spec.speed) {
        return Err(BenchError::invalid(
            "speed",
            format!("{} times real time; give 0.01 to 1000", spec.speed),
        ));
    }
    if !(1..=256).contains(&spec.cores) {
        return Err(BenchError::invalid(
            "cores",
            format!("{}; give 1 to 256", spec.cores),
        ));
    }
    spec.model
        .check()
        .map_err(|e| BenchError::invalid("machine", e.to_string()))?;
    layout::make(root, spec)
}

/// Whether a root directory is a rehearsal's.
pub fn is_rehearsal(root: &Path) -> bool {
    root.join(layout::MACHINE).exists()
}

/// The clock to record a root directory by: the simulated machine's own for a rehearsal, which is
/// switched on with it, else the system's. A rehearsal that another program keeps running in real
/// time has the system's, too.
///
/// # Errors
/// As [`Rehearsal::switch_on`].
pub fn clock_of(root: &Path) -> Result<Box<dyn Clock>, BenchError> {
    if !is_rehearsal(root) || machine::is_live(root) {
        return Ok(Box::new(SystemClock));
    }
    Ok(Box::new(Rehearsal::switch_on(root)?))
}

/// Sets what a real machine's owner sets by hand in the firmware: temperature limit in °C, highest fan
/// speed in rpm; `None` is the machine's own.
///
/// # Errors
/// [`BenchError::File`], [`BenchError::Invalid`] if the folder is no rehearsal.
pub fn set_by_hand(
    root: &Path,
    temp_limit_c: Option<f64>,
    fan_max_rpm: Option<f64>,
) -> Result<(), BenchError> {
    let spec = MachineSpec::read(&root.join(layout::MACHINE))?;
    let full_rpm = spec.model.full_speed_rpm.unwrap_or(0.0);
    for (file, value) in [
        (
            layout::HAND_TEMP_LIMIT,
            temp_limit_c.unwrap_or(spec.temp_limit_c),
        ),
        (layout::HAND_FAN_MAX, fan_max_rpm.unwrap_or(full_rpm)),
    ] {
        let path = root.join(file);
        std::fs::write(&path, format!("{value}\n"))
            .map_err(|e| BenchError::file(&path, "write", e))?;
    }
    Ok(())
}

/// Tells the machine how much of its full demand is asked of it, 0 to 1.
pub(crate) fn set_load(root: &Path, share: f64) -> Result<(), BenchError> {
    let path = root.join(layout::LOAD);
    std::fs::write(&path, format!("{share}\n")).map_err(|e| BenchError::file(&path, "write", e))
}

/// The work done since the machine was switched on.
pub(crate) fn work(root: &Path) -> f64 {
    crate::discover::tree::number(&root.join(layout::WORK)).unwrap_or(f64::NAN)
}
