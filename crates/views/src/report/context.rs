//! What all sections of a report rest on.

use settlepoint_infer::choose::{Choice, Constraints, choose};
use settlepoint_infer::fit::CoolingFit;
use settlepoint_notebook::Notebook;

use super::{Topic, Wish};
use crate::ViewError;
use crate::charts::Asked;
use crate::gather::{Gathered, gather};
use crate::words::count;

/// Room where none was asked for and none measured, °C: a warm day indoors. A judgement.
const ASSUMED_ROOM_C: f64 = 25.0;

/// Where the room of the choice comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum RoomFrom {
    Asked,
    Warmest,
    Assumed,
}

/// Notebook, fit and choice.
pub(super) struct Context<'a> {
    pub(super) book: &'a Notebook,
    pub(super) wish: &'a Wish,
    pub(super) hash: [u8; 32],
    pub(super) gathered: Gathered,
    /// The workload that the charts show.
    pub(super) workload: usize,
    pub(super) bounds: Constraints,
    pub(super) room_from: RoomFrom,
    /// The fit, or why there is none.
    pub(super) fit: Result<CoolingFit, String>,
    /// The choice, or why there is none.
    pub(super) choice: Result<Choice, String>,
}

impl<'a> Context<'a> {
    pub(super) fn of(
        book: &'a Notebook,
        wish: &'a Wish,
        hash: [u8; 32],
    ) -> Result<Self, ViewError> {
        let gathered = gather(book, &wish.pick)?;
        let workload = gathered.workload(wish.workload.as_deref());
        // Idle use alone has no workload under load; everything but the choice is still to be told.
        let workload = match (workload, wish.workload.is_some()) {
            (Ok(w), _) => w,
            (Err(_), false) if !gathered.workloads.is_empty() => 0,
            (Err(error), _) => return Err(error),
        };
        let (bounds, room_from) = bounds(&gathered, &wish.bounds);
        let fit = gathered.fit(&[]).map(|(fit, _)| fit);
        let unwanted = [Topic::Summary, Topic::Choice]
            .iter()
            .all(|t| wish.without.contains(t));
        let choice = match &fit {
            _ if unwanted => Err("it was left out".to_owned()),
            Ok(fit) => choose(fit, &bounds).map_err(|e| e.to_string()),
            Err(error) => Err(error.to_string()),
        };
        Ok(Self {
            book,
            wish,
            hash,
            workload,
            bounds,
            room_from,
            fit: fit.map_err(|e| e.to_string()),
            choice,
            gathered,
        })
    }

    pub(super) fn asked(&self) -> Asked {
        Asked {
            constraints: self.bounds,
            workload: self.workload,
            run: None,
        }
    }

    pub(super) fn title(&self) -> String {
        format!(
            "{} with {}",
            self.gathered.machine.name, self.gathered.cooling.name
        )
    }

    pub(super) fn subtitle(&self) -> String {
        format!(
            "Cooling and power limits from {}; settlepoint {}, notebook {}",
            count(self.gathered.runs.len(), "run"),
            self.wish.version,
            &self.hash_text()[..12]
        )
    }

    pub(super) fn hash_text(&self) -> String {
        self.hash.iter().map(|byte| format!("{byte:02x}")).collect()
    }
}

/// The bounds with the room filled in.
fn bounds(gathered: &Gathered, wished: &Constraints) -> (Constraints, RoomFrom) {
    if wished.room_c.is_finite() {
        return (*wished, RoomFrom::Asked);
    }
    let rooms = gathered.runs.iter().filter_map(|(_, e)| e.room_c);
    let (room_c, from) = rooms
        .reduce(f64::max)
        .map_or((ASSUMED_ROOM_C, RoomFrom::Assumed), |room| {
            (room.ceil(), RoomFrom::Warmest)
        });
    (Constraints { room_c, ..*wished }, from)
}
