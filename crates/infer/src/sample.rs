//! Draws from the posterior: Metropolis steps around the normal approximation.
//!
//! The normal (Laplace) approximation is exact along directions that only the prior speaks about and
//! poor where a reading gives a bound rather than a value: a demand that was never reached is "at
//! least this", not "about this". So draws are made by a chain whose proposals keep the
//! approximation invariant (the preconditioned Crank-Nicolson proposal: Cotter, Roberts, Stuart and
//! White, Statistical Science 28 (2013) 424-446) and are accepted by the ratio of the true density
//! to it. Where the approximation is exact every proposal is accepted; how many are is reported.
//!
//! In forty dimensions a proposal that moves all of them at once is accepted once in hundreds of
//! steps unless it is tiny. Most proposals therefore draw a few randomly chosen coordinates of the
//! approximation nearly anew and leave the others: each coordinate is independent of the others
//! there, so the approximation stays invariant.
//!
//! Where the density reaches farther than the approximation knows (a full fan speed that may lie far
//! above the highest one seen, along a bent ridge with the fan's curve) such steps are too short. Every
//! other step therefore goes along the difference of two states of the chain's own past, which finds
//! directions and lengths by itself (differential evolution with sampling from the past: C. J. F. ter
//! Braak and J. A. Vrugt, Stat. Comput. 18 (2008) 435-446).

use settlepoint_stats::DMatrix;
use settlepoint_stats::random::Random;

use crate::fit::{Draw, RUN_SCATTER};
use crate::posterior::Posterior;

/// Chains, run side by side; fixed, so that a fit gives the same numbers on any machine.
pub(crate) const CHAINS: usize = 2;
/// Steps of a chain before the first kept draw.
const BURN_IN: usize = 1500;
/// Proposals, taken in turn: how many coordinates move, and the share of the old value that each
/// keeps.
const MOVES: [Move; 4] = [
    Move {
        coordinates: 3,
        kept: 0.0,
    },
    Move {
        coordinates: 6,
        kept: 0.5,
    },
    Move {
        coordinates: 12,
        kept: 0.8,
    },
    Move {
        coordinates: usize::MAX,
        kept: 0.95,
    },
];

/// The proposal for coordinates without cost.
const SCALES: Move = Move {
    coordinates: 2,
    kept: 0.0,
};

/// One kind of proposal.
struct Move {
    coordinates: usize,
    kept: f64,
}

impl Move {
    /// Moves `state`; `order` is any permutation of its indices and stays one.
    fn propose(&self, state: &[f64], order: &mut [usize], random: &mut Random) -> Vec<f64> {
        let fresh = (1.0 - self.kept * self.kept).sqrt();
        let mut proposal = state.to_vec();
        for i in 0..self.coordinates.min(order.len()) {
            // The first steps of a shuffle: a random subset.
            order.swap(i, i + random.index_below(order.len() - i));
            let at = order[i];
            proposal[at] = self.kept * state[at] + fresh * random.normal();
        }
        proposal
    }
}

/// States of a chain's past, in the coordinates of the approximation.
struct Past {
    states: Vec<Vec<f64>>,
}

/// States to begin with, from the approximation: more than there are coordinates (judgement, as the
/// three below).
const FIRST_PAST: usize = 60;
/// Steps between states that are kept.
const PAST_EVERY: usize = 5;
/// Shares of the coordinates that move together.
const TOGETHER: [f64; 3] = [0.1, 0.35, 1.0];
/// Every tenth step goes the whole difference, so that separate wells can be changed.
const WHOLE: f64 = 0.1;
/// Spread of what is added, so that every state can be reached.
const JITTER: f64 = 1e-3;

impl Past {
    fn new(coordinates: usize, random: &mut Random) -> Self {
        let state = |_| (0..coordinates).map(|_| random.normal()).collect();
        Self {
            states: (0..FIRST_PAST).map(state).collect(),
        }
    }

    /// A step from `state` along the difference of two others; coordinates beyond the past's stay.
    fn propose(&self, state: &[f64], random: &mut Random) -> Vec<f64> {
        let a = &self.states[random.index_below(self.states.len())];
        let b = &self.states[random.index_below(self.states.len())];
        let share = TOGETHER[random.index_below(TOGETHER.len())];
        let moved: Vec<bool> = a.iter().map(|_| random.uniform() < share).collect();
        let count = moved.iter().filter(|m| **m).count().max(1) as f64;
        // The length that is best for a normal density (same source).
        let length = if random.uniform() < WHOLE {
            1.0
        } else {
            2.38 / (2.0 * count).sqrt()
        };
        let mut proposal = state.to_vec();
        for (i, moves) in moved.into_iter().enumerate() {
            if moves {
                proposal[i] += length * (a[i] - b[i]) + JITTER * random.normal();
            }
        }
        proposal
    }
}

/// Draws, and how the chains went.
#[derive(Clone, Debug)]
pub(crate) struct Sampled {
    pub(crate) draws: Vec<Draw>,
    /// Share of proposals accepted that draw three coordinates anew: 1 where the normal approximation
    /// is exact.
    pub(crate) acceptance: f64,
}

/// How many draws to keep, and how many steps apart.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Length {
    pub(crate) draws: usize,
    pub(crate) thin: usize,
}

/// What is sampled: a density whose costly part depends on the first coordinates only.
pub(crate) trait Target: Sync {
    /// Coordinates on which [`Target::raw`] depends.
    fn len_costly(&self) -> usize;

    /// The costly part, from a whole vector.
    fn raw(&self, z: &[f64]) -> Vec<f64>;

    /// Logarithm of the density, up to a constant, from a whole vector and its costly part.
    fn log_density(&self, z: &[f64], raw: &[f64]) -> f64;
}

impl Target for Posterior<'_> {
    fn len_costly(&self) -> usize {
        self.layout.len_physical()
    }

    fn raw(&self, z: &[f64]) -> Vec<f64> {
        Posterior::raw(self, z)
    }

    fn log_density(&self, z: &[f64], raw: &[f64]) -> f64 {
        Posterior::log_density(self, z, raw)
    }
}

/// Draws vectors from `target`, given its mode and the root of the covariance of the normal
/// approximation there (lower triangle, n x n; no covariance between the costly coordinates and
/// the others).
pub(crate) fn sample(
    mode: &[f64],
    root: &DMatrix<f64>,
    target: &impl Target,
    length: Length,
    seed: u64,
) -> Sampled {
    let each = length.draws.div_ceil(CHAINS);
    let chains: Vec<Sampled> = std::thread::scope(|scope| {
        let running: Vec<_> = (0..CHAINS)
            .map(|c| {
                scope.spawn(move || {
                    chain(
                        mode,
                        root,
                        target,
                        Length {
                            draws: each,
                            ..length
                        },
                        seed ^ ((c as u64) << 32),
                    )
                })
            })
            .collect();
        running
            .into_iter()
            .filter_map(|handle| handle.join().ok())
            .collect()
    });
    let acceptance = chains.iter().map(|c| c.acceptance).sum::<f64>() / chains.len().max(1) as f64;
    // Interleaved, so that the first k draws come from both chains.
    let mut draws = Vec::with_capacity(length.draws);
    for i in 0..each {
        draws.extend(chains.iter().filter_map(|c| c.draws.get(i).cloned()));
    }
    Sampled { draws, acceptance }
}

fn chain(
    mode: &[f64],
    root: &DMatrix<f64>,
    target: &impl Target,
    length: Length,
    seed: u64,
) -> Sampled {
    let costly = target.len_costly();
    let mut random = Random::from_seed(seed);
    let mut state = State::new(mode, root, target, vec![0.0; mode.len()], None);
    let mut order: Vec<usize> = (0..costly).collect();
    let mut scales: Vec<usize> = (costly..mode.len()).collect();
    let mut past = Past::new(costly, &mut random);
    let (mut tried, mut taken) = (0_usize, 0_usize);
    let mut draws = Vec::with_capacity(length.draws);
    for step in 0..BURN_IN + length.draws * length.thin {
        if step % 2 == 1 {
            let proposal = past.propose(&state.u, &mut random);
            let proposed = State::new(mode, root, target, proposal, None);
            state.step_by_density(proposed, &mut random);
        } else {
            let kind = step / 2 % MOVES.len();
            let proposal = MOVES[kind].propose(&state.u, &mut order, &mut random);
            let proposed = State::new(mode, root, target, proposal, None);
            let accepted = state.step(proposed, &mut random);
            if kind == 0 {
                tried += 1;
                taken += usize::from(accepted);
            }
        }
        if step.is_multiple_of(PAST_EVERY) {
            past.states.push(state.u[..costly].to_vec());
        }
        // The scales cost no simulation.
        let proposal = SCALES.propose(&state.u, &mut scales, &mut random);
        let proposed = State::new(mode, root, target, proposal, Some(state.raw.clone()));
        state.step(proposed, &mut random);
        if step >= BURN_IN && (step - BURN_IN).is_multiple_of(length.thin) {
            draws.push(Draw {
                z: state.z.clone(),
                run_factor: (RUN_SCATTER * random.normal()).exp(),
            });
        }
    }
    Sampled {
        draws,
        acceptance: taken as f64 / tried.max(1) as f64,
    }
}

/// Where a chain stands.
struct State {
    /// In the coordinates of the approximation.
    u: Vec<f64>,
    z: Vec<f64>,
    raw: Vec<f64>,
    /// Logarithm of the density over that of the approximation.
    excess: f64,
}

impl State {
    fn new(
        mode: &[f64],
        root: &DMatrix<f64>,
        target: &impl Target,
        u: Vec<f64>,
        raw: Option<Vec<f64>>,
    ) -> Self {
        let z = place(mode, root, &u);
        let raw = raw.unwrap_or_else(|| target.raw(&z));
        let excess = target.log_density(&z, &raw) + 0.5 * u.iter().map(|x| x * x).sum::<f64>();
        Self { u, z, raw, excess }
    }

    /// Goes to `proposed`, which was made by a move that leaves the approximation unchanged.
    fn step(&mut self, proposed: Self, random: &mut Random) -> bool {
        let gain = proposed.excess - self.excess;
        self.go(proposed, gain, random)
    }

    /// Goes to `proposed`, which was made by a move as likely as its reverse.
    fn step_by_density(&mut self, proposed: Self, random: &mut Random) -> bool {
        let gain = proposed.log_density() - self.log_density();
        self.go(proposed, gain, random)
    }

    fn log_density(&self) -> f64 {
        self.excess - 0.5 * self.u.iter().map(|x| x * x).sum::<f64>()
    }

    /// Metropolis.
    fn go(&mut self, proposed: Self, gain: f64, random: &mut Random) -> bool {
        let accept = proposed.excess.is_finite() && random.uniform().ln() < gain;
        if accept {
            *self = proposed;
        }
        accept
    }
}

fn place(mode: &[f64], root: &DMatrix<f64>, u: &[f64]) -> Vec<f64> {
    (0..mode.len())
        .map(|i| mode[i] + (0..=i).map(|j| root[(i, j)] * u[j]).sum::<f64>())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A standard normal of which one coordinate is never below 0 and one costs nothing.
    struct Half;

    impl Target for Half {
        fn len_costly(&self) -> usize {
            2
        }

        fn raw(&self, z: &[f64]) -> Vec<f64> {
            vec![z[0]]
        }

        fn log_density(&self, z: &[f64], raw: &[f64]) -> f64 {
            if raw[0] < 0.0 {
                f64::NEG_INFINITY
            } else {
                -0.5 * z.iter().map(|x| x * x).sum::<f64>()
            }
        }
    }

    /// A bound instead of a value: x is standard normal but above 0. Its mean is sqrt(2/pi) and its
    /// variance 1 - 2/pi (half-normal distribution, any handbook).
    #[test]
    fn a_bound_is_sampled_as_a_bound() {
        let root = DMatrix::identity(3, 3);
        let sampled = sample(
            &[0.0; 3],
            &root,
            &Half,
            Length {
                draws: 2000,
                thin: 12,
            },
            7,
        );
        let n = sampled.draws.len() as f64;
        let mean = sampled.draws.iter().map(|d| d.z[0]).sum::<f64>() / n;
        // 2000 draws, nearly independent: standard error 0.6 / sqrt(2000) = 0.0135; four of them.
        assert!(
            (mean - (2.0 / std::f64::consts::PI).sqrt()).abs() < 0.054,
            "mean {mean}"
        );
        assert!(sampled.draws.iter().all(|d| d.z[0] >= 0.0));
        // Both costly coordinates are drawn anew; half of the draws fall below 0.
        assert!(
            (sampled.acceptance - 0.5).abs() < 0.05,
            "{}",
            sampled.acceptance
        );
    }
}
