//! Thermal zones.

use settlepoint_domain::{Role, Unit};

use super::hwmon;
use super::tree::{Tree, index_of, name_of, text};
use crate::found::{Found, Reading};

const MILLI: f64 = 1e-3;

pub(super) fn find(tree: &Tree) -> Vec<Found> {
    let chips = hwmon::names(tree);
    Tree::entries(&tree.path("sys/class/thermal"))
        .into_iter()
        .filter(|zone| index_of(&name_of(zone), "thermal_zone").is_some())
        .filter_map(|zone| {
            let kind = text(&zone.join("type"))?;
            // The kernel shows most zones a second time as a chip, with blanks and dashes replaced.
            if chips.contains(&kind.replace('-', "_")) {
                return None;
            }
            let (part, rank, why) = meaning(&kind);
            Some(Found {
                id: format!("zone/{kind}"),
                label: format!("zone {kind} temperature"),
                role: Role::Temperature,
                unit: Unit::Celsius,
                part: part.to_owned(),
                source: zone.join("temp"),
                reason: format!("thermal zone of type {kind}: {why}"),
                reading: Reading::Gauge { scale: MILLI },
                resolution: None,
                problem: None,
                rank,
            })
        })
        .collect()
}

/// Types of zones (drivers/thermal; `x86_pkg_temp` and `cpu` in the names are from general use).
fn meaning(kind: &str) -> (&'static str, u32, &'static str) {
    let words = kind.to_lowercase();
    if words.contains("pkg") || words.contains("cpu") || words.contains("soc") {
        ("package", 4, "the name is that of the package")
    } else if words.contains("gpu") {
        ("graphics card", 31, "the name is that of a graphics unit")
    } else {
        ("board", 35, "the name says no part; boards have such zones")
    }
}
