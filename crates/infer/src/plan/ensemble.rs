//! What a reading would teach, from the posterior's draws alone.
//!
//! Draws of quantities and of readings stand side by side as deviations from their means. A reading
//! with normal error then takes away from every quantity the part that the draws say goes with it:
//! the square-root form of the linear Gaussian update (J. E. Potter's, in R. H. Battin,
//! "Astronautical Guidance", 1964; for ensembles J. S. Whitaker and T. M. Hamill, Mon. Weather Rev.
//! 130 (2002) 1913-1924). It is exact where the relation is linear and the posterior normal.

/// Deviations of several quantities over the same draws: one vector a quantity, n draws each, scaled
/// so that a dot product is a covariance.
#[derive(Clone, Debug)]
pub(crate) struct Ensemble {
    deviations: Vec<Vec<f64>>,
    means: Vec<f64>,
    draws: usize,
    /// Scalar readings taken in so far.
    readings: usize,
}

/// What one reading did: the share of its surprise by which each quantity moves.
#[derive(Clone, Debug)]
pub(crate) struct Gain {
    /// One entry a quantity, its unit over the reading's.
    pub(crate) weights: Vec<f64>,
}

impl Ensemble {
    /// From values, one inner vector a quantity with one entry a draw.
    pub(crate) fn new(values: Vec<Vec<f64>>) -> Self {
        let draws = values.first().map_or(0, Vec::len);
        let scale = 1.0 / (draws.max(2) as f64 - 1.0).sqrt();
        let means: Vec<f64> = values
            .iter()
            .map(|v| v.iter().sum::<f64>() / draws.max(1) as f64)
            .collect();
        let deviations = values
            .into_iter()
            .zip(&means)
            .map(|(v, mean)| v.into_iter().map(|x| (x - mean) * scale).collect())
            .collect();
        Self {
            deviations,
            means,
            draws,
            readings: 0,
        }
    }

    pub(crate) fn len(&self) -> usize {
        self.deviations.len()
    }

    pub(crate) fn mean(&self, quantity: usize) -> f64 {
        self.means[quantity]
    }

    /// Variance of a quantity, with what the finite number of draws makes the readings explain by
    /// chance given back: each reading fits one more coefficient to the same draws.
    pub(crate) fn variance(&self, quantity: usize) -> f64 {
        let d = &self.deviations[quantity];
        let free = (self.draws as f64 - 1.0).max(1.0);
        let left = (free - self.readings as f64).max(1.0);
        dot(d, d) * free / left
    }

    /// The quantities picked, in that order.
    pub(crate) fn select(&self, picked: impl Iterator<Item = usize>) -> Self {
        let picked: Vec<usize> = picked.collect();
        Self {
            deviations: picked.iter().map(|&i| self.deviations[i].clone()).collect(),
            means: picked.iter().map(|&i| self.means[i]).collect(),
            ..*self
        }
    }

    /// Takes in a reading of `quantity` whose error has standard deviation `sd`.
    pub(crate) fn read(&mut self, quantity: usize, sd: f64) -> Gain {
        let a = self.deviations[quantity].clone();
        let own = dot(&a, &a);
        let noise = sd * sd;
        let total = own + noise;
        if total <= 0.0 {
            return Gain {
                weights: vec![0.0; self.len()],
            };
        }
        let shrink = 1.0 / (1.0 + (noise / total).sqrt());
        let weights = self
            .deviations
            .iter_mut()
            .map(|d| {
                let weight = dot(d, &a) / total;
                for (x, from) in d.iter_mut().zip(&a) {
                    *x -= shrink * weight * from;
                }
                weight
            })
            .collect();
        self.readings += 1;
        Gain { weights }
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use settlepoint_stats::DMatrix;
    use settlepoint_stats::random::Random;

    /// 60 draws of four quantities that hang together.
    fn drawn() -> Vec<Vec<f64>> {
        let mut random = Random::from_seed(3);
        let mut values = vec![Vec::new(); 4];
        for _ in 0..60 {
            let (u, v, w) = (random.normal(), random.normal(), random.normal());
            for (column, x) in values.iter_mut().zip([u, u + 0.5 * v, v - w, w + 0.1 * u]) {
                column.push(x);
            }
        }
        values
    }

    /// The update against the textbook's formula for the conditional covariance of a joint normal,
    /// `S_gg - S_gy (S_yy + R)^-1 S_yg`, worked out with a general library's inverse.
    #[test]
    fn readings_leave_the_conditional_covariance() {
        let values = drawn();
        let mut ensemble = Ensemble::new(values.clone());
        let covariance = DMatrix::from_fn(4, 4, |i, j| {
            dot(&ensemble.deviations[i], &ensemble.deviations[j])
        });
        let sds = [0.3, 0.7];
        let mut s_yy = covariance.view((2, 2), (2, 2)).into_owned();
        for (i, sd) in sds.iter().enumerate() {
            s_yy[(i, i)] += sd * sd;
        }
        let s_gy = covariance.view((0, 2), (2, 2)).into_owned();
        let expected = covariance.view((0, 0), (2, 2)).into_owned()
            - &s_gy * s_yy.try_inverse().unwrap() * s_gy.transpose();
        ensemble.read(2, sds[0]);
        ensemble.read(3, sds[1]);
        for i in 0..2 {
            for j in 0..2 {
                let got = dot(&ensemble.deviations[i], &ensemble.deviations[j]);
                // The same numbers by another road: rounding alone.
                assert!((got - expected[(i, j)]).abs() < 1e-12, "{got}");
            }
            // 59 free directions, two of them used.
            let corrected = expected[(i, i)] * 59.0 / 57.0;
            assert!((ensemble.variance(i) - corrected).abs() < 1e-12);
        }
    }

    #[test]
    fn an_exact_reading_leaves_nothing_and_a_useless_one_everything() {
        let mut ensemble = Ensemble::new(drawn());
        let before = ensemble.variance(1);
        ensemble.read(1, 1e6);
        // One of 59 directions is given back for the reading that explained nothing.
        assert!((ensemble.variance(1) / before - 59.0 / 58.0).abs() < 1e-6);
        ensemble.read(1, 0.0);
        assert!(ensemble.variance(1) < 1e-20);
    }
}
