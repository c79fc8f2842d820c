//! Which processors there are, which share a core, and of which kind each core is.

use std::collections::BTreeMap;

use crate::discover::Tree;
use crate::discover::tree::{cpu_list, index_of, name_of, number, text};

/// One logical processor.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Cpu {
    /// Its number in the kernel's names.
    pub number: usize,
    /// Its core's number within the package.
    pub core: usize,
    /// Its package's number.
    pub package: usize,
    /// The kind of its core where there is more than one: `large`, `small`, or `kind 1`, `kind 2`,
    /// … from the strongest.
    pub kind: Option<String>,
}

/// The processors that are online.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Topology {
    cpus: Vec<Cpu>,
}

impl Topology {
    /// As the tree tells it; empty if it does not.
    pub fn of(tree: &Tree) -> Self {
        let folder = tree.path("sys/devices/system/cpu");
        let online = text(&folder.join("online")).map(|list| cpu_list(&list));
        let kinds = kinds(tree);
        let cpus = Tree::entries(&folder)
            .iter()
            .filter_map(|path| index_of(&name_of(path), "cpu"))
            .filter(|n| online.as_ref().is_none_or(|list| list.contains(n)))
            .map(|n| {
                let of = |file: &str| {
                    let path = folder.join(format!("cpu{n}/topology/{file}"));
                    text(&path).and_then(|t| t.parse().ok())
                };
                Cpu {
                    number: n,
                    core: of("core_id").unwrap_or(n),
                    package: of("physical_package_id").unwrap_or(0),
                    kind: kinds.get(&n).cloned(),
                }
            })
            .collect();
        Self { cpus }
    }

    /// All processors, by number.
    pub fn cpus(&self) -> &[Cpu] {
        &self.cpus
    }

    /// The kind of a processor's core, if there are several kinds.
    pub fn kind_of(&self, cpu: usize) -> Option<&str> {
        let found = self.cpus.iter().find(|c| c.number == cpu)?;
        found.kind.as_deref()
    }

    pub(crate) fn is_first_of_kind(&self, cpu: usize) -> bool {
        let kind = self.kind_of(cpu);
        let first = self.cpus.iter().find(|c| c.kind.as_deref() == kind);
        first.is_none_or(|c| c.number == cpu)
    }

    /// Kinds there are, strongest first; empty if all cores are alike.
    pub fn kinds(&self) -> Vec<String> {
        let mut kinds: Vec<String> = self.cpus.iter().filter_map(|c| c.kind.clone()).collect();
        kinds.sort();
        kinds.dedup();
        kinds
    }

    /// One processor of each core, of one kind if one is named, in order.
    pub fn one_a_core(&self, kind: Option<&str>) -> Vec<usize> {
        let mut seen = Vec::new();
        let mut cpus = Vec::new();
        for cpu in &self.cpus {
            if kind.is_some() && cpu.kind.as_deref() != kind {
                continue;
            }
            if !seen.contains(&(cpu.package, cpu.core)) {
                seen.push((cpu.package, cpu.core));
                cpus.push(cpu.number);
            }
        }
        cpus
    }
}

/// Kinds by processor: from the two lists that hybrid processors have
/// (tools/perf/Documentation/intel-hybrid.txt), else from `cpu_capacity` where it differs.
fn kinds(tree: &Tree) -> BTreeMap<usize, String> {
    let listed = |folder: &str| {
        text(&tree.path(&format!("sys/devices/{folder}/cpus"))).map(|list| cpu_list(&list))
    };
    if let (Some(large), Some(small)) = (listed("cpu_core"), listed("cpu_atom")) {
        let large = large.into_iter().map(|n| (n, "large".to_owned()));
        let small = small.into_iter().map(|n| (n, "small".to_owned()));
        return large.chain(small).collect();
    }
    by_capacity(tree)
}

fn by_capacity(tree: &Tree) -> BTreeMap<usize, String> {
    let folder = tree.path("sys/devices/system/cpu");
    let capacities: Vec<(usize, f64)> = Tree::entries(&folder)
        .iter()
        .filter_map(|path| {
            let n = index_of(&name_of(path), "cpu")?;
            Some((n, number(&path.join("cpu_capacity"))?))
        })
        .collect();
    let mut levels: Vec<f64> = capacities.iter().map(|c| c.1).collect();
    levels.sort_by(|a, b| b.total_cmp(a));
    levels.dedup();
    if levels.len() < 2 {
        return BTreeMap::new();
    }
    let kind = |capacity: f64| {
        let place = levels.iter().position(|l| l.total_cmp(&capacity).is_eq());
        format!("kind {}", place.unwrap_or(0) + 1)
    };
    capacities
        .into_iter()
        .map(|(n, capacity)| (n, kind(capacity)))
        .collect()
}
