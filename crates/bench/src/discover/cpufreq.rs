//! Clocks, a policy each, with the kind of core they belong to.

use settlepoint_domain::{Role, Unit};

use super::tree::{Tree, cpu_list, index_of, name_of, text};
use crate::found::{Found, Reading};
use crate::topology::Topology;

/// cpufreq speaks in kHz throughout (Documentation/admin-guide/pm/cpufreq.rst).
const MHZ_PER_KHZ: f64 = 1e-3;

pub(super) fn find(tree: &Tree, topology: &Topology) -> Vec<Found> {
    Tree::entries(&tree.path("sys/devices/system/cpu/cpufreq"))
        .into_iter()
        .filter_map(|policy| {
            let number = index_of(&name_of(&policy), "policy")?;
            let file = policy.join("scaling_cur_freq");
            if !file.exists() {
                return None;
            }
            let cpus = text(&policy.join("related_cpus"))
                .map(|list| cpu_list(&list.replace(' ', ",")))
                .unwrap_or_default();
            let cpu = cpus.first().copied().unwrap_or(number);
            let kind = topology.kind_of(cpu);
            let kind_words = kind.map_or(String::new(), |kind| format!(" ({kind} core)"));
            Some(Found {
                id: format!("clock/cpu{cpu}"),
                label: format!("cpu{cpu} clock{kind_words}"),
                role: Role::Clock,
                unit: Unit::Megahertz,
                part: "package".to_owned(),
                source: file,
                reason: match kind {
                    Some(kind) => format!("clock of cpu{cpu}, one of the {kind} cores"),
                    None => format!("clock of cpu{cpu}"),
                },
                reading: Reading::Gauge { scale: MHZ_PER_KHZ },
                resolution: None,
                problem: None,
                // The first core of each kind speaks for it.
                rank: if topology.is_first_of_kind(cpu) {
                    8
                } else {
                    41
                },
            })
        })
        .collect()
}

/// The share of time in which the processors were busy.
pub(super) fn busy(tree: &Tree) -> Option<Found> {
    let source = tree.path("proc/stat");
    source.exists().then(|| Found {
        id: "busy".to_owned(),
        label: "processor load".to_owned(),
        role: Role::Load,
        unit: Unit::Share,
        part: "package".to_owned(),
        source,
        reason: "time not idle, of all processors, since the sample before".to_owned(),
        reading: Reading::Busy,
        resolution: None,
        problem: None,
        rank: 9,
    })
}
