//! What the room itself contributes: correction K1 and its limits.

use crate::level;

/// How exact a correction may be reported.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Grade {
    /// ISO 3744:2010, 8.2.3: at least 6 dB above the background.
    Engineering,
    /// ISO 3746:2010, 8.3.3: at least 3 dB.
    Survey,
}

impl Grade {
    /// Least difference for a full correction and the difference above which none is made, dB.
    pub const fn limits_db(self) -> (f64, f64) {
        match self {
            Self::Engineering => (6.0, 15.0),
            Self::Survey => (3.0, 10.0),
        }
    }

    /// The standard, in words.
    pub const fn standard(self) -> &'static str {
        match self {
            Self::Engineering => "ISO 3744 (engineering)",
            Self::Survey => "ISO 3746 (survey)",
        }
    }
}

/// What became of a correction.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// Corrected in full.
    Applied,
    /// The background does not show.
    NotNeeded,
    /// Too close to the background: the level is at most this.
    UpperBound,
}

impl State {
    /// The token in JSON and tables.
    pub const fn token(self) -> &'static str {
        match self {
            Self::Applied => "applied",
            Self::NotNeeded => "not_needed",
            Self::UpperBound => "upper_bound",
        }
    }
}

/// A level with its background taken out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Corrected {
    /// Level of the source alone, or its upper bound, dB.
    pub level_db: f64,
    /// What was subtracted (K1), dB.
    pub k1_db: f64,
    /// How it came about.
    pub state: State,
}

/// Takes the background out of a level: `K1 = -10 lg(1 - 10^(-0.1 dL))`, ISO 3744:2010 formula (16),
/// ISO 3746:2010 formula (12). Below the grade's limit the correction stays what it is there and the
/// result is an upper bound.
///
/// ```
/// use settlepoint_sound::background::{Grade, State, correct};
///
/// let fan = correct(30.0, 23.5, Grade::Engineering);
/// assert!((fan.level_db - 28.9).abs() < 0.01 && fan.state == State::Applied);
/// assert_eq!(correct(25.0, 24.0, Grade::Engineering).state, State::UpperBound);
/// ```
pub fn correct(measured_db: f64, background_db: f64, grade: Grade) -> Corrected {
    let (least_db, most_db) = grade.limits_db();
    let over_db = measured_db - background_db;
    let k1 = |d: f64| -level::db(1.0 - level::energy(-d));
    let (k1_db, state) = if over_db > most_db {
        (0.0, State::NotNeeded)
    } else if over_db >= least_db {
        (k1(over_db), State::Applied)
    } else {
        (k1(least_db), State::UpperBound)
    };
    Corrected {
        level_db: measured_db - k1_db,
        k1_db,
        state,
    }
}

/// Level at another distance from a source in the open: 20 lg of the ratio. In a room the level falls
/// by less once walls answer, commonly by 1 to 2 dB within 2 m (common practice, no source).
pub fn at_distance(level_db: f64, from_m: f64, to_m: f64) -> f64 {
    level_db - 20.0 * (to_m / from_m).log10()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows(table: &str) -> Vec<Vec<String>> {
        table
            .lines()
            .filter(|l| !l.starts_with('#'))
            .skip(1)
            .map(|l| l.split(',').map(str::to_owned).collect())
            .collect()
    }

    fn token(state: State, grade: Grade) -> &'static str {
        match (state, grade) {
            (State::Applied, _) => "apply",
            (State::NotNeeded, _) => "no-correction",
            (State::UpperBound, Grade::Engineering) => "limit-6dB",
            (State::UpperBound, Grade::Survey) => "limit-3dB",
        }
    }

    #[test]
    fn k1_is_that_of_both_standards() {
        for row in rows(include_str!("../tests/data/background-correction.csv")) {
            let over_db: f64 = row[0].parse().unwrap();
            for (grade, column) in [(Grade::Engineering, 2), (Grade::Survey, 4)] {
                let got = correct(20.0 + over_db, 20.0, grade);
                // 1e-9 dB is the table's precision.
                assert!(
                    (got.k1_db - row[column].parse::<f64>().unwrap()).abs() < 1e-9,
                    "{row:?}"
                );
                assert_eq!(token(got.state, grade), row[column + 1], "{row:?}");
            }
        }
    }

    #[test]
    fn examples_of_the_table() {
        for row in rows(include_str!("../tests/data/background-examples.csv")) {
            let number = |i: usize| row[i].parse::<f64>().unwrap();
            let got = correct(number(0), number(1), Grade::Engineering);
            assert!((got.level_db - number(4)).abs() < 1e-9, "{row:?}");
            assert_eq!(
                (got.state == State::UpperBound).to_string(),
                row[5],
                "{row:?}"
            );
            let plain = level::difference(number(0), number(1)).unwrap();
            assert!((plain - number(3)).abs() < 1e-9, "{row:?}");
        }
    }

    #[test]
    fn distance_is_that_of_the_inverse_square_law() {
        for row in rows(include_str!("../tests/data/distance.csv")) {
            let number = |i: usize| row[i].parse::<f64>().unwrap();
            assert!((at_distance(0.0, number(0), number(1)) - number(2)).abs() < 1e-10);
        }
    }

    #[test]
    fn levels_add_as_energies() {
        let table: toml::Table = include_str!("../tests/data/level-sums.toml")
            .parse()
            .unwrap();
        let list = |v: &toml::Value| -> Vec<f64> {
            v.as_array()
                .unwrap()
                .iter()
                .map(|x| x.as_float().unwrap())
                .collect()
        };
        for case in table["sum"].as_array().unwrap() {
            let levels = list(&case["levels"]);
            // 1e-10 dB is the table's precision.
            assert!((level::sum(&levels) - case["energy_sum"].as_float().unwrap()).abs() < 1e-10);
            assert!((level::mean(&levels) - case["energy_mean"].as_float().unwrap()).abs() < 1e-10);
        }
        for case in table["difference"].as_array().unwrap() {
            let f = |k: &str| case[k].as_float().unwrap();
            let left = level::difference(f("total"), f("part")).unwrap();
            assert!((left - f("remainder")).abs() < 1e-9);
        }
        for case in table["equivalent"].as_array().unwrap() {
            let pairs: Vec<(f64, f64)> = list(&case["levels"])
                .into_iter()
                .zip(list(&case["durations_s"]))
                .collect();
            assert!((level::equivalent(&pairs) - case["leq"].as_float().unwrap()).abs() < 1e-10);
        }
    }
}
