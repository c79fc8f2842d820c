//! Sound levels: they add as energies, fall off with the logarithm of speed, and a stopped fan adds
//! nothing.

use crate::Sound;

/// A sound level in dB, or silence. Levels add as energies (ISO/TR 25417: `L = 10 lg Σ 10^(L/10)`),
/// so this type has no arithmetic of plain numbers.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Level {
    db: f64,
}

impl Level {
    /// No sound at all: adds nothing.
    pub const SILENCE: Self = Self {
        db: f64::NEG_INFINITY,
    };

    /// A level in dB.
    pub const fn from_db(db: f64) -> Self {
        Self { db }
    }

    /// From energy relative to that of 0 dB.
    pub fn from_energy(energy: f64) -> Self {
        Self {
            db: 10.0 * energy.max(0.0).log10(),
        }
    }

    /// In dB; minus infinity for silence.
    pub const fn db(self) -> f64 {
        self.db
    }

    /// Energy relative to that of 0 dB.
    pub fn energy(self) -> f64 {
        10.0_f64.powf(self.db / 10.0)
    }

    /// Both sources together.
    #[must_use]
    pub fn plus(self, other: Self) -> Self {
        // Relative to the louder one, so that equal large levels lose no digits.
        let (loud, soft) = if self.db >= other.db {
            (self, other)
        } else {
            (other, self)
        };
        if soft.db.is_finite() {
            let share = ((soft.db - loud.db) * (std::f64::consts::LN_10 / 10.0)).exp();
            Self {
                db: loud.db + 10.0 / std::f64::consts::LN_10 * share.ln_1p(),
            }
        } else {
            loud
        }
    }

    /// What is left of this total when `part` is taken away; `None` if `part` is not quieter.
    #[must_use]
    pub fn minus(self, part: Self) -> Option<Self> {
        if part.db >= self.db {
            return None;
        }
        let share = ((part.db - self.db) * (std::f64::consts::LN_10 / 10.0)).exp();
        Some(Self {
            db: self.db + 10.0 / std::f64::consts::LN_10 * (-share).ln_1p(),
        })
    }

    /// All sources together.
    pub fn sum(levels: impl IntoIterator<Item = Self>) -> Self {
        levels.into_iter().fold(Self::SILENCE, Self::plus)
    }

    /// Mean energy as a level; silence for none.
    pub fn mean(levels: &[Self]) -> Self {
        Self::equivalent(levels.iter().map(|l| (*l, 1.0)))
    }

    /// Equivalent level of (level, duration) pairs: the steady level of the same energy
    /// (ISO 1996-1, 3.1.7).
    pub fn equivalent(stretches: impl IntoIterator<Item = (Self, f64)>) -> Self {
        let (mut energy, mut time) = (0.0, 0.0);
        for (level, duration) in stretches {
            energy += level.energy() * duration;
            time += duration;
        }
        if time > 0.0 {
            Self::from_energy(energy / time)
        } else {
            Self::SILENCE
        }
    }

    /// `n` equal sources: `10 lg n` more.
    #[must_use]
    pub fn times(self, n: f64) -> Self {
        if n > 0.0 {
            Self {
                db: self.db + 10.0 * n.log10(),
            }
        } else {
            Self::SILENCE
        }
    }
}

impl Sound {
    /// Level of the fans alone at a share of full speed: `L_full + k lg s`; silence when stopped.
    pub fn fans(&self, fan_share: f64) -> Level {
        if fan_share > 0.0 {
            Level::from_db(self.full_speed_dba + self.k_db_per_decade * fan_share.log10())
        } else {
            Level::SILENCE
        }
    }

    /// Level of fans and background.
    pub fn level(&self, fan_share: f64) -> Level {
        self.fans(fan_share)
            .plus(self.background_dba.map_or(Level::SILENCE, Level::from_db))
    }

    /// The share of full speed at which fans and background together reach a level: what a level
    /// read off a meter says of the fan. `None` if the background alone is as loud, or without a
    /// slope. May be above 1.
    pub fn share_at(&self, level_dba: f64) -> Option<f64> {
        let background = self.background_dba.map_or(Level::SILENCE, Level::from_db);
        let fans = Level::from_db(level_dba).minus(background)?;
        (self.k_db_per_decade > 0.0)
            .then(|| 10.0_f64.powf((fans.db() - self.full_speed_dba) / self.k_db_per_decade))
    }
}
