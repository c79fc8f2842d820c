//! Which arrangement the data allow: paired by blocks, or independent.

use crate::Observation;

/// How repetitions of the two sides belong together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Layout {
    /// One value a side in each block: differences within blocks.
    Paired,
    /// Several values in a block: differences of the blocks' means.
    Blocked,
    /// No link between single values of the two sides.
    Independent,
    /// One repetition on a side at least: no scatter to judge by.
    Single,
}

impl Layout {
    /// The token in JSON and tables.
    pub const fn token(self) -> &'static str {
        match self {
            Self::Paired => "paired",
            Self::Blocked => "blocked",
            Self::Independent => "independent",
            Self::Single => "single",
        }
    }
}

/// The arrangement, why, and the values in it (logarithms, or decibels).
#[derive(Debug, Clone, PartialEq)]
pub struct Design {
    /// The arrangement.
    pub layout: Layout,
    /// Why this one, for people.
    pub reason: String,
    /// Values of the base: one a block, or all.
    pub(crate) base: Vec<f64>,
    /// Values of the other side: one a block, or all.
    pub(crate) other: Vec<f64>,
}

/// Blocks from which differences within them are worth more than independent values: with fewer
/// the wide tails of Student's distribution cost more than most drifts.
const LEAST_BLOCKS: usize = 3;

impl Design {
    /// Decides from how the data were taken alone, never from their values: a choice by the values
    /// would make errors more likely than stated.
    pub(crate) fn of(
        base: &[Observation],
        other: &[Observation],
        allow_blocks: bool,
        transform: impl Fn(f64) -> f64,
    ) -> Self {
        let all = |side: &[Observation]| side.iter().map(|o| transform(o.value)).collect();
        let (base_values, other_values): (Vec<f64>, Vec<f64>) = (all(base), all(other));
        if base.len() < 2 || other.len() < 2 {
            return Self {
                layout: Layout::Single,
                reason: "one repetition on a side has no scatter to judge a difference by"
                    .to_owned(),
                base: base_values,
                other: other_values,
            };
        }
        match blocks(base, other, &transform) {
            Some(blocks) if allow_blocks => Self::in_blocks(&blocks),
            found => Self {
                layout: Layout::Independent,
                reason: match found {
                    Some(_) => "asked for; blocks are not used".to_owned(),
                    None => independent_reason(base, other),
                },
                base: base_values,
                other: other_values,
            },
        }
    }

    fn in_blocks(blocks: &[Block]) -> Self {
        let single = blocks.iter().all(|b| b.count == 2);
        let layout = if single {
            Layout::Paired
        } else {
            Layout::Blocked
        };
        Self {
            layout,
            reason: format!(
                "{} blocks (rounds) hold both sides, so what changes from block to block cancels",
                blocks.len()
            ),
            base: blocks.iter().map(|b| b.base).collect(),
            other: blocks.iter().map(|b| b.other).collect(),
        }
    }
}

/// Means of both sides in one block.
struct Block {
    base: f64,
    other: f64,
    count: usize,
}

/// The blocks, if every value stands in one that holds both sides and there are enough.
fn blocks(
    base: &[Observation],
    other: &[Observation],
    transform: impl Fn(f64) -> f64,
) -> Option<Vec<Block>> {
    let mut names: Vec<&str> = Vec::new();
    for observation in base.iter().chain(other) {
        let name = observation.block.as_deref()?;
        if !names.contains(&name) {
            names.push(name);
        }
    }
    let mean = |side: &[Observation], name: &str| {
        let values: Vec<f64> = side
            .iter()
            .filter(|o| o.block.as_deref() == Some(name))
            .map(|o| transform(o.value))
            .collect();
        let count = values.len();
        (count > 0).then(|| (values.iter().sum::<f64>() / count as f64, count))
    };
    let blocks: Option<Vec<Block>> = names
        .into_iter()
        .map(|name| {
            let ((base, n), (other, m)) = (mean(base, name)?, mean(other, name)?);
            let count = n + m;
            Some(Block { base, other, count })
        })
        .collect();
    blocks.filter(|b| b.len() >= LEAST_BLOCKS)
}

fn independent_reason(base: &[Observation], other: &[Observation]) -> String {
    let labelled = |side: &[Observation]| side.iter().any(|o| o.block.is_some());
    if labelled(base) || labelled(other) {
        format!("fewer than {LEAST_BLOCKS} whole blocks hold both sides")
    } else {
        "no blocks were noted".to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn side(values: &[(f64, &str)]) -> Vec<Observation> {
        values
            .iter()
            .map(|&(value, block)| Observation {
                block: Some(block.to_owned()).filter(|b| !b.is_empty()),
                ..Observation::of(value)
            })
            .collect()
    }

    fn layout(base: &[(f64, &str)], other: &[(f64, &str)], allow: bool) -> Layout {
        Design::of(&side(base), &side(other), allow, f64::ln).layout
    }

    #[test]
    fn the_arrangement_follows_the_labels() {
        let rounds = [(1.0, "a"), (2.0, "b"), (3.0, "c")];
        let loose = [(1.0, ""), (2.0, ""), (3.0, "")];
        let twice = [(1.0, "a"), (1.1, "a"), (2.0, "b"), (3.0, "c")];
        assert_eq!(layout(&rounds, &rounds, true), Layout::Paired);
        assert_eq!(layout(&twice, &rounds, true), Layout::Blocked);
        assert_eq!(layout(&rounds, &rounds, false), Layout::Independent);
        assert_eq!(layout(&rounds, &loose, true), Layout::Independent);
        assert_eq!(
            layout(&rounds[..2], &rounds[..2], true),
            Layout::Independent
        );
        assert_eq!(layout(&rounds[..1], &rounds, true), Layout::Single);
    }
}
