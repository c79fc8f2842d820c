//! The package's power limits as they are set.

use std::path::{Path, PathBuf};

use crate::discover::Tree;
use crate::discover::powercap::{ZoneFolder, constraints, zones};
use crate::discover::tree::number;

/// One constraint of a zone. Missing and 0 are the same where the kernel's document says
/// "optional": unknown.
#[derive(Clone, Debug, PartialEq)]
pub struct Constraint {
    /// Its number in the zone.
    pub number: usize,
    /// Its name: `long_term`, `short_term`, …
    pub name: String,
    /// Watts as set.
    pub power_w: f64,
    /// Window as set, s.
    pub window_s: Option<f64>,
    /// Its reported maximum, W; of the first constraint it may be the thermal specification power.
    pub max_power_w: Option<f64>,
    /// Its reported minimum, W.
    pub min_power_w: Option<f64>,
    /// The reported range of its window, s.
    pub window_range_s: Option<(f64, f64)>,
}

/// A package's zone.
#[derive(Clone, Debug, PartialEq)]
pub struct Zone {
    /// Its id, as in `channels`.
    pub id: String,
    /// Its folder.
    pub folder: PathBuf,
    /// Its constraints, by number.
    pub constraints: Vec<Constraint>,
}

impl Zone {
    pub(crate) fn read(zone: &ZoneFolder) -> Self {
        let constraints = constraints(&zone.folder)
            .into_iter()
            .filter_map(|(n, name)| constraint(&zone.folder, n, name))
            .collect();
        Self {
            id: zone.id(),
            folder: zone.folder.clone(),
            constraints,
        }
    }

    /// The highest watts that may ever be written here: the largest of what the zone reports as its
    /// maxima and of what the firmware had set for any of its constraints.
    pub fn ceiling_w(&self) -> f64 {
        self.constraints
            .iter()
            .flat_map(|c| [Some(c.power_w), c.max_power_w])
            .flatten()
            .fold(0.0, f64::max)
    }

    /// The constraint of this name.
    pub fn named(&self, name: &str) -> Option<&Constraint> {
        self.constraints.iter().find(|c| c.name == name)
    }
}

fn constraint(folder: &Path, n: usize, name: String) -> Option<Constraint> {
    let of = |what: &str| number(&folder.join(format!("constraint_{n}_{what}")));
    let known = |what: &str| of(what).filter(|v| *v > 0.0).map(|v| 1e-6 * v);
    Some(Constraint {
        number: n,
        name,
        power_w: 1e-6 * of("power_limit_uw")?,
        window_s: known("time_window_us"),
        max_power_w: known("max_power_uw"),
        min_power_w: known("min_power_uw"),
        window_range_s: known("min_time_window_us")
            .zip(known("max_time_window_us"))
            .filter(|(lo, hi)| lo < hi),
    })
}

/// The zones of whole packages under a root. Where two interfaces show the same package, the first
/// is the one to write to.
pub fn package_zones(root: &Path) -> Vec<Zone> {
    let all = packages(root);
    let Some(control) = all.first().map(|zone| zone.control.clone()) else {
        return Vec::new();
    };
    all.iter()
        .filter(|zone| zone.control == control)
        .map(Zone::read)
        .filter(|zone| !zone.constraints.is_empty())
        .collect()
}

pub(crate) fn packages(root: &Path) -> Vec<ZoneFolder> {
    let mut all = zones(&Tree::new(root));
    all.retain(|zone| zone.names.len() == 1 && zone.names[0].starts_with("package"));
    // `intel-rapl` before `intel-rapl-mmio`.
    all.sort_by_key(|zone| zone.control.len());
    all
}
