//! Licences and duplicate versions, without the network.
//!
//! Both come from `cargo tree`, which knows the features that are really on; `cargo metadata` also
//! lists crates that only a feature nobody asked for would bring in.

use std::collections::{BTreeMap, BTreeSet};
use std::process::Command;

use crate::licence;

/// Crates that the program may contain in several versions, with the reason. Empty is best.
const DUPLICATES: [(&str, &str); 2] = [
    (
        "roxmltree",
        "the reader of the system's list of fonts is one version behind the reader of SVG",
    ),
    (
        "syn",
        "the macros of pages are one version behind those of arguments; only in the compiler",
    ),
];

/// A crate as `cargo tree` names it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Crate {
    name: String,
    version: String,
    licence: String,
}

/// Checks the licences of everything that is built, tests and benchmarks included, and that nothing
/// is in the program twice; both for every system, not only for this one.
pub(crate) fn check() -> Result<(), String> {
    let built = tree("normal,build,dev")?;
    let linked = tree("normal,build")?;
    let mut wrong = bad_licences(&built);
    wrong.extend(unexcused(&versions(&linked), &DUPLICATES));
    if wrong.is_empty() {
        report(&built, &linked);
        Ok(())
    } else {
        Err(wrong.join("\n"))
    }
}

/// The crates reached over edges of some kinds from the whole workspace.
fn tree(edges: &str) -> Result<BTreeSet<Crate>, String> {
    let output = Command::new(env!("CARGO"))
        .args(["tree", "--workspace", "--offline", "--locked"])
        .args(["--target", "all", "--prefix", "none", "--no-dedupe"])
        .args(["--format", "{p}\t{l}", "--edges", edges])
        .output()
        .map_err(|e| format!("cannot run cargo tree: {e}"))?;
    if !output.status.success() {
        return Err(format!(
            "{}\nif crates are missing here, run `cargo fetch --locked` once with a network",
            String::from_utf8_lossy(&output.stderr).trim_end()
        ));
    }
    parse(&String::from_utf8_lossy(&output.stdout))
}

/// Lines of `name v1.2.3 (notes)`, a tab and the licence expression.
fn parse(text: &str) -> Result<BTreeSet<Crate>, String> {
    let crates = text
        .lines()
        .filter(|line| !line.trim().is_empty())
        .map(|line| one_crate(line).ok_or_else(|| format!("cargo tree: cannot read '{line}'")))
        .collect::<Result<BTreeSet<Crate>, String>>()?;
    if crates.is_empty() {
        return Err("cargo tree names no crates".to_owned());
    }
    Ok(crates)
}

fn one_crate(line: &str) -> Option<Crate> {
    let (package, licence) = line.split_once('\t')?;
    let mut words = package.split(' ');
    Some(Crate {
        name: words.next()?.to_owned(),
        version: words.next()?.strip_prefix('v')?.to_owned(),
        licence: licence.trim().to_owned(),
    })
}

fn bad_licences(crates: &BTreeSet<Crate>) -> Vec<String> {
    crates
        .iter()
        .filter_map(|one| match licence::allowed(&one.licence) {
            Ok(true) => None,
            Ok(false) => Some(format!(
                "{} {}: licence '{}' is not on the list in xtask/src/licence.rs; choose another \
                 crate, or add the licence with the reason",
                one.name, one.version, one.licence
            )),
            Err(why) => Some(format!("{} {}: {why}", one.name, one.version)),
        })
        .collect()
}

/// The versions of each crate.
fn versions(crates: &BTreeSet<Crate>) -> BTreeMap<&str, BTreeSet<&str>> {
    let mut versions: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    for one in crates {
        versions.entry(&one.name).or_default().insert(&one.version);
    }
    versions
}

/// Duplicates without an excuse, and excuses without a duplicate.
fn unexcused(versions: &BTreeMap<&str, BTreeSet<&str>>, excuses: &[(&str, &str)]) -> Vec<String> {
    let twice = |name: &str| versions.get(name).is_some_and(|found| found.len() > 1);
    let excused = |name: &str| excuses.iter().any(|(excuse, _)| *excuse == name);
    let duplicates = versions
        .iter()
        .filter(|(name, _)| twice(name) && !excused(name))
        .map(|(name, found)| {
            let found: Vec<&str> = found.iter().copied().collect();
            format!(
                "{name}: versions {}; see `cargo tree --workspace --target all --duplicates` and \
                 bring them together",
                found.join(" and ")
            )
        });
    let stale = excuses
        .iter()
        .filter(|(name, _)| !twice(name))
        .map(|(name, _)| {
            format!("{name}: there is one version now; take it off the list of duplicates")
        });
    duplicates.chain(stale).collect()
}

fn report(built: &BTreeSet<Crate>, linked: &BTreeSet<Crate>) {
    #[expect(clippy::print_stdout, reason = "the result of the chore")]
    {
        println!(
            "{} crates, {} of them in the program: licences allowed, {} in several versions",
            built.len(),
            linked.len(),
            DUPLICATES.len()
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TREE: &str = "tool v0.1.0 (/some/where)\tMIT OR Apache-2.0\n\
                        zip v1.2.0\tMIT\n\
                        macros v3.0.0 (proc-macro)\tMIT\n\
                        zip v1.2.0\tMIT\n\
                        \n\
                        zip v2.0.0\tGPL-3.0-only\n";

    #[test]
    fn lines_become_crates_once_each() {
        let crates = parse(TREE).unwrap();
        assert_eq!(crates.len(), 4);
        assert_eq!(versions(&crates)["zip"], BTreeSet::from(["1.2.0", "2.0.0"]));
    }

    #[test]
    fn a_line_of_another_form_is_an_error() {
        assert!(parse("zip 1.2.0\tMIT").is_err());
        assert!(parse("zip v1.2.0").is_err());
        assert!(parse("\n").is_err());
    }

    #[test]
    fn duplicates_need_an_excuse_and_excuses_a_duplicate() {
        let crates = parse(TREE).unwrap();
        let versions = versions(&crates);
        assert_eq!(unexcused(&versions, &[]).len(), 1);
        assert!(unexcused(&versions, &[("zip", "two parents")]).is_empty());
        assert_eq!(
            unexcused(&versions, &[("zip", "two parents"), ("macros", "none")]).len(),
            1
        );
    }

    #[test]
    fn a_licence_that_is_not_on_the_list_names_its_crate() {
        let wrong = bad_licences(&parse(TREE).unwrap());
        assert_eq!(wrong.len(), 1);
        assert!(wrong[0].starts_with("zip 2.0.0: licence 'GPL-3.0-only'"));
    }
}
