//! What the kernel's files under a root directory offer, with the role guessed for each.
//!
//! Units and meanings are those of the kernel's documents: `Documentation/hwmon/sysfs-interface.rst`,
//! `Documentation/power/powercap/powercap.rst`, `Documentation/admin-guide/pm/cpufreq.rst`,
//! `Documentation/admin-guide/thermal/intel_thermal_throttle.rst`,
//! `Documentation/ABI/testing/sysfs-class-thermal`.

mod cpufreq;
mod hwmon;
pub(crate) mod powercap;
mod thermal;
mod throttle;
pub(crate) mod tree;

use std::collections::HashMap;
use std::path::Path;

pub use tree::Tree;

use crate::error::BenchError;
use crate::found::{Found, Problem};
use crate::read;
use crate::topology::Topology;

/// The largest [`Found::rank`] of a channel that speaks for its role.
const PRINCIPAL: u32 = 9;

/// Finds every channel under `root` (`/` for this machine, or a folder laid out like it), those
/// that speak for their role first. What cannot be read is listed with its problem.
///
/// # Errors
/// [`BenchError::NothingFound`].
pub fn discover(root: &Path) -> Result<Vec<Found>, BenchError> {
    let tree = Tree::new(root);
    let topology = Topology::of(&tree);
    let mut found = hwmon::find(&tree);
    found.extend(powercap::find(&tree));
    found.extend(cpufreq::find(&tree, &topology));
    found.extend(throttle::find(&tree, &topology));
    found.extend(thermal::find(&tree));
    if found.is_empty() {
        return Err(BenchError::NothingFound {
            root: root.to_path_buf(),
        });
    }
    found.extend(cpufreq::busy(&tree));
    for channel in &mut found {
        channel.problem = problem(channel);
    }
    found.sort_by_key(|channel| (channel.rank > PRINCIPAL, channel.rank));
    make_unique(&mut found, |f| &mut f.id);
    make_unique(&mut found, |f| &mut f.label);
    Ok(found)
}

fn problem(channel: &Found) -> Option<Problem> {
    match read::once(&channel.source, channel.reading) {
        Ok(_) => None,
        Err(error) if error.kind() == std::io::ErrorKind::PermissionDenied => Some(Problem::Denied),
        Err(error) => Some(Problem::NoValue(error.to_string())),
    }
}

/// Names that are there already get a number.
fn make_unique(found: &mut [Found], name: impl Fn(&mut Found) -> &mut String) {
    let mut seen: HashMap<String, u32> = HashMap::new();
    for channel in found {
        let name = name(channel);
        let count = seen.entry(name.clone()).or_default();
        *count += 1;
        if *count > 1 {
            name.push_str(&format!(" #{count}"));
        }
    }
}

/// What usually helps where energy counters may not be read.
pub const ENERGY_REMEDY: &str = "Energy counters are readable by root only on most systems, because \
    fine readings of power can betray what other programs compute (CVE-2020-8694). Either run the \
    recorder as root, or allow reading until the next start with 'sudo chmod a+r FILE' for the files \
    named, or for good by a udev or tmpfiles rule. Do not leave it allowed on a machine that strangers \
    use.";
