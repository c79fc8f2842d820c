//! Licences and duplicate versions, without the network.

use std::collections::BTreeMap;
use std::process::Command;

use serde_json::Value;

/// Licences that may be linked with MIT OR Apache-2.0 code.
const ALLOWED: [&str; 12] = [
    "MIT",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "Zlib",
    "Unlicense",
    "Unicode-3.0",
    "0BSD",
    "ISC",
    "CC0-1.0",
    "BSL-1.0",
];

/// Crates that may be there in several versions, with the reason.
const DUPLICATES: [(&str, &str); 0] = [];

/// Checks every crate that is built for this machine's default features.
pub(crate) fn check() -> Result<(), String> {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--offline", "--locked"])
        .output()
        .map_err(|e| format!("cannot run cargo metadata: {e}"))?;
    if !output.status.success() {
        return Err(String::from_utf8_lossy(&output.stderr).into_owned());
    }
    let metadata: Value =
        serde_json::from_slice(&output.stdout).map_err(|e| format!("cargo metadata: {e}"))?;
    let packages = metadata["packages"]
        .as_array()
        .ok_or("cargo metadata names no packages")?;
    let mut wrong = Vec::new();
    let mut versions: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for package in packages {
        let name = package["name"].as_str().unwrap_or("?");
        let licence = package["license"].as_str().unwrap_or("none stated");
        if !allowed(licence) {
            wrong.push(format!("{name}: licence {licence}"));
        }
        versions
            .entry(name)
            .or_default()
            .push(package["version"].as_str().unwrap_or("?"));
    }
    for (name, found) in &versions {
        let excused = DUPLICATES.iter().any(|(n, _)| n == name);
        if found.len() > 1 && !excused && in_build(name, found) {
            wrong.push(format!("{name}: versions {}", found.join(" and ")));
        }
    }
    if wrong.is_empty() {
        #[expect(clippy::print_stdout, reason = "the result of the chore")]
        {
            println!("{} crates: licences allowed, none twice", packages.len());
        }
        Ok(())
    } else {
        Err(wrong.join("\n"))
    }
}

/// An SPDX expression of OR, AND and `/` over allowed names.
fn allowed(expression: &str) -> bool {
    expression.replace('/', " OR ").split(" OR ").any(|choice| {
        choice
            .split(" AND ")
            .all(|one| ALLOWED.contains(&one.trim_matches(|c| c == '(' || c == ')' || c == ' ')))
    })
}

/// Whether `cargo tree` really builds the crate twice for this machine: the lock file also holds
/// other systems' crates.
fn in_build(name: &str, versions: &[&str]) -> bool {
    let used = |version: &&&str| {
        Command::new(env!("CARGO"))
            .args([
                "tree",
                "--offline",
                "--locked",
                "--edges",
                "normal",
                "--invert",
            ])
            .arg(format!("{name}@{version}"))
            .output()
            .is_ok_and(|o| o.status.success() && !o.stdout.is_empty())
    };
    versions.iter().filter(used).count() > 1
}
