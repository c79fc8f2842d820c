//! What a report says, as values: sections of sentences, tables and charts. How it looks is the
//! business of whoever renders it.

mod answer;
mod context;
mod learned;
mod measured;
mod open;

use settlepoint_draw::{Chart, Table};
use settlepoint_infer::choose::Constraints;
use settlepoint_notebook::Notebook;

use crate::ViewError;
use crate::gather::{Pick, gather};
use context::Context;

/// A report.
#[derive(Debug)]
pub struct Report {
    /// What it is about.
    pub title: String,
    /// Runs, rooms, version, hash.
    pub subtitle: String,
    /// Sections in order; empty ones are not there.
    pub sections: Vec<Section>,
}

/// A section.
#[derive(Debug)]
pub struct Section {
    /// Which.
    pub topic: Topic,
    /// What stands in it, in order.
    pub blocks: Vec<Block>,
}

/// What sections are about, in the order in which they stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Topic {
    /// The answer in a few numbers.
    Summary,
    /// What was measured, and under which conditions.
    Conditions,
    /// How.
    Method,
    /// Every run.
    Runs,
    /// What the review found.
    Findings,
    /// What the models learned.
    Models,
    /// Runs predicted from the others.
    HeldOut,
    /// The setting to use and its reasons.
    Choice,
    /// Settings compared by their scores.
    Comparisons,
    /// What is not known.
    Unknown,
    /// Cautions; always there.
    Cautions,
    /// Version, hash and what was asked; always there.
    Provenance,
}

impl Topic {
    /// Every topic in order.
    pub const ALL: [Self; 12] = [
        Self::Summary,
        Self::Conditions,
        Self::Method,
        Self::Runs,
        Self::Findings,
        Self::Models,
        Self::HeldOut,
        Self::Choice,
        Self::Comparisons,
        Self::Unknown,
        Self::Cautions,
        Self::Provenance,
    ];

    /// Its word on the command line, and the anchor of its heading.
    pub const fn token(self) -> &'static str {
        match self {
            Self::Summary => "summary",
            Self::Conditions => "conditions",
            Self::Method => "method",
            Self::Runs => "runs",
            Self::Findings => "findings",
            Self::Models => "models",
            Self::HeldOut => "held-out",
            Self::Choice => "choice",
            Self::Comparisons => "comparisons",
            Self::Unknown => "unknown",
            Self::Cautions => "cautions",
            Self::Provenance => "provenance",
        }
    }

    /// Its heading.
    pub const fn heading(self) -> &'static str {
        match self {
            Self::Summary => "In short",
            Self::Conditions => "What was measured",
            Self::Method => "Method",
            Self::Runs => "Runs",
            Self::Findings => "Review",
            Self::Models => "What the runs tell",
            Self::HeldOut => "Put to the test",
            Self::Choice => "The choice",
            Self::Comparisons => "Comparisons",
            Self::Unknown => "What is not known",
            Self::Cautions => "Cautions",
            Self::Provenance => "Where this comes from",
        }
    }

    /// Whether it may be left out.
    pub const fn is_optional(self) -> bool {
        !matches!(self, Self::Cautions | Self::Provenance)
    }
}

/// A piece of a section.
#[derive(Debug)]
pub enum Block {
    /// A paragraph.
    Text(String),
    /// Points.
    List(Vec<String>),
    /// A few numbers that matter most.
    Tiles(Vec<Tile>),
    /// Names with what they stand for.
    Facts(Vec<(String, String)>),
    /// A table.
    Table(Grid),
    /// A chart, with its numbers behind it.
    Figure(Figure),
}

/// A number that matters.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tile {
    /// What it is.
    pub label: String,
    /// The number with its unit.
    pub value: String,
    /// Its interval or another word on it; may be blank.
    pub note: String,
}

/// A table with a caption.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Grid {
    /// What it shows; may be blank.
    pub caption: String,
    /// Header and rows.
    pub table: Table,
    /// Row to be set off, the recommended one.
    pub chosen: Option<usize>,
}

impl Grid {
    fn new(caption: &str, header: &[&str], rows: Vec<Vec<String>>) -> Self {
        Self {
            caption: caption.to_owned(),
            table: Table {
                header: header.iter().map(|&h| h.to_owned()).collect(),
                rows,
            },
            chosen: None,
        }
    }

    /// Without the columns in which nothing is noted.
    fn without_blank_columns(mut self) -> Self {
        let blank = |cell: &String| matches!(cell.as_str(), "" | "–" | "unknown");
        for place in (1..self.table.header.len()).rev() {
            if self.table.rows.iter().all(|row| blank(&row[place])) {
                self.table.header.remove(place);
                for row in &mut self.table.rows {
                    row.remove(place);
                }
            }
        }
        self
    }
}

/// A chart in a report.
pub struct Figure {
    /// Its values.
    pub chart: Box<dyn Chart>,
    /// Height over width.
    pub shape: f64,
    /// The same on a phone, where panels stand under each other.
    pub tall: f64,
}

impl Figure {
    fn new(chart: impl Chart + 'static) -> Self {
        Self {
            chart: Box::new(chart),
            shape: 0.52,
            tall: 0.9,
        }
    }

    fn shaped(self, shape: f64, tall: f64) -> Self {
        Self {
            shape,
            tall,
            ..self
        }
    }
}

impl std::fmt::Debug for Figure {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Figure({})", self.chart.name())
    }
}

/// What a report is asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct Wish {
    /// Machine and cooling.
    pub pick: Pick,
    /// Bounds of the choice. A room that is not a number stands for the warmest in which a run was
    /// made.
    pub bounds: Constraints,
    /// Workload that the charts show; the one with most runs if `None`.
    pub workload: Option<String>,
    /// Sections to leave out.
    pub without: Vec<Topic>,
    /// Whether nothing that the owner typed may be in it.
    pub anonymous: bool,
    /// Version of the program.
    pub version: String,
    /// Name of the notebook's file, without its folder.
    pub notebook: String,
}

/// Puts a report together.
///
/// # Errors
/// An empty notebook, a machine, cooling or workload that is not there, or trouble reading. What
/// cannot be fitted is no error: the report then says so and holds the rest.
pub fn report(book: &Notebook, wish: &Wish) -> Result<Report, ViewError> {
    let hash = book.content_hash()?;
    if wish.anonymous {
        let called = by_id(book, wish)?;
        let copy = book.anonymous()?;
        return build(&Context::of(&copy, &called, hash)?);
    }
    build(&Context::of(book, wish, hash)?)
}

/// The wish with ids instead of names, which the anonymous copy no longer has.
fn by_id(book: &Notebook, wish: &Wish) -> Result<Wish, ViewError> {
    let gathered = gather(book, &wish.pick)?;
    let workload = match &wish.workload {
        Some(name) => Some(gathered.workload(Some(name))?),
        None => None,
    };
    Ok(Wish {
        pick: Pick {
            machine: Some(gathered.machine.id.to_string()),
            cooling: Some(gathered.cooling.id.to_string()),
            ..wish.pick.clone()
        },
        workload: workload.map(|w| gathered.workloads[w].id.to_string()),
        ..wish.clone()
    })
}

fn build(context: &Context<'_>) -> Result<Report, ViewError> {
    let mut sections = Vec::new();
    for topic in Topic::ALL {
        if topic.is_optional() && context.wish.without.contains(&topic) {
            continue;
        }
        let blocks = blocks(context, topic)?;
        if !blocks.is_empty() {
            sections.push(Section { topic, blocks });
        }
    }
    Ok(Report {
        title: context.title(),
        subtitle: context.subtitle(),
        sections,
    })
}

fn blocks(context: &Context<'_>, topic: Topic) -> Result<Vec<Block>, ViewError> {
    Ok(match topic {
        Topic::Summary => answer::summary(context),
        Topic::Conditions => measured::conditions(context)?,
        Topic::Method => open::method(context),
        Topic::Runs => measured::runs(context)?,
        Topic::Findings => measured::findings(context)?,
        Topic::Models => learned::models(context),
        Topic::HeldOut => learned::held_out(context)?,
        Topic::Choice => answer::choice(context),
        Topic::Comparisons => learned::comparisons(context)?,
        Topic::Unknown => open::unknown(context),
        Topic::Cautions => open::cautions(),
        Topic::Provenance => open::provenance(context),
    })
}
