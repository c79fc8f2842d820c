//! Comparisons as a forest plot.

use settlepoint_compare::frames::{FrameComparison, Metric};
use settlepoint_compare::{Comparison, Options, Scale, Verdict};
use settlepoint_domain::Direction;
use settlepoint_draw::{Forest, ForestRow, Ranged};
use settlepoint_notebook::Notebook;

use super::ranged;
use crate::ViewError;
use crate::compared::{Against, Sides, against, of_notebook, pairs, words};

/// Margin where neither the owner nor the workload names one, percent.
const USUAL_MARGIN_PCT: f64 = 1.0;

/// The base against the others, or the first side of the notebook against the rest.
///
/// # Errors
/// Fewer than two sides with scores, or names that have none.
pub fn forest(book: &Notebook, sides: &Sides) -> Result<Forest, ViewError> {
    let evidence = of_notebook(book, sides)?;
    let margin_pct = sides.margin_pct.unwrap_or(USUAL_MARGIN_PCT);
    let options = Options {
        margin_pct,
        ..Options::default()
    };
    let compared: Vec<Against> = pairs(&evidence, false)?
        .into_iter()
        .map(|(base, other)| against(&evidence, base, other, options))
        .collect::<Result<_, _>>()?;
    forest_of(&compared, margin_pct)
}

/// Comparisons with a common base; `margin_pct` is that of the weighted whole. Levels, which are
/// compared in decibels, have no place on this axis.
///
/// # Errors
/// Nothing that both sides have.
pub fn forest_of(compared: &[Against], margin_pct: f64) -> Result<Forest, ViewError> {
    let several = compared.len() > 1;
    let mut rows = Vec::new();
    let mut margins: Vec<f64> = Vec::new();
    for a in compared {
        let name = |what: &str| {
            if several {
                format!("{what}, {}", a.other)
            } else {
                what.to_owned()
            }
        };
        for row in a.rows.iter().filter(|r| r.workload.scale == Scale::Ratio) {
            margins.push(row.margin);
            rows.push(row_of(name(&row.workload.name), row));
        }
        for (workload, row) in a.frame_rows().filter(|(_, r)| r.metric == Metric::MeanRate) {
            rows.push(frame_row(name(&format!("{workload}, frames/s")), row));
        }
        if let Some(ratio) = a.whole.speed_ratio.filter(|_| a.rows.len() > 1) {
            rows.push(ForestRow {
                label: name("all by weight"),
                ratio: ranged(ratio),
                verdict: plain_verdict(a.whole.verdict),
                whole: true,
            });
        }
    }
    let Some(first) = compared.first().filter(|_| !rows.is_empty()) else {
        return Err(ViewError::Unknown(
            "the sides have no workload in common; score the same workload under both".into(),
        ));
    };
    let equal = margins.iter().all(|m| (m - margin_pct).abs() < 1e-9);
    Ok(Forest {
        title: if several {
            format!("Work against {}", first.base)
        } else {
            format!("Work under {} against {}", first.other, first.base)
        },
        subtitle: if equal {
            "90 % intervals; right of the line is faster".into()
        } else {
            "90 % intervals; right of the line is faster; margins differ, the table has each".into()
        },
        margin: equal.then_some(margin_pct / 100.0),
        rows,
    })
}

/// A comparison as change of work: a shorter time is more work.
fn row_of(label: String, row: &Comparison) -> ForestRow {
    let known = row.estimate.is_some();
    let ratio = match (row.workload.direction, known) {
        (Direction::Higher, true) => ranged(row.ratio),
        (Direction::Lower, true) => Ranged {
            value: 1.0 / row.ratio.value,
            lo: 1.0 / row.ratio.hi,
            hi: 1.0 / row.ratio.lo,
        },
        (Direction::Higher, false) => Ranged::exact(row.ratio.value),
        (Direction::Lower, false) => Ranged::exact(1.0 / row.ratio.value),
    };
    ForestRow {
        label,
        ratio,
        verdict: words(row),
        whole: false,
    }
}

fn frame_row(label: String, row: &FrameComparison) -> ForestRow {
    ForestRow {
        label,
        ratio: ranged(row.ratio),
        verdict: plain_verdict(row.verdict),
        whole: false,
    }
}

fn plain_verdict(verdict: Verdict) -> String {
    match verdict {
        Verdict::CannotTell => "cannot tell yet".into(),
        other => other.token().replace('_', " "),
    }
}
