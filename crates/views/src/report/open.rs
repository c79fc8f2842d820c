//! How it was done, what is not known, cautions, and where it all comes from.

use settlepoint_domain::RunData;
use settlepoint_notebook::SCHEMA_VERSION;

use super::context::Context;
use super::{Block, Grid};
use crate::models::open_words;
use crate::words::asked;

/// How readings became numbers.
pub(super) fn method(context: &Context<'_>) -> Vec<Block> {
    let of = |is: &dyn Fn(&RunData) -> bool| context.gathered.runs.iter().any(|(r, _)| is(&r.data));
    let mut lines = Vec::new();
    if of(&|d| *d == RunData::Log) {
        lines.push(
            "Logs were cut into phases where power and temperature change their level (exact penalised \
             least squares). A plateau is the settled end of a phase, or where it was heading when it \
             ended.",
        );
    }
    if of(&|d| matches!(d, RunData::Readings(_))) {
        lines.push(
            "Averages typed by hand count as what they are: means over a whole phase, warm-up included, \
             rounded as people round.",
        );
    }
    let repeated = context
        .gathered
        .runs
        .iter()
        .any(|(r, _)| r.scores.len() > 1);
    if repeated {
        lines.push(
            "Scores were compared by the ratio of their geometric means, with Student's intervals of \
             their logarithms; the same means that the whole interval lies within the margin (two \
             one-sided tests).",
        );
    }
    if let Ok(fit) = &context.fit {
        lines.push(
            "Five models were fitted together: heat from package to air with a conductance that follows \
             fan speed and air density; work and clocks against watts; the limits on power and \
             temperature; fan speed against temperature; level against fan speed. A closed-loop \
             simulator joins them, and predicts what each run read.",
        );
        lines.push(
            "Where the runs do not tell, weakly informative assumptions speak, each with its reason: \
             'settlepoint fit NOTEBOOK --priors' prints them.",
        );
        let mut blocks = vec![Block::List(lines.into_iter().map(str::to_owned).collect())];
        blocks.push(Block::Text(format!(
            "Intervals are 90 %, from {} draws of the posterior (of proposals, {:.0} % were accepted); \
             they include the scatter from run to run and the models' own error, which grows away from \
             what was measured.{}",
            fit.draws.len(),
            100.0 * fit.acceptance,
            if fit.converged {
                ""
            } else {
                " The fit did not meet its tolerance: take its numbers with care."
            }
        )));
        blocks.push(Block::Facts(basis_words()));
        return blocks;
    }
    lines.push("There are no temperatures or watts to fit, so only what was compared is shown.");
    vec![Block::List(lines.into_iter().map(str::to_owned).collect())]
}

fn basis_words() -> Vec<(String, String)> {
    [
        ("measured", "this very condition was run"),
        ("interpolated", "between conditions that were run"),
        ("extrapolated", "outside of what was run"),
        ("assumed", "only an assumption speaks"),
    ]
    .map(|(word, meaning)| (word.to_owned(), meaning.to_owned()))
    .to_vec()
}

/// What the data leave open, and what would tell.
pub(super) fn unknown(context: &Context<'_>) -> Vec<Block> {
    let Ok(fit) = &context.fit else {
        return Vec::new();
    };
    let open = fit.unidentified();
    if open.is_empty() {
        return vec![Block::Text(
            "The runs leave no parameter of the models open.".into(),
        )];
    }
    let rows = open
        .into_iter()
        .map(|u| vec![open_words(&u.parameter), u.needs])
        .collect();
    vec![
        Block::Text(
            "These the runs do not tell; for each stands what would. Until then assumptions speak in \
             their place, and intervals are as wide as that is uncertain."
                .into(),
        ),
        Block::Table(Grid::new("", &["not known", "what would tell"], rows)),
    ]
}

/// Cautions of the trade.
pub(super) fn cautions() -> Vec<Block> {
    let lines = [
        "Limits above the maker's can damage parts or void the warranty.",
        "A hot or unstable machine can lose data: save your work before a run.",
        "Heat sinks burn: let them cool before you touch them.",
        "Never open a power supply, and never defeat a thermal protection.",
        "Predictions are no substitute for a look: confirm a choice with one run under it.",
        "The makers' instructions, local codes and licensed practice come before anything said here. \
         Anything about lifetime is indicative only.",
    ];
    vec![Block::List(lines.map(str::to_owned).to_vec())]
}

/// Version, hash and what was asked.
pub(super) fn provenance(context: &Context<'_>) -> Vec<Block> {
    let wish = context.wish;
    let mut facts = vec![(
        "Program".to_owned(),
        format!("settlepoint {}", wish.version),
    )];
    if !wish.anonymous {
        facts.push(("Notebook".to_owned(), wish.notebook.clone()));
    }
    facts.push(("Content, SHA-256".to_owned(), context.hash_text()));
    facts.push(("Schema".to_owned(), SCHEMA_VERSION.to_string()));
    facts.push(("Asked".to_owned(), asked(&context.bounds).join("; ")));
    let mut blocks = vec![Block::Facts(facts)];
    let mut note = String::from(
        "The hash covers all that was entered and measured: the same notebook gives the same hash and, \
         with the same version, the same numbers.",
    );
    if wish.anonymous {
        note += " Names, models, notes and dates are left out of this report at the owner's wish.";
    }
    blocks.push(Block::Text(note));
    blocks
}
