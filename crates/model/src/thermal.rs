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
    /// From the die to the last node, K/W.
    inner_k_per_w: f64,
    /// Capacity times the resistance from node `i` to the last node, s.
    weight_s: Nodes,
}

impl Chain {
    /// No node. Places without a node have no capacity.
    const EMPTY: Self = Self {
        n: 0,
        capacity: [0.0; MAX_NODES],
        resistance: [0.0; MAX_NODES],
        inner_k_per_w: 0.0,
        weight_s: [0.0; MAX_NODES],
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
            let outwards_k_per_w: f64 = chain.resistance[i..].iter().sum();
            chain.weight_s[i] = chain.capacity[i] * outwards_k_per_w;
        }
        chain.inner_k_per_w = chain.resistance.iter().sum();
        chain
    }

    /// From the die to the last node, K/W.
    pub(crate) fn inner_resistance(&self) -> f64 {
        self.inner_k_per_w
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
        let (mut stored, mut weighted) = ([0.0; MAX_NODES], [0.0; MAX_NODES]);
        for i in 0..MAX_NODES {
            let change = after[i] - before[i];
            stored[i] = self.capacity[i] * change;
            weighted[i] = self.weight_s[i] * change;
        }
        let heat = (stored[0] + stored[1]) + (stored[2] + stored[3]);
        let inner = (weighted[0] + weighted[1]) + (weighted[2] + weighted[3]);
        power_w * (self.inner_k_per_w + outer_k_per_w) - (inner + heat * outer_k_per_w) * per_dt
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

    /// What these rises leave at each node, summed in pairs to keep the chain of operations short.
    #[inline]
    fn apply(&self, rises: &Nodes) -> Nodes {
        let [a, b, c, d] = &self.columns;
        let mut out = [0.0; MAX_NODES];
        for i in 0..MAX_NODES {
            out[i] = (a[i] * rises[0] + b[i] * rises[1]) + (c[i] * rises[2] + d[i] * rises[3]);
        }
        out
    }

    /// Rises after a step at a power.
    #[inline]
    pub(crate) fn advance(&self, rises: &Nodes, power_w: f64) -> Nodes {
        let mut out = self.apply(rises);
        for i in 0..MAX_NODES {
            out[i] += self.power[i] * power_w;
        }
        out
    }

    /// `w · parts`.
    fn blend(parts: &[Self; 3], w: [f64; 3]) -> Self {
        let mut out = Self::ZERO;
        for (part, weight) in parts.iter().zip(w) {
            for j in 0..MAX_NODES {
                for i in 0..MAX_NODES {
                    out.columns[j][i] += weight * part.columns[j][i];
                }
                out.power[j] += weight * part.power[j];
            }
        }
        out
    }
}

/// A propagator as a quadratic in the place `u` between grid points. Each of the three parts acts
/// on the temperatures before the conductance is known, which shortens the chain of operations.
#[derive(Clone, Copy, Debug)]
struct Quadratic {
    parts: [Propagator; 3],
}

impl Quadratic {
    /// The same at every place.
    const fn constant(propagator: Propagator) -> Self {
        Self {
            parts: [propagator, Propagator::ZERO, Propagator::ZERO],
        }
    }

    /// Through propagators at `u` = -1, 0 and 1.
    fn through(points: &[Propagator; 3]) -> Self {
        let weights = [[0.0, 1.0, 0.0], [-0.5, 0.0, 0.5], [0.5, -1.0, 0.5]];
        Self {
            parts: weights.map(|w| Propagator::blend(points, w)),
        }
    }
}

/// What a step does to the temperatures: `free + gain · P`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Response {
    /// Temperatures after the step if no power came.
    pub(crate) free: Nodes,
    /// What a watt leaves at each node, K/W.
    pub(crate) gain: Nodes,
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
    /// `centre` as a number, NaN off the grid.
    centre_place: f64,
    /// Through the points around `centre`.
    around: Quadratic,
    /// Where the last conductance lies from `centre`.
    place: f64,
    last_g: f64,
    last_dt: f64,
    /// The propagator of the last conductance, once it has been met twice.
    flat: Propagator,
    flat_ready: bool,
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
            centre_place: f64::NAN,
            around: Quadratic::constant(Propagator::ZERO),
            place: 0.0,
            last_g: f64::NAN,
            last_dt: f64::NAN,
            flat: Propagator::ZERO,
            flat_ready: false,
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
            centre_place: f64::NAN,
            last_g: f64::NAN,
            last_dt: f64::NAN,
            points: std::mem::take(&mut self.points),
            ..*self
        };
    }

    /// The step's effect on these temperatures with this conductance.
    #[inline]
    pub(crate) fn respond(&mut self, nodes: &Nodes, air_c: f64, g: f64, dt: f64) -> Response {
        let rises = nodes.map(|node_c| node_c - air_c);
        if g.to_bits() == self.last_g.to_bits() && dt.to_bits() == self.last_dt.to_bits() {
            // A fan that stands still: one part does.
            if !self.flat_ready {
                self.flatten();
            }
            let free = self.flat.apply(&rises).map(|rise| air_c + rise);
            return Response {
                free,
                gain: self.flat.power,
            };
        }
        self.find(g, dt);
        let u = self.place;
        let [a, b, c] = &self.around.parts;
        let (x, y, z) = (a.apply(&rises), b.apply(&rises), c.apply(&rises));
        let mut out = Response {
            free: [air_c; MAX_NODES],
            gain: a.power,
        };
        let u2 = u * u;
        for i in 0..MAX_NODES {
            out.free[i] = (air_c + x[i]) + (u * y[i] + u2 * z[i]);
            out.gain[i] = a.power[i] + (u * b.power[i] + u2 * c.power[i]);
        }
        out
    }

    /// Works out the propagator of the last conductance on its own.
    #[cold]
    fn flatten(&mut self) {
        let u = self.place;
        self.flat = Propagator::blend(&self.around.parts, [1.0, u, u * u]);
        self.flat_ready = true;
    }

    /// Makes `around` and `place` those of this conductance and step.
    #[inline]
    fn find(&mut self, g: f64, dt: f64) {
        self.last_g = g;
        self.last_dt = dt;
        self.flat_ready = false;
        let place = (g - self.g_low) * self.per_w_per_k;
        let top = self.points.len() as f64 - 1.0;
        let on_grid = place >= -0.5 && place <= top + 0.5 && dt.to_bits() == self.dt.to_bits();
        if !on_grid {
            self.leave_grid(g, dt);
            return;
        }
        self.place = place - self.centre_place;
        // Past the middle between two points the next one is the nearer; at the ends there is none.
        if self.place.abs() > 0.5 || self.centre == usize::MAX {
            self.fill(place);
        }
    }

    #[cold]
    fn leave_grid(&mut self, g: f64, dt: f64) {
        self.around = Quadratic::constant(self.chain.propagator(g, dt));
        self.place = 0.0;
        self.centre = usize::MAX;
        self.centre_place = f64::NAN;
    }

    /// Takes the three points around `place`, working out those not met before.
    #[cold]
    fn fill(&mut self, place: f64) {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "0 to 256"
        )]
        let centre = (place.max(0.0).round() as usize).clamp(1, self.points.len() - 2);
        if centre != self.centre {
            let mut three = [Propagator::ZERO; 3];
            for (propagator, i) in three.iter_mut().zip(centre - 1..) {
                let g = self.g_low + i as f64 / self.per_w_per_k;
                *propagator =
                    *self.points[i].get_or_insert_with(|| self.chain.propagator(g, self.dt));
            }
            self.around = Quadratic::through(&three);
            self.centre = centre;
            self.centre_place = centre as f64;
        }
        self.place = place - centre as f64;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::LadderNode;

    #[test]
    fn the_grid_agrees_with_the_exact_propagator() {
        let node = |capacity_j_per_k, resistance_k_per_w| LadderNode {
            capacity_j_per_k,
            resistance_k_per_w,
        };
        let cooling = Cooling {
            nodes: vec![node(2.0, 0.06), node(40.0, 0.05), node(120.0, 0.0)],
            g_nat_w_per_k: 0.5,
            g_fan_w_per_k: 10.0,
            fan_exponent: 0.6,
            reference_density_kg_m3: 1.2,
            case_offset_k: 0.0,
        };
        let chain = Chain::new(&cooling, 1.0);
        let mut grid = Grid::new();
        grid.prepare(chain, 1.0, 0.5, 10.5);
        let nodes = [80.0, 70.0, 60.0, 25.0];
        // On and off the grid, forwards and backwards.
        for i in (0..400).chain((0..400).rev()) {
            let g = 0.3 + 0.026 * f64::from(i);
            let exact = Quadratic::constant(chain.propagator(g, 1.0)).parts[0];
            let expected = exact.apply(&nodes.map(|n| n - 25.0));
            let got = grid.respond(&nodes, 25.0, g, 1.0);
            for k in 0..3 {
                // GRID_SPACING's bound, times a rise of 55 K.
                assert!((got.free[k] - 25.0 - expected[k]).abs() < 3e-5);
                assert!((got.gain[k] - exact.power[k]).abs() < 1e-6);
            }
        }
    }
}
