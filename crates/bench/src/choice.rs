//! Which of the channels found are recorded, and what the user says of them.

use std::path::{Path, PathBuf};

use settlepoint_domain::{Role, Unit};

use crate::error::BenchError;
use crate::found::{Found, Reading};

/// What the user wants recorded.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// Only these, by id or label; all if empty.
    pub only: Vec<String>,
    /// Not these.
    pub without: Vec<String>,
    /// Other roles than guessed: id or label, and role. Such a channel comes first in its role.
    pub roles: Vec<(String, Role)>,
    /// Files with a number: role, path, factor to the role's unit.
    pub files: Vec<(Role, PathBuf, f64)>,
}

/// The unit that values of a role are kept in.
pub fn unit_of(role: Role) -> Unit {
    match role {
        Role::Time => Unit::Second,
        Role::Power => Unit::Watt,
        Role::Energy => Unit::Joule,
        Role::Temperature | Role::Coolant | Role::Room => Unit::Celsius,
        Role::FanSpeed | Role::PumpSpeed => Unit::Rpm,
        Role::FanDuty | Role::Load => Unit::Share,
        Role::Clock => Unit::Megahertz,
        Role::Level => Unit::Dba,
        _ => Unit::None,
    }
}

/// The channels to record, in their order: those that can be read, chosen and named as wanted.
///
/// # Errors
/// [`BenchError::Invalid`] for a name that no channel has, with those there are.
pub fn choose(mut found: Vec<Found>, wanted: &Wanted) -> Result<Vec<Found>, BenchError> {
    let named = |f: &Found, name: &str| f.id == name || f.label == name;
    let roles = wanted.roles.iter().map(|(name, _)| name);
    for name in wanted.only.iter().chain(&wanted.without).chain(roles) {
        if !found.iter().any(|f| named(f, name)) {
            let ids: Vec<&str> = found.iter().map(|f| f.id.as_str()).collect();
            return Err(BenchError::invalid(
                name.clone(),
                format!("no channel has this id; there are {}", ids.join(", ")),
            ));
        }
    }
    found.retain(|f| {
        let only = wanted.only.is_empty() || wanted.only.iter().any(|name| named(f, name));
        f.problem.is_none() && only && !wanted.without.iter().any(|name| named(f, name))
    });
    for (name, role) in &wanted.roles {
        for channel in found.iter_mut().filter(|f| named(f, name)) {
            channel.role = *role;
            "named by the user".clone_into(&mut channel.reason);
            channel.rank = 0;
        }
    }
    found.extend(
        wanted
            .files
            .iter()
            .map(|(role, path, scale)| file(*role, path, *scale)),
    );
    found.sort_by_key(|f| f.rank);
    Ok(found)
}

/// A total of energy becomes the mean power, as everywhere.
fn file(role: Role, path: &Path, scale: f64) -> Found {
    let (role, reading) = match role {
        Role::Energy => (Role::Power, Reading::Counter { scale, range: None }),
        other => (other, Reading::Gauge { scale }),
    };
    Found {
        id: format!("file {}", path.display()),
        label: path.display().to_string(),
        role,
        unit: unit_of(role),
        part: "package".to_owned(),
        source: path.to_path_buf(),
        reason: "named by the user".to_owned(),
        reading,
        resolution: None,
        problem: None,
        rank: 0,
    }
}
