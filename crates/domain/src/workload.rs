use crate::Id;

/// Which way a score is better.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Direction {
    /// More is better.
    Higher,
    /// Less is better.
    Lower,
}

/// How a score arises.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ScoreKind {
    /// Mean rate over the whole run, boost included.
    MeanRate,
    /// The rate in the last pass of this length would be the settled one.
    LastPass,
    /// Time for a fixed amount of work, s.
    TimeForWork,
}

/// A job with its unit of work, hours a week and weight.
#[derive(Clone, Debug, PartialEq)]
pub struct Workload {
    /// Identity.
    pub id: Id,
    /// Label.
    pub name: String,
    /// Unit of the score, as shown.
    pub unit: String,
    /// Which way is better.
    pub direction: Direction,
    /// How the score arises.
    pub kind: ScoreKind,
    /// Usual length of one run, s.
    pub duration_s: f64,
    /// Hours a week.
    pub hours_per_week: Option<f64>,
    /// Weight in the choice; hours where absent.
    pub weight: Option<f64>,
    /// Largest loss that the owner accepts, percent.
    pub loss_max_pct: Option<f64>,
    /// True for idle and light use: no score, only heat and noise count.
    pub idle: bool,
}
