//! Power capping zones: energy counters and limits, nested as the kernel nests them.

use std::path::{Path, PathBuf};

use settlepoint_domain::{Role, Unit};

use super::tree::{Tree, name_of, number, text};
use crate::found::{Found, Reading};

const MICRO: f64 = 1e-6;

/// A zone of the power capping class.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct ZoneFolder {
    pub(crate) folder: PathBuf,
    /// The control type, `intel-rapl` of `intel-rapl:0:1`.
    pub(crate) control: String,
    /// Names from the outermost zone inwards: `package-0`, `core`.
    pub(crate) names: Vec<String>,
}

impl ZoneFolder {
    pub(crate) fn id(&self) -> String {
        format!("{}/{}", self.control, self.names.join("/"))
    }
}

/// All zones; the class shows them side by side, their numbers tell how they nest.
pub(crate) fn zones(tree: &Tree) -> Vec<ZoneFolder> {
    let class = tree.path("sys/class/powercap");
    Tree::entries(&class)
        .into_iter()
        .filter_map(|folder| {
            let file = name_of(&folder);
            let (control, _) = file.split_once(':')?;
            let mut names = vec![text(&folder.join("name"))?];
            let mut outer = file.as_str();
            while let Some((parent, _)) = outer.rsplit_once(':') {
                outer = parent;
                if outer.contains(':') {
                    names.insert(0, text(&class.join(outer).join("name"))?);
                }
            }
            Some(ZoneFolder {
                control: control.to_owned(),
                names,
                folder,
            })
        })
        .collect()
}

pub(super) fn find(tree: &Tree) -> Vec<Found> {
    let zones = zones(tree);
    zones
        .iter()
        .flat_map(|zone| {
            let energy = energy(zone, &zones);
            energy.into_iter().chain(limits(zone))
        })
        .collect()
}

/// Part, place in the order and reason for a zone's name (`intel_rapl_common.c`: package-N, core,
/// uncore, dram, psys).
fn meaning(zone: &ZoneFolder) -> (&'static str, u32, &'static str) {
    let name = zone.names.last().map_or("", String::as_str);
    if name.starts_with("package") && zone.names.len() == 1 {
        return ("package", 0, "the zone is the whole package");
    }
    match name {
        "core" => ("cores", 20, "the zone is the cores alone"),
        "uncore" => ("graphics", 21, "the zone is what is beside the cores"),
        "dram" => ("memory", 22, "the zone is the memory"),
        "psys" => ("system", 23, "the zone is the whole system"),
        _ => ("package", 25, "the zone's name says no more"),
    }
}

fn energy(zone: &ZoneFolder, all: &[ZoneFolder]) -> Option<Found> {
    let file = zone.folder.join("energy_uj");
    if !file.exists() {
        return None;
    }
    let (part, rank, why) = meaning(zone);
    // The same package may be shown by two interfaces; the first speaks.
    let first = all
        .iter()
        .find(|other| other.names == zone.names)
        .is_none_or(|other| other.control == zone.control);
    Some(Found {
        id: zone.id(),
        label: format!("{} power", said(zone, first)),
        role: Role::Power,
        unit: Unit::Watt,
        part: part.to_owned(),
        source: file,
        reason: format!("mean power from the energy counter: {why}"),
        reading: Reading::Counter {
            scale: MICRO,
            range: number(&zone.folder.join("max_energy_range_uj")),
        },
        resolution: None,
        problem: None,
        rank: if first { rank } else { 50 },
    })
}

fn said(zone: &ZoneFolder, first: bool) -> String {
    let names = zone.names.join(" ");
    if first {
        names
    } else {
        format!("{names} ({})", zone.control)
    }
}

fn limits(zone: &ZoneFolder) -> Vec<Found> {
    constraints(&zone.folder)
        .into_iter()
        .map(|(number, name)| Found {
            id: format!("{}/{name} limit", zone.id()),
            label: format!("{} {name} limit", said(zone, zone.control == "intel-rapl")),
            role: Role::Limit,
            unit: Unit::Watt,
            part: meaning(zone).0.to_owned(),
            source: zone
                .folder
                .join(format!("constraint_{number}_power_limit_uw")),
            reason: format!("limit {number} of the zone, as it is set"),
            reading: Reading::Gauge { scale: MICRO },
            resolution: None,
            problem: None,
            rank: 40,
        })
        .collect()
}

/// Numbers and names of a zone's constraints.
pub(crate) fn constraints(folder: &Path) -> Vec<(usize, String)> {
    (0..16)
        .take_while(|n| {
            folder
                .join(format!("constraint_{n}_power_limit_uw"))
                .exists()
        })
        .map(|n| {
            let name = text(&folder.join(format!("constraint_{n}_name")));
            (n, name.unwrap_or_else(|| format!("constraint {n}")))
        })
        .collect()
}
