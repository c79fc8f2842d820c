//! Counters of thermal throttling: one a core, and one a package although every core shows it.

use std::collections::BTreeSet;

use settlepoint_domain::{Role, Unit};

use super::tree::Tree;
use crate::found::{Found, Reading};
use crate::topology::Topology;

pub(super) fn find(tree: &Tree, topology: &Topology) -> Vec<Found> {
    let mut found = Vec::new();
    let mut packages = BTreeSet::new();
    let mut cores = BTreeSet::new();
    for cpu in topology.cpus() {
        let folder = tree.path(&format!(
            "sys/devices/system/cpu/cpu{}/thermal_throttle",
            cpu.number
        ));
        let mut add = |file: &str, id: String, what: String, role, rank| {
            let source = folder.join(file);
            if source.exists() {
                found.push(Found {
                    label: id.replace('/', " "),
                    id,
                    role,
                    unit: Unit::None,
                    part: "package".to_owned(),
                    source,
                    reason: what,
                    reading: Reading::Events,
                    resolution: None,
                    problem: None,
                    rank,
                });
            }
        };
        if packages.insert(cpu.package) {
            let package = cpu.package;
            add(
                "package_throttle_count",
                format!("throttle/package {package}"),
                format!("times that package {package} became too hot since the sample before"),
                Role::Throttle,
                7,
            );
            add(
                "package_power_limit_count",
                format!("power limit events/package {package}"),
                format!("times that package {package} met a power limit since the sample before"),
                Role::Other,
                61,
            );
        }
        if cores.insert((cpu.package, cpu.core)) {
            let number = cpu.number;
            add(
                "core_throttle_count",
                format!("throttle/cpu{number}"),
                format!(
                    "times that the core of cpu{number} became too hot since the sample before"
                ),
                Role::Throttle,
                42,
            );
        }
    }
    found
}
