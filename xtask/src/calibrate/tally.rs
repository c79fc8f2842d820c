//! Errors and hits, gathered over machines and cells.

use settlepoint_domain::Estimate;

use super::grid::{Cell, Guess};

/// Errors of one quantity.
#[derive(Clone, Debug, Default)]
pub(crate) struct Errors {
    signed: Vec<f64>,
    widths: Vec<f64>,
    inside: usize,
}

impl Errors {
    /// Takes a prediction and the truth; the error is counted in units of `unit`.
    pub(crate) fn add(&mut self, guess: Estimate, truth: f64, unit: f64) {
        self.signed.push((guess.value - truth) / unit);
        self.widths.push(guess.width() / unit);
        self.inside += usize::from(guess.contains(truth));
    }

    fn absorb(&mut self, other: &Self) {
        self.signed.extend_from_slice(&other.signed);
        self.widths.extend_from_slice(&other.widths);
        self.inside += other.inside;
    }

    pub(crate) fn count(&self) -> usize {
        self.signed.len()
    }

    /// Share of the intervals that hold the truth.
    pub(crate) fn coverage(&self) -> f64 {
        self.inside as f64 / self.signed.len() as f64
    }

    pub(crate) fn bias(&self) -> f64 {
        self.signed.iter().sum::<f64>() / self.signed.len() as f64
    }

    /// Quantile of the absolute error.
    pub(crate) fn absolute(&self, p: f64) -> f64 {
        quantile(self.signed.iter().map(|e| e.abs()).collect(), p)
    }

    pub(crate) fn median_width(&self) -> f64 {
        quantile(self.widths.clone(), 0.5)
    }
}

/// The value below which a share `p` lies: the nearest of the sorted values; NaN for none.
pub(crate) fn quantile(mut values: Vec<f64>, p: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "an index between 0 and the last"
    )]
    let place = (p * values.len().saturating_sub(1) as f64).round() as usize;
    values.get(place).copied().unwrap_or(f64::NAN)
}

/// One machine's choice under "at most 90 °C in a 35 °C room with 95 % probability".
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Decision {
    pub(crate) too_hot: bool,
    /// Grid steps of PL1 below the best that is allowed in truth; negative when too hot.
    pub(crate) steps_lost: i32,
}

/// All that is counted for one way of measuring.
#[derive(Clone, Debug, Default)]
pub(crate) struct Tally {
    /// Settled temperature where no temperature limit holds it, K.
    pub(crate) temperature: Errors,
    /// The same against the last minute of the run.
    pub(crate) temperature_at_end: Errors,
    /// Settled power where one does, percent.
    pub(crate) power: Errors,
    /// Work relative to the best score measured, percent.
    pub(crate) work: Errors,
    /// Work relative to the top setting, percent; its intervals are not meant.
    pub(crate) work_of_top: Errors,
    /// Level, dB.
    pub(crate) level: Errors,
    pub(crate) decisions: Vec<Decision>,
    pub(crate) fit_s: Vec<f64>,
    pub(crate) predict_s: Vec<f64>,
    pub(crate) acceptance: Vec<f64>,
}

impl Tally {
    /// Counts one machine's grid. `best_rate` is the score to which work is relative.
    pub(crate) fn add(&mut self, cells: &[Cell], guesses: &[Guess], best_rate: f64) {
        let top = top_of(cells);
        for (cell, guess) in cells.iter().zip(guesses) {
            if cell.pinned {
                let truth_w = cell.settled.power_w;
                self.power.add(guess.power_w, truth_w, 0.01 * truth_w);
            } else {
                self.temperature
                    .add(guess.package_c, cell.settled.die_c, 1.0);
                self.temperature_at_end
                    .add(guess.package_c, cell.at_end.die_c, 1.0);
            }
            if let Some(level) = guess.level_dba {
                self.level.add(level, cell.level_dba, 1.0);
            }
            if let Some(work) = guess.work_rel {
                let truth = cell.work_rate / best_rate;
                self.work.add(work, truth, 0.01 * truth);
                if let Some(top_guess) = guesses[top].work_rel {
                    let truth = cell.work_rate / cells[top].work_rate;
                    let relative = work.affine(1.0 / top_guess.value, 0.0);
                    self.work_of_top.add(relative, truth, 0.01 * truth);
                }
            }
        }
        self.decisions.extend(decide(cells, guesses));
    }

    pub(crate) fn absorb(&mut self, other: &Self) {
        self.temperature.absorb(&other.temperature);
        self.temperature_at_end.absorb(&other.temperature_at_end);
        self.power.absorb(&other.power);
        self.work.absorb(&other.work);
        self.work_of_top.absorb(&other.work_of_top);
        self.level.absorb(&other.level);
        self.decisions.extend_from_slice(&other.decisions);
        self.fit_s.extend_from_slice(&other.fit_s);
        self.predict_s.extend_from_slice(&other.predict_s);
        self.acceptance.extend_from_slice(&other.acceptance);
    }
}

/// The cell of most work: highest limits in the coolest room.
fn top_of(cells: &[Cell]) -> usize {
    (0..cells.len())
        .max_by(|&a, &b| {
            let key =
                |i: usize| cells[i].ratio + cells[i].course.temp_limit_c - cells[i].course.room_c;
            key(a).total_cmp(&key(b))
        })
        .unwrap_or(0)
}

/// Highest temperature allowed and the room of the decision, °C.
const ALLOWED_C: f64 = 90.0;
const DECISION_ROOM_C: f64 = 35.0;

/// The largest PL1 at the highest temperature limit that stays below [`ALLOWED_C`]: in truth, and by
/// the upper ends of the 90 % intervals, which are passed with a probability of 5 %.
fn decide(cells: &[Cell], guesses: &[Guess]) -> Option<Decision> {
    let highest_c = cells
        .iter()
        .map(|c| c.course.temp_limit_c)
        .fold(0.0, f64::max);
    let row: Vec<(&Cell, &Guess)> = cells
        .iter()
        .zip(guesses)
        .filter(|(c, _)| {
            (c.course.room_c - DECISION_ROOM_C).abs() < 0.5
                && (c.course.temp_limit_c - highest_c).abs() < 0.5
        })
        .collect();
    let count =
        |cool: &dyn Fn(&(&Cell, &Guess)) -> bool| row.iter().take_while(|pair| cool(pair)).count();
    let truly = count(&|(cell, _)| cell.settled.die_c <= ALLOWED_C);
    let chosen = count(&|(_, guess)| guess.package_c.hi <= ALLOWED_C);
    Some(Decision {
        too_hot: chosen > truly,
        steps_lost: i32::try_from(truly).ok()? - i32::try_from(chosen).ok()?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use settlepoint_domain::Basis;

    #[test]
    fn hits_bias_and_quantiles() {
        let mut errors = Errors::default();
        for (value, truth) in [(1.0, 0.0), (2.0, 4.0), (3.0, 3.5)] {
            errors.add(Estimate::normal(value, 1.0, Basis::Measured), truth, 2.0);
        }
        // Half-width 1.645: the second truth, 2 away, is outside.
        assert!((errors.coverage() - 2.0 / 3.0).abs() < 1e-12);
        assert!((errors.bias() + 0.25).abs() < 1e-12);
        assert!((errors.absolute(0.5) - 0.5).abs() < 1e-12);
        assert!((errors.absolute(1.0) - 1.0).abs() < 1e-12);
    }
}
