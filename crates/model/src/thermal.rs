//! The thermal ladder as the simulator steps it: exact propagation over a step of constant power.
#![expect(
    clippy::needless_range_loop,
    reason = "matrix algebra reads better with its indices"
)]

use crate::tridiagonal::{Eigen, eigen};
use crate::{Cooling, MAX_NODES};

/// Node temperatures, die first; entries beyond the ladder's length stay at the air's.
pub(crate) type Nodes = [f64; MAX_NODES];

/// The ladder without its last conductance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Chain {
    pub(crate) n: usize,
    pub(crate) capacity: Nodes,
    /// Between node `i` and `i + 1`, K/W; the last is unused.
    pub(crate) resistance: Nodes,
    /// From node `i` to the last node, K/W.
    outwards_k_per_w: Nodes,
}

impl Chain {
    /// No node. Places without a node have no capacity.
    const EMPTY: Self = Self {
        n: 0,
        capacity: [0.0; MAX_NODES],
        resistance: [0.0; MAX_NODES],
        outwards_k_per_w: [0.0; MAX_NODES],
    };

    /// The chain of `cooling`, the die's resistance times `hot_spot`.
    pub(crate) fn new(cooling: &Cooling, hot_spot: f64) -> Self {
        let n = cooling.nodes.len().min(MAX_NODES);
        let mut chain = Self { n, ..Self::EMPTY };
        for (i, node) in cooling.nodes.iter().take(n).enumerate() {
            chain.capacity[i] = node.capacity_j_per_k;
            if i + 1 < n {
                chain.resistance[i] = node.resistance_k_per_w;
            }
        }
        if n > 1 {
            chain.resistance[0] *= hot_spot;
        }
        for i in 0..n {
            chain.outwards_k_per_w[i] = chain.resistance[i..].iter().sum();
        }
        chain
    }

    /// From the die to the last node, K/W.
    pub(crate) fn inner_resistance(&self) -> f64 {
        self.resistance.iter().sum()
    }

    /// Settled node temperatures at `power_w` with the last conductance `g`.
    pub(crate) fn settled(&self, power_w: f64, g: f64, air_c: f64) -> Nodes {
        let mut nodes = [air_c; MAX_NODES];
        let mut temp = air_c + power_w / g;
        for i in (0..self.n).rev() {
            temp += power_w * self.resistance[i];
            nodes[i] = temp;
        }
        nodes
    }

    /// Mean rise of the die over the air during a step from `before` to `after`, exact: what
    /// enters less what is stored in the nodes up to `i` is the mean flow from `i` to `i + 1`, so
    /// it is `P (R + 1/G) - Σ C_j Δx_j / dt (ρ_j + 1/G)`, `ρ_j` the resistance from `j` outwards.
    #[inline]
    pub(crate) fn mean_rise(
        &self,
        before: &Nodes,
        after: &Nodes,
        power_w: f64,
        outer_k_per_w: f64,
        per_dt: f64,
    ) -> f64 {
        let mut stored = [0.0; MAX_NODES];
        for i in 0..MAX_NODES {
            stored[i] = self.capacity[i]
                * (after[i] - before[i])
                * (self.outwards_k_per_w[i] + outer_k_per_w);
        }
        let total = (stored[0] + stored[1]) + (stored[2] + stored[3]);
        power_w * (self.outwards_k_per_w[0] + outer_k_per_w) - total * per_dt
    }

    fn modes(&self, g: f64) -> Modes {
        let (n, c) = (self.n, &self.capacity);
        let mut diagonal = [0.0; MAX_NODES];
        let mut off = [0.0; MAX_NODES];
        let mut root = [1.0; MAX_NODES];
        for i in 0..n {
            root[i] = c[i].sqrt();
        }
        let mut inner = 0.0;
        for i in 0..n {
            let outer = if i + 1 < n {
                1.0 / self.resistance[i]
            } else {
                g
            };
            diagonal[i] = (inner + outer) / c[i];
            if i + 1 < n {
                off[i] = -outer / (root[i] * root[i + 1]);
            }
            inner = outer;
        }
        Modes {
            n,
            root,
            eigen: eigen(diagonal, off, n),
        }
    }

    /// The exact propagator over `dt` with the last conductance `g`.
    pub(crate) fn propagator(&self, g: f64, dt: f64) -> Propagator {
        self.modes(g).propagator(dt)
    }
}

/// Modes of the ladder in the coordinates `sqrt(C) x`, in which its matrix is symmetric.
struct Modes {
    n: usize,
    root: Nodes,
    eigen: Eigen<MAX_NODES>,
}

impl Modes {
    fn propagator(&self, dt: f64) -> Propagator {
        let mut out = Propagator::ZERO;
        let v = &self.eigen.vectors;
        for k in 0..self.n {
            let lambda = self.eigen.values[k];
            let loss = -(-lambda * dt).exp_m1();
            let decay = 1.0 - loss;
            let held = if lambda * dt > 1e-14 {
                loss / lambda
            } else {
                dt
            };
            for j in 0..self.n {
                let right = v[j][k] * self.root[j] * decay;
                for i in 0..self.n {
                    out.columns[j][i] += v[i][k] / self.root[i] * right;
                }
            }
            let right = v[0][k] / self.root[0] * held;
            for i in 0..self.n {
                out.power[i] += v[i][k] / self.root[i] * right;
            }
        }
        out
    }
}

/// `rise' = columns · rise + power · P` over one step.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Propagator {
    /// `columns[j][i]`: what a kelvin at node `j` leaves at node `i`.
    pub(crate) columns: [Nodes; MAX_NODES],
    /// What a watt leaves at node `i`.
    pub(crate) power: Nodes,
}

impl Propagator {
    pub(crate) const ZERO: Self = Self {
        columns: [[0.0; MAX_NODES]; MAX_NODES],
        power: [0.0; MAX_NODES],
    };

    /// Temperatures after the step if no power came.
    #[inline]
    pub(crate) fn free(&self, nodes: &Nodes, air_c: f64) -> Nodes {
        let mut out = [air_c; MAX_NODES];
        for j in 0..MAX_NODES {
            let rise = nodes[j] - air_c;
            for i in 0..MAX_NODES {
                out[i] += self.columns[j][i] * rise;
            }
        }
        out
    }

    #[inline]
    fn blend(&mut self, parts: &[Self; 3], w: [f64; 3]) {
        let [a, b, c] = parts;
        for j in 0..MAX_NODES {
            for i in 0..MAX_NODES {
                self.columns[j][i] =
                    w[0] * a.columns[j][i] + w[1] * b.columns[j][i] + w[2] * c.columns[j][i];
            }
        }
        for i in 0..MAX_NODES {
            self.power[i] = w[0] * a.power[i] + w[1] * b.power[i] + w[2] * c.power[i];
        }
    }
}

/// Largest spacing of the grid in `dt G / C` of the last node. In the symmetric coordinates every
/// derivative of the propagator with respect to that number is at most 1, so the quadratic through
/// three points errs by at most `0.02³ / (9 √3)` = 5e-7 of a rise a step.
const GRID_SPACING: f64 = 0.02;
/// Above this many intervals the propagator is computed anew in each step instead.
const GRID_MAX: usize = 256;

/// Propagators for one step length on a grid of last conductances, filled when first needed and
/// interpolated quadratically in between.
#[derive(Clone, Debug)]
pub(crate) struct Grid {
    chain: Chain,
    dt: f64,
    g_low: f64,
    g_high: f64,
    per_w_per_k: f64,
    points: Vec<Option<Propagator>>,
    centre: usize,
    /// The points around `centre`.
    around: [Propagator; 3],
    last_g: f64,
    last_dt: f64,
    last: Propagator,
}

impl Grid {
    pub(crate) fn new() -> Self {
        Self {
            chain: Chain::EMPTY,
            dt: f64::NAN,
            g_low: f64::NAN,
            g_high: f64::NAN,
            per_w_per_k: 0.0,
            points: Vec::new(),
            centre: usize::MAX,
            around: [Propagator::ZERO; 3],
            last_g: f64::NAN,
            last_dt: f64::NAN,
            last: Propagator::ZERO,
        }
    }

    /// Makes the grid ready for this ladder, step and range of conductance; what is already filled
    /// is kept where all of them are the same.
    pub(crate) fn prepare(&mut self, chain: Chain, dt: f64, g_low: f64, g_high: f64) {
        let same = |a: f64, b: f64| a.to_bits() == b.to_bits();
        if self.chain == chain
            && same(self.dt, dt)
            && same(self.g_low, g_low)
            && same(self.g_high, g_high)
        {
            return;
        }
        let capacity = if chain.n > 0 {
            chain.capacity[chain.n - 1]
        } else {
            1.0
        };
        let intervals = ((g_high - g_low) * dt / (GRID_SPACING * capacity))
            .ceil()
            .max(2.0);
        self.points.clear();
        self.per_w_per_k = 0.0;
        if g_high > g_low && intervals <= GRID_MAX as f64 {
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "2 to 256"
            )]
            self.points.resize(intervals as usize + 1, None);
            self.per_w_per_k = intervals / (g_high - g_low);
        }
        *self = Self {
            chain,
            dt,
            g_low,
            g_high,
            centre: usize::MAX,
            last_g: f64::NAN,
            last_dt: f64::NAN,
            points: std::mem::take(&mut self.points),
            ..*self
        };
    }

    /// The propagator for this conductance and step.
    #[inline]
    pub(crate) fn at(&mut self, g: f64, dt: f64) -> &Propagator {
        if g.to_bits() != self.last_g.to_bits() || dt.to_bits() != self.last_dt.to_bits() {
            self.compute(g, dt);
            self.last_g = g;
            self.last_dt = dt;
        }
        &self.last
    }

    #[inline]
    fn compute(&mut self, g: f64, dt: f64) {
        let place = (g - self.g_low) * self.per_w_per_k;
        let top = self.points.len() as f64 - 1.0;
        let on_grid = place >= -0.5 && place <= top + 0.5 && dt.to_bits() == self.dt.to_bits();
        if !on_grid {
            self.last = self.chain.propagator(g, dt);
            return;
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "1 to 255"
        )]
        let centre = ((place + 0.5).max(1.0) as u32 as usize).min(self.points.len() - 2);
        if centre != self.centre {
            self.fill(centre);
        }
        let u = place - centre as f64;
        let weights = [0.5 * u * (u - 1.0), 1.0 - u * u, 0.5 * u * (u + 1.0)];
        self.last.blend(&self.around, weights);
    }

    /// Makes the three points around `centre` ready, working out those not met before.
    #[cold]
    fn fill(&mut self, centre: usize) {
        for (place, i) in (centre - 1..=centre + 1).enumerate() {
            let g = self.g_low + i as f64 / self.per_w_per_k;
            let point = &mut self.points[i];
            self.around[place] = *point.get_or_insert_with(|| self.chain.propagator(g, self.dt));
        }
        self.centre = centre;
    }
}
