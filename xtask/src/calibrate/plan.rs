//! Which runs are made.

use settlepoint_stats::random::Random;

/// How runs are chosen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Plan {
    /// PL1 evenly spaced over the grid, temperature limit at its highest.
    Even,
    /// PL1 and temperature limit drawn from the grid.
    Random,
    /// PL1 evenly spaced over the top of the grid.
    NearStock,
    /// Each run chosen by the planner from those before it.
    Planned,
}

/// Lowest PL1 over PL2 that counts as near stock.
const NEAR_STOCK: f64 = 0.85;
/// Rooms that runs are made in, °C: middle of the year indoors.
const ROOM_C: (f64, f64) = (18.0, 26.0);
/// Change of the room between the runs of one machine, K.
const ROOM_CHANGE_K: f64 = 0.7;

/// A run to be made.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct PlannedRun {
    /// PL1 over PL2.
    pub(crate) ratio: f64,
    pub(crate) temp_limit_c: f64,
    pub(crate) room_c: f64,
}

/// The rooms of one machine's runs.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Rooms {
    pub(crate) base_c: f64,
}

impl Rooms {
    pub(crate) fn draw(random: &mut Random) -> Self {
        Self {
            base_c: ROOM_C.0 + (ROOM_C.1 - ROOM_C.0) * random.uniform(),
        }
    }

    pub(crate) fn next(self, random: &mut Random) -> f64 {
        self.base_c + ROOM_CHANGE_K * random.normal()
    }
}

impl Plan {
    pub(crate) const ALL: [Self; 4] = [Self::Even, Self::Random, Self::NearStock, Self::Planned];

    pub(crate) const fn token(self) -> &'static str {
        match self {
            Self::Even => "even",
            Self::Random => "random",
            Self::NearStock => "near_stock",
            Self::Planned => "planned",
        }
    }

    /// `count` runs. The grid gives the range of PL1 over PL2 and the temperature limits. Planned runs
    /// are made in [`super::planned`]; without a planner they are even.
    pub(crate) fn runs(
        self,
        count: usize,
        ratios: &[f64],
        limits_c: &[f64],
        random: &mut Random,
    ) -> Vec<PlannedRun> {
        let lowest = ratios.iter().copied().fold(f64::INFINITY, f64::min);
        let highest = ratios.iter().copied().fold(0.0, f64::max);
        let top_c = limits_c.iter().copied().fold(0.0, f64::max);
        let rooms = Rooms::draw(random);
        (0..count)
            .map(|i| {
                let place = i as f64 / (count.max(2) - 1) as f64;
                let (ratio, temp_limit_c) = match self {
                    Self::Even | Self::Planned => (lowest + (highest - lowest) * place, top_c),
                    Self::Random => (
                        ratios[random.index_below(ratios.len())],
                        limits_c[random.index_below(limits_c.len())],
                    ),
                    Self::NearStock => (NEAR_STOCK + (highest - NEAR_STOCK) * place, top_c),
                };
                PlannedRun {
                    ratio,
                    temp_limit_c,
                    room_c: rooms.next(random),
                }
            })
            .collect()
    }
}
