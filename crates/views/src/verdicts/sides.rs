//! Finding what a name means, and bringing the runs of several machines or coolings together.

use settlepoint_domain::{Id, Run, RunData, Workload};
use settlepoint_infer::evidence::RunEvidence;
use settlepoint_notebook::Notebook;

use crate::ViewError;
use crate::gather::Gathered;
use crate::listed::listed;

/// The one thing that a name or id means: spelled exactly, or else without regard to case and outer
/// blanks.
pub(crate) fn named<'a, T>(
    things: &'a [T],
    label: impl Fn(&T) -> (&str, Id),
    what: &str,
    name: &str,
) -> Result<&'a T, ViewError> {
    let exact: Vec<&T> = things
        .iter()
        .filter(|t| label(t).0 == name || label(t).1.to_string() == name)
        .collect();
    let fold = |text: &str| text.trim().to_lowercase();
    let alike = || {
        things
            .iter()
            .filter(|t| fold(label(t).0) == fold(name))
            .collect::<Vec<_>>()
    };
    let found = if exact.is_empty() { alike() } else { exact };
    let list = |of: &[&T]| listed(of.iter().map(|t| label(t)));
    match found.as_slice() {
        [one] => Ok(one),
        [] if things.is_empty() => Err(ViewError::Unknown(format!(
            "there is no {what} '{name}', nor any other"
        ))),
        [] => Err(ViewError::Unknown(format!(
            "there is no {what} '{name}'; there is {}",
            list(&things.iter().collect::<Vec<_>>())
        ))),
        several => Err(ViewError::Unknown(format!(
            "several are called '{name}': {}; give the id",
            list(several)
        ))),
    }
}

/// Sides with one list of workloads, to which the evidence of all of them refers.
pub(crate) struct Together {
    pub(crate) workloads: Vec<Workload>,
    pub(crate) sides: Vec<Gathered>,
}

impl Together {
    pub(crate) fn new(sides: Vec<Gathered>) -> Self {
        let mut workloads: Vec<Workload> = Vec::new();
        let sides = sides
            .into_iter()
            .map(|mut side| {
                for (_, evidence) in &mut side.runs {
                    let own = &side.workloads[evidence.workload];
                    let place = workloads.iter().position(|w| w.id == own.id);
                    evidence.workload = place.unwrap_or_else(|| {
                        workloads.push(own.clone());
                        workloads.len() - 1
                    });
                }
                side
            })
            .collect();
        Self { workloads, sides }
    }
}

/// The evidence of a side.
pub(crate) fn evidence(side: &Gathered) -> Vec<RunEvidence> {
    side.runs.iter().map(|(_, e)| e.clone()).collect()
}

/// The names of the tunes that runs were made under; "none" for those without.
pub(crate) fn tunes<'a>(
    book: &Notebook,
    runs: impl Iterator<Item = &'a Run>,
) -> Result<Vec<String>, ViewError> {
    let known = book.tunes()?;
    let mut names: Vec<String> = Vec::new();
    for run in runs {
        let tune = run.tune.and_then(|id| known.iter().find(|t| t.id == id));
        let name = tune.map_or_else(|| "no tune named".to_owned(), |t| format!("'{}'", t.name));
        if !names.contains(&name) {
            names.push(name);
        }
    }
    names.sort();
    Ok(names)
}

/// Where the meter stood and what was measured, for the levels of runs: distances in m.
pub(crate) fn distances_m<'a>(runs: impl Iterator<Item = &'a Run>) -> Vec<f64> {
    let mut all: Vec<f64> = runs
        .filter_map(|run| match &run.data {
            RunData::Readings(phases) => Some(phases),
            _ => None,
        })
        .flatten()
        .filter(|p| p.level_dba.is_some())
        .filter_map(|p| p.distance_m)
        .collect();
    all.sort_by(f64::total_cmp);
    all.dedup();
    all
}

/// Lowest and highest room of runs, °C.
pub(crate) fn rooms_c<'a>(runs: impl Iterator<Item = &'a RunEvidence>) -> Option<(f64, f64)> {
    runs.filter_map(|r| r.room_c)
        .map(|c| (c, c))
        .reduce(|(lo, hi), (c, _)| (lo.min(c), hi.max(c)))
}
