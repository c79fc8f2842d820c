//! Hardware monitoring chips: temperatures, fans, duties, powers, voltages.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use settlepoint_domain::{Role, Unit};

use super::tree::{Tree, name_of, text};
use crate::found::{Found, Reading};

const MILLI: f64 = 1e-3;
const MICRO: f64 = 1e-6;
/// Full duty (sysfs-interface.rst: "Pulse width modulation fan control, 0 to 255").
const FULL_DUTY: f64 = 255.0;

struct Chip {
    folder: PathBuf,
    name: String,
    /// The name, with the device where several chips share it.
    id: String,
}

pub(super) fn find(tree: &Tree) -> Vec<Found> {
    chips(tree).iter().flat_map(channels).collect()
}

/// Names of the chips, for zones that show up a second time as one.
pub(super) fn names(tree: &Tree) -> Vec<String> {
    chips(tree).into_iter().map(|chip| chip.name).collect()
}

fn chips(tree: &Tree) -> Vec<Chip> {
    let mut chips: Vec<Chip> = Tree::entries(&tree.path("sys/class/hwmon"))
        .into_iter()
        .filter_map(|folder| {
            let name = text(&folder.join("name"))?;
            Some(Chip {
                id: name.clone(),
                folder,
                name,
            })
        })
        .collect();
    let mut count: HashMap<String, u32> = HashMap::new();
    for chip in &chips {
        *count.entry(chip.name.clone()).or_default() += 1;
    }
    for chip in &mut chips {
        if count.get(&chip.name).is_some_and(|n| *n > 1)
            && let Some(device) = device(&chip.folder)
        {
            chip.id = format!("{}@{device}", chip.name);
        }
    }
    chips
}

/// The device behind a chip, by its place on the bus, which outlasts a restart.
fn device(folder: &Path) -> Option<String> {
    let target = std::fs::canonicalize(folder.join("device")).ok()?;
    Some(name_of(&target))
}

/// A file's name split into kind, number and rest: `temp`, 1, `_input`.
fn attribute(name: &str) -> Option<(&str, usize, &str)> {
    let digits = name.find(|c: char| c.is_ascii_digit())?;
    let after = name[digits..]
        .find(|c: char| !c.is_ascii_digit())
        .map_or(name.len(), |n| digits + n);
    Some((
        &name[..digits],
        name[digits..after].parse().ok()?,
        &name[after..],
    ))
}

fn channels(chip: &Chip) -> Vec<Found> {
    Tree::entries(&chip.folder)
        .iter()
        .filter_map(|file| {
            let name = name_of(file);
            let (kind, number, rest) = attribute(&name)?;
            channel(chip, file, kind, number, rest)
        })
        .collect()
}

fn channel(chip: &Chip, file: &Path, kind: &str, number: usize, rest: &str) -> Option<Found> {
    let sort = Sort::of(kind, rest)?;
    // The mean over an interval is better than the moment, where a chip has both.
    if (kind, rest) == ("power", "_input")
        && chip.folder.join(format!("power{number}_average")).exists()
    {
        return None;
    }
    let label = text(&chip.folder.join(format!("{kind}{number}_label")));
    let attribute = format!("{kind}{number}");
    let told = label.clone().unwrap_or_else(|| attribute.clone());
    let guess = guess(chip, sort, &told);
    let id = if rest == "_cap" {
        format!("{}/{told} cap", chip.id)
    } else {
        format!("{}/{told}", chip.id)
    };
    Some(Found {
        id,
        label: format!("{} {told} {}", chip.id, sort.word()),
        role: guess.role,
        unit: sort.unit(),
        part: guess.part.to_owned(),
        source: file.to_path_buf(),
        reason: format!("{} of chip {}: {}", sort.word(), chip.name, guess.why),
        reading: sort.reading(),
        resolution: guess.resolution,
        problem: None,
        rank: guess.rank,
    })
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Sort {
    Temperature,
    Fan,
    Duty,
    Power,
    PowerCap,
    Energy,
    Voltage,
    Current,
    Humidity,
}

impl Sort {
    fn of(kind: &str, rest: &str) -> Option<Self> {
        Some(match (kind, rest) {
            ("temp", "_input") => Self::Temperature,
            ("fan", "_input") => Self::Fan,
            ("pwm", "") => Self::Duty,
            ("power", "_average" | "_input") => Self::Power,
            ("power", "_cap") => Self::PowerCap,
            ("energy", "_input") => Self::Energy,
            ("in", "_input") => Self::Voltage,
            ("curr", "_input") => Self::Current,
            ("humidity", "_input") => Self::Humidity,
            _ => return None,
        })
    }

    fn word(self) -> &'static str {
        match self {
            Self::Temperature => "temperature",
            Self::Fan => "fan speed",
            Self::Duty => "fan duty",
            Self::Power | Self::Energy => "power",
            Self::PowerCap => "power limit",
            Self::Voltage => "voltage V",
            Self::Current => "current A",
            Self::Humidity => "humidity %",
        }
    }

    fn unit(self) -> Unit {
        match self {
            Self::Temperature => Unit::Celsius,
            Self::Fan => Unit::Rpm,
            Self::Duty => Unit::Share,
            Self::Power | Self::PowerCap | Self::Energy => Unit::Watt,
            Self::Voltage | Self::Current | Self::Humidity => Unit::None,
        }
    }

    fn reading(self) -> Reading {
        let scale = match self {
            Self::Temperature | Self::Voltage | Self::Current | Self::Humidity => MILLI,
            Self::Fan => 1.0,
            Self::Duty => 1.0 / FULL_DUTY,
            Self::Power | Self::PowerCap => MICRO,
            Self::Energy => {
                return Reading::Counter {
                    scale: MICRO,
                    range: None,
                };
            }
        };
        Reading::Gauge { scale }
    }
}

struct Guess {
    role: Role,
    part: &'static str,
    rank: u32,
    resolution: Option<f64>,
    why: String,
}

/// Chips whose name says which part they sit on: names of drivers in the kernel tree
/// (Documentation/hwmon, drivers/hwmon, drivers/gpu).
fn part_of(chip: &str) -> (&'static str, &'static str) {
    match chip {
        "coretemp" | "k10temp" | "k8temp" | "amd_energy" | "fam15h_power" | "cpu_thermal" => {
            ("package", "its driver is that of the processor")
        }
        "amdgpu" | "radeon" | "nouveau" | "i915" | "xe" => {
            ("graphics card", "its driver is that of a graphics card")
        }
        "nvme" | "drivetemp" => ("drive", "its driver is that of a drive"),
        "jc42" | "spd5118" => ("memory", "its driver is that of memory modules"),
        _ => ("board", "its driver names no part"),
    }
}

fn guess(chip: &Chip, sort: Sort, label: &str) -> Guess {
    let words = label.to_lowercase();
    let says = |word: &str| words.contains(word);
    let (part, because) = part_of(&chip.name);
    let plain = |role, rank| Guess {
        role,
        part,
        rank,
        resolution: None,
        why: because.to_owned(),
    };
    let labelled = |role| Guess {
        role,
        part,
        rank: 10,
        resolution: None,
        why: format!("its label is '{label}'"),
    };
    match sort {
        Sort::Temperature if part == "package" => package_temperature(chip, label),
        Sort::Temperature if says("coolant") || says("water") || says("liquid") => {
            labelled(Role::Coolant)
        }
        Sort::Temperature if says("ambient") || says("intake") || says("inlet") || says("room") => {
            labelled(Role::Room)
        }
        Sort::Temperature => plain(Role::Temperature, 30),
        Sort::Fan if says("pump") => labelled(Role::PumpSpeed),
        Sort::Fan if says("cpu") || says("processor") => Guess {
            rank: 5,
            ..labelled(Role::FanSpeed)
        },
        Sort::Fan => plain(Role::FanSpeed, if part == "board" { 20 } else { 30 }),
        Sort::Duty => plain(Role::FanDuty, 40),
        Sort::Power | Sort::Energy => plain(Role::Power, if part == "package" { 6 } else { 30 }),
        Sort::PowerCap => plain(Role::Limit, 40),
        Sort::Voltage | Sort::Current | Sort::Humidity => Guess {
            part,
            ..plain(Role::Other, 60)
        },
    }
}

/// The package's own sensor before those of cores and dies.
fn package_temperature(chip: &Chip, label: &str) -> Guess {
    let of = |rank, resolution, why: &str| Guess {
        role: Role::Temperature,
        part: "package",
        rank,
        resolution,
        why: why.to_owned(),
    };
    // coretemp.rst: 1 °C, from the thermal status register; k10temp.rst: 1/8 °C.
    let step = match chip.name.as_str() {
        "coretemp" => Some(1.0),
        "k10temp" => Some(0.125),
        _ => None,
    };
    let words = label.to_lowercase();
    if words.starts_with("package") || words.starts_with("physical") {
        return of(0, step, "its label is that of the whole package");
    }
    if words == "tdie" {
        return of(0, step, "Tdie is the die itself");
    }
    if words == "tctl" {
        return of(
            1,
            step,
            "Tctl is the value the cooling is controlled by; it may differ from the die's by an offset",
        );
    }
    of(
        15,
        step,
        "a core or die of the processor; the package's own sensor speaks for it",
    )
}
