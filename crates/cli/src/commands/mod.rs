//! One module a command: read the arguments, call the core, say what came out.

pub(crate) mod add;
pub(crate) mod add_frames;
pub(crate) mod add_scores;
pub(crate) mod before_after;
pub(crate) mod campaign;
pub(crate) mod channels;
pub(crate) mod chart;
pub(crate) mod check;
pub(crate) mod choose;
pub(crate) mod compare;
pub(crate) mod demo;
pub(crate) mod export;
pub(crate) mod fit;
pub(crate) mod frames;
pub(crate) mod inspect;
pub(crate) mod plan;
pub(crate) mod predict;
pub(crate) mod rank;
pub(crate) mod record;
pub(crate) mod rehearse;
pub(crate) mod report;
pub(crate) mod review;
pub(crate) mod runs;
pub(crate) mod sound;
pub(crate) mod verify;
