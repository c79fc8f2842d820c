//! Writing limits and whether they hold.

use std::path::Path;

use super::put;
use super::rules::{LimitWrite, WINDOW_ROUNDING, WantedLimits};
use crate::clock::Clock;
use crate::discover::tree::{number, text};
use crate::error::BenchError;
use crate::zones::{Zone, packages};

/// How long firmware may take to take a limit up, before it is read back. A judgement.
const TAKE_UP_NS: i64 = 300_000_000;
/// Firmware keeps watts in units of its own, mostly 1/8 W (from memory), and rounds down.
const POWER_ROUNDING_UW: f64 = 250_000.0;

/// Other interfaces that limit the same packages: the lower limit acts, whoever set it. Each is a
/// sentence for the user.
pub fn rivals(root: &Path, wanted: &WantedLimits) -> Vec<String> {
    let all = packages(root);
    let Some(control) = all.first().map(|zone| zone.control.clone()) else {
        return Vec::new();
    };
    let mut said = Vec::new();
    for folder in all.iter().filter(|zone| zone.control != control) {
        if text(&folder.folder.join("enabled")).as_deref() == Some("0") {
            continue;
        }
        let zone = Zone::read(folder);
        for (name, watts) in [("long_term", wanted.pl1_w), ("short_term", wanted.pl2_w)] {
            if let (Some(constraint), Some(watts)) = (zone.named(name), watts)
                && constraint.power_w > 0.0
                && constraint.power_w < watts
            {
                said.push(format!(
                    "{} also limits this package to {} W ({name}); the lower limit acts, so {watts} W \
                     will not be reached. It belongs to the firmware or to a service for thermal \
                     control; stop that service or change it there",
                    zone.id, constraint.power_w
                ));
            }
        }
    }
    said
}

/// Writes what is not held yet, waits for the firmware to take it up, and reads all of it back.
///
/// # Errors
/// [`BenchError::NotHeld`] with what was read back and what that usually means.
pub(crate) fn apply(writes: &[LimitWrite], clock: &dyn Clock) -> Result<(), BenchError> {
    let mut changes: Vec<(&LimitWrite, f64)> = writes
        .iter()
        .map(|write| (write, number(&write.path).unwrap_or(f64::NAN)))
        .filter(|(write, now)| write.micro.total_cmp(now).is_ne())
        .collect();
    // The short-time limit comes last and first where limits rise: the sustained one then never
    // stands above it unless it does so at either end.
    if changes
        .iter()
        .any(|(write, now)| !write.is_window && write.micro > *now)
    {
        changes.reverse();
    }
    for (write, _) in &changes {
        put(&write.path, write.micro).map_err(|e| not_written(write, &e))?;
    }
    let until = clock.now().awake_ns + TAKE_UP_NS;
    while clock.now().awake_ns < until {
        clock.sleep_until(until);
    }
    check(writes)
}

/// Reads limits back that were written before, say after the machine slept.
///
/// # Errors
/// As [`apply`].
pub(crate) fn check(writes: &[LimitWrite]) -> Result<(), BenchError> {
    for write in writes {
        let held = number(&write.path).unwrap_or(f64::NAN);
        if !write.is_held(held) {
            return Err(not_held(write, held));
        }
    }
    Ok(())
}

impl LimitWrite {
    fn is_held(&self, held_micro: f64) -> bool {
        let below = self.micro - held_micro;
        let rounding = if self.is_window {
            WINDOW_ROUNDING * self.micro
        } else {
            POWER_ROUNDING_UW
        };
        (-1.0..=rounding).contains(&below)
    }

    fn said(&self, micro: f64) -> String {
        if micro.is_nan() {
            return "nothing".to_owned();
        }
        let unit = if self.is_window { "s" } else { "W" };
        format!("{} {unit}", (1e-3 * micro).round() / 1000.0)
    }
}

fn not_written(write: &LimitWrite, error: &std::io::Error) -> BenchError {
    let detail = match error.kind() {
        std::io::ErrorKind::PermissionDenied => format!(
            "{} was refused: writing needs root, and firmware may have locked its limits until the next \
             start (a setting in the firmware often unlocks them). Run as root, or leave \
             --write-limits out and set limits by hand in the firmware",
            write.said(write.micro)
        ),
        _ => format!(
            "{} was refused ({error}); leave --write-limits out and set limits by hand in the firmware",
            write.said(write.micro)
        ),
    };
    BenchError::NotHeld {
        limit: write.label.clone(),
        detail,
    }
}

fn not_held(write: &LimitWrite, held_micro: f64) -> BenchError {
    let as_before = (held_micro - write.former_micro).abs() <= POWER_ROUNDING_UW;
    let why = if held_micro.is_nan() {
        "it cannot be read any more; look whether its driver went away"
    } else if as_before {
        "the old value is back: firmware has locked its limits, or sets them again by itself (after \
         sleep, for instance). Set limits by hand in the firmware, without --write-limits"
    } else {
        "something else sets this limit too: a service for thermal control or power profiles, or the \
         firmware's own control. Stop that service for the time of the runs"
    };
    BenchError::NotHeld {
        limit: write.label.clone(),
        detail: format!(
            "{} was written, {} is held: {why}",
            write.said(write.micro),
            write.said(held_micro)
        ),
    }
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;

    use super::*;

    fn power(micro: f64) -> LimitWrite {
        LimitWrite {
            label: "x".to_owned(),
            path: PathBuf::new(),
            micro,
            is_window: false,
            former_micro: 253e6,
        }
    }

    #[test]
    fn rounding_down_is_holding_anything_else_is_not() {
        let power = power(125_060_000.0);
        assert!(power.is_held(125_000_000.0) && power.is_held(125_060_000.0));
        assert!(!power.is_held(125_100_000.0) && !power.is_held(124_000_000.0));
        assert!(!power.is_held(f64::NAN));
        let window = LimitWrite {
            micro: 28e6,
            is_window: true,
            ..power
        };
        // drivers/powercap/intel_rapl_common.c: 28 s reads back as 27983872 us.
        assert!(window.is_held(27_983_872.0) && !window.is_held(14_000_000.0));
    }

    #[test]
    fn each_way_of_not_holding_has_its_message() {
        for (held, part) in [
            (f64::NAN, "driver"),
            (253e6, "locked"),
            (90e6, "something else"),
        ] {
            let said = not_held(&power(65e6), held).to_string();
            assert!(said.contains(part) && said.contains("65 W"), "{said}");
        }
        let denied = std::io::Error::from(std::io::ErrorKind::PermissionDenied);
        let said = not_written(&power(65e6), &denied).to_string();
        assert!(said.contains("root") && said.contains("by hand"), "{said}");
    }
}
