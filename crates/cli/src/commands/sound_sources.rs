//! `sound --sources`: what each source adds to the whole.

use serde_json::json;
use settlepoint_sound::background::State;
use settlepoint_sound::sources::{Source, USUAL_SLOPE_DB_PER_DECADE, Whole, together};

use super::sound::Heard;
use crate::error::Failure;
use crate::view::{Answer, fixed, number, optional, signed, table};

/// Adds the sum of the sources to an answer.
pub(super) fn add_up(
    heard: &[Heard],
    all: Option<&Heard>,
    answer: &mut Answer,
) -> Result<(), Failure> {
    if heard.len() < 2 {
        return Err(Failure::usage(
            "--sources adds up two or more recordings, one of each source alone",
        ));
    }
    let relative = heard[0].analysis.relative;
    let mixed = heard
        .iter()
        .chain(all)
        .any(|h| h.analysis.relative != relative);
    if mixed {
        return Err(Failure::data(
            "the recordings cannot be added up: the gain of some does not look fixed; 'settlepoint sound' \
             without --sources says which, and why",
        ));
    }
    let sources: Vec<Source> = heard
        .iter()
        .map(|h| Source {
            name: h.file.clone(),
            level_db: level_of(h),
            slope_db_per_decade: None,
        })
        .collect();
    let whole = together(&sources, all.map(level_of));
    let bounded = heard.iter().filter(|h| at_most(h)).count();
    answer.json["sources"] = json!({
        "level_db": number(whole.level_db),
        "together_minus_sum_db": optional(whole.together_minus_sum_db),
        "upper_bounds": bounded,
        "parts": whole.parts.iter().map(|p| json!({
            "file": p.name,
            "level_db": number(p.level_db),
            "share": number(p.share),
            "without_db": number(p.without_db),
            "ten_percent_slower_db": number(p.slower_db),
        })).collect::<Vec<_>>(),
    });
    answer.text += &text(&whole, bounded);
    Ok(())
}

/// The level of the source alone where a background was taken out, else as measured.
fn level_of(heard: &Heard) -> f64 {
    heard
        .corrected
        .map_or(heard.analysis.levels.laeq_db, |c| c.level_db)
}

fn at_most(heard: &Heard) -> bool {
    heard
        .corrected
        .is_some_and(|c| c.state == State::UpperBound)
}

fn text(whole: &Whole, bounded: usize) -> String {
    let rows: Vec<Vec<String>> = whole
        .parts
        .iter()
        .map(|p| {
            vec![
                p.name.clone(),
                fixed(p.level_db, 1),
                fixed(100.0 * p.share, 0),
                fixed(p.without_db, 1),
                signed(-p.slower_db, 1),
            ]
        })
        .collect();
    let header = [
        "source",
        "dB(A)",
        "% of sound",
        "without it",
        "10 % slower dB",
    ];
    let mut out = format!(
        "\nsources together: {} dB(A); the one to slow first is {}\n{}",
        fixed(whole.level_db, 1),
        whole.parts.first().map_or("-", |p| p.name.as_str()),
        table(&header, &rows)
    );
    out += &format!(
        "10 % slower: at {USUAL_SLOPE_DB_PER_DECADE:.0} dB per decade of speed; 'settlepoint quietest' weighs \
         sound against heat\n"
    );
    if let Some(difference) = whole.together_minus_sum_db {
        out += &format!(
            "measured together: {} dB against the sum; more than 1 dB says that they disturb each other's air \
             or ring together, or that one was not alone\n",
            signed(difference, 1)
        );
    }
    if bounded > 0 {
        out += &format!("{bounded} of them are upper bounds, too close to the background\n");
    }
    out
}
