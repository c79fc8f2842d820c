//! The quietest speeds of several fans that hold a temperature.
//!
//! Heat goes from the part through a fixed resistance and then through stages in series to the room: the
//! cooler's fins, the air of the case. In a stage the fans' conductances add up to that without fans:
//! `G = G_nat + sum g s^m`, `s` the share of full speed; a level goes with `k lg s` and levels add as
//! energies. In conductances both the energy and the temperature are convex, so that over a box of speeds
//! the optimum is where all fans pay the same energy for a kelvin (Karush, Kuhn and Tucker): two nested
//! bisections, exact. What is not convex, fans that may stop and speeds to avoid, is searched by branch and
//! bound over the gaps.

use crate::SoundError;
use crate::level::{db, energy};

/// A fan.
#[derive(Clone, Debug, PartialEq)]
pub struct Fan {
    /// Name.
    pub name: String,
    /// Place of its stage in [`Machine::stages`].
    pub stage: usize,
    /// Full speed, rpm.
    pub full_speed_rpm: f64,
    /// Slowest speed at which it turns, rpm.
    pub min_speed_rpm: f64,
    /// Whether it may stop.
    pub may_stop: bool,
    /// What it adds to its stage's conductance at full speed, W/K.
    pub conductance_w_per_k: f64,
    /// How that goes with speed.
    pub exponent: f64,
    /// Level of it alone at full speed where the owner sits, dB(A).
    pub full_speed_db: f64,
    /// How that goes with speed, dB per decade.
    pub slope_db_per_decade: f64,
    /// Speeds to avoid, rpm: from, to.
    pub avoid_rpm: Vec<(f64, f64)>,
}

/// A stage on the way to the room.
#[derive(Clone, Debug, PartialEq)]
pub struct Stage {
    /// Name.
    pub name: String,
    /// Conductance with all of its fans stopped, W/K.
    pub natural_w_per_k: f64,
    /// Heat of other parts that goes through it, too, W.
    pub extra_w: f64,
}

/// A machine with several fans.
#[derive(Clone, Debug, PartialEq)]
pub struct Machine {
    /// Resistance that no fan changes, K/W: die, paste, base.
    pub fixed_k_per_w: f64,
    /// Stages from the part to the room.
    pub stages: Vec<Stage>,
    /// Fans.
    pub fans: Vec<Fan>,
    /// The room with the machine off, dB(A); without it the fans alone count.
    pub background_db: Option<f64>,
}

/// What is asked.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wanted {
    /// Power of the part, W.
    pub power_w: f64,
    /// Room, °C.
    pub room_c: f64,
    /// Highest temperature, °C.
    pub temp_max_c: f64,
}

/// The quietest speeds.
#[derive(Clone, Debug, PartialEq)]
pub struct Quietest {
    /// Speed of each fan, rpm; 0 for a stopped one.
    pub speeds_rpm: Vec<f64>,
    /// Level of each fan, dB(A); minus infinity for a stopped one.
    pub levels_db: Vec<f64>,
    /// Temperature, °C.
    pub temp_c: f64,
    /// Level of fans and background, dB(A).
    pub level_db: f64,
    /// Whether the temperature is held; if not, the speeds are the fastest.
    pub held: bool,
    /// Kelvin that the next decibel buys; `None` where no fan can give any, at their slowest or fastest.
    pub kelvin_per_db: Option<f64>,
}

/// A stretch of allowed shares of full speed.
type Stretch = (f64, f64);

/// Rounds of each bisection: the interval shrinks to 1e-15 of itself.
const ROUNDS: usize = 50;

impl Fan {
    fn level_db(&self, share: f64) -> f64 {
        if share > 0.0 {
            self.full_speed_db + self.slope_db_per_decade * share.log10()
        } else {
            f64::NEG_INFINITY
        }
    }

    fn conductance(&self, share: f64) -> f64 {
        if share > 0.0 {
            self.conductance_w_per_k * share.powf(self.exponent)
        } else {
            0.0
        }
    }

    /// Exponent of its energy against its speed.
    fn energy_exponent(&self) -> f64 {
        self.slope_db_per_decade / 10.0
    }

    /// The share at which one more W/K costs `price` of energy, within bounds.
    fn share_at_price(&self, price: f64, (lo, hi): Stretch) -> f64 {
        let (e, m) = (self.energy_exponent(), self.exponent);
        let full = energy(self.full_speed_db) * e / (self.conductance_w_per_k * m);
        (price / full).powf(1.0 / (e - m)).clamp(lo, hi)
    }

    /// Allowed shares of full speed, rising.
    fn stretches(&self) -> Vec<Stretch> {
        let mut avoid = self.avoid_rpm.clone();
        avoid.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut found = Vec::new();
        let mut from = self.min_speed_rpm;
        for (bad_from, bad_to) in avoid {
            if bad_from > from {
                found.push((from, bad_from.min(self.full_speed_rpm)));
            }
            from = from.max(bad_to);
        }
        if from <= self.full_speed_rpm {
            found.push((from, self.full_speed_rpm));
        }
        let mut shares: Vec<Stretch> = found
            .into_iter()
            .filter(|(a, b)| a <= b)
            .map(|(a, b)| (a / self.full_speed_rpm, b / self.full_speed_rpm))
            .collect();
        if self.may_stop {
            shares.insert(0, (0.0, 0.0));
        }
        shares
    }

    /// The speed as it can be typed: up to the next whole rpm, which is never hotter, where that is
    /// allowed.
    fn typed_share(&self, share: f64) -> f64 {
        let up = (share * self.full_speed_rpm - 1e-9).ceil() / self.full_speed_rpm;
        let allowed = |s: f64| self.stretches().iter().any(|&(a, b)| a <= s && s <= b);
        if allowed(up) { up } else { share }
    }
}

impl Machine {
    /// Checks every value.
    ///
    /// # Errors
    /// [`SoundError::Range`] with the first that cannot be, [`SoundError::NotIdentified`] without fans or
    /// where a fan has no speed left.
    pub fn check(&self) -> Result<(), SoundError> {
        if self.fans.is_empty() || self.stages.is_empty() {
            return Err(SoundError::needs("at least one stage and one fan in it"));
        }
        in_range("fixed resistance in K/W", self.fixed_k_per_w, 0.0, 100.0)?;
        for stage in &self.stages {
            in_range(
                "conductance without fans in W/K",
                stage.natural_w_per_k,
                1e-3,
                1e4,
            )?;
            in_range("extra heat in W", stage.extra_w, 0.0, 1e5)?;
        }
        self.fans.iter().try_for_each(|fan| self.check_fan(fan))
    }

    fn check_fan(&self, fan: &Fan) -> Result<(), SoundError> {
        in_range("full speed in rpm", fan.full_speed_rpm, 1.0, 1e5)?;
        let full = fan.full_speed_rpm;
        in_range("slowest speed in rpm", fan.min_speed_rpm, 1.0, full)?;
        in_range(
            "conductance at full speed in W/K",
            fan.conductance_w_per_k,
            1e-6,
            1e5,
        )?;
        in_range("exponent of conductance", fan.exponent, 0.05, 1.0)?;
        in_range("level at full speed in dB", fan.full_speed_db, -50.0, 140.0)?;
        in_range(
            "slope in dB per decade",
            fan.slope_db_per_decade,
            15.0,
            120.0,
        )?;
        if fan.stage >= self.stages.len() {
            return Err(SoundError::needs(format!("a stage for fan '{}'", fan.name)));
        }
        if fan
            .avoid_rpm
            .iter()
            .any(|(a, b)| a.is_nan() || b.is_nan() || a >= b)
        {
            return Err(SoundError::needs(format!(
                "speeds to avoid of fan '{}' as pairs from and to, rising",
                fan.name
            )));
        }
        if fan.stretches().is_empty() {
            return Err(SoundError::needs(format!(
                "a speed for fan '{}' that is not to be avoided",
                fan.name
            )));
        }
        Ok(())
    }

    /// Temperature at these shares of full speed, °C.
    fn temp_c(&self, wanted: Wanted, shares: &[f64]) -> f64 {
        let rise: f64 = (0..self.stages.len())
            .map(|s| {
                let stage = &self.stages[s];
                let fans: f64 = self
                    .fans
                    .iter()
                    .zip(shares)
                    .filter(|(f, _)| f.stage == s)
                    .map(|(f, &share)| f.conductance(share))
                    .sum();
                (wanted.power_w + stage.extra_w) / (stage.natural_w_per_k + fans)
            })
            .sum();
        wanted.room_c + wanted.power_w * self.fixed_k_per_w + rise
    }

    /// Energy of the fans.
    fn fans_energy(&self, shares: &[f64]) -> f64 {
        let fans = self.fans.iter().zip(shares);
        fans.map(|(f, &share)| energy(f.level_db(share))).sum()
    }

    /// Temperature and level at given speeds.
    ///
    /// # Errors
    /// Those of [`Self::check`].
    pub fn at_speeds(&self, wanted: Wanted, speeds_rpm: &[f64]) -> Result<(f64, f64), SoundError> {
        self.check()?;
        let shares: Vec<f64> = self
            .fans
            .iter()
            .zip(speeds_rpm)
            .map(|(f, rpm)| rpm / f.full_speed_rpm)
            .collect();
        let room = self.background_db.map_or(0.0, energy);
        Ok((
            self.temp_c(wanted, &shares),
            db(self.fans_energy(&shares) + room),
        ))
    }

    /// The quietest speeds that hold the temperature.
    ///
    /// # Errors
    /// Those of [`Self::check`], and [`SoundError::Range`] for what is asked.
    pub fn quietest(&self, wanted: Wanted) -> Result<Quietest, SoundError> {
        self.check()?;
        in_range("power in W", wanted.power_w, 0.0, 1e5)?;
        in_range("room in °C", wanted.room_c, -60.0, 80.0)?;
        in_range("highest temperature in °C", wanted.temp_max_c, -60.0, 200.0)?;
        let all: Vec<Vec<Stretch>> = self.fans.iter().map(Fan::stretches).collect();
        let mut best = None;
        self.search(wanted, &all, &mut best);
        if let Some(found) = best {
            return Ok(self.report(wanted, &found.shares, found.price, true));
        }
        let fastest: Vec<f64> = all.iter().filter_map(|s| s.last()).map(|s| s.1).collect();
        Ok(self.report(wanted, &fastest, None, false))
    }

    fn report(&self, wanted: Wanted, shares: &[f64], price: Option<f64>, held: bool) -> Quietest {
        let typed: Vec<f64> = self
            .fans
            .iter()
            .zip(shares)
            .map(|(f, &s)| f.typed_share(s))
            .collect();
        let whole = self.fans_energy(&typed) + self.background_db.map_or(0.0, energy);
        let speeds = self.fans.iter().zip(&typed);
        Quietest {
            speeds_rpm: speeds.map(|(f, s)| s * f.full_speed_rpm).collect(),
            levels_db: self
                .fans
                .iter()
                .zip(&typed)
                .map(|(f, &s)| f.level_db(s))
                .collect(),
            temp_c: self.temp_c(wanted, &typed),
            level_db: db(whole),
            held,
            // A decibel is 23 % of the whole energy.
            kelvin_per_db: price.map(|p| whole * std::f64::consts::LN_10 / 10.0 / p),
        }
    }

    /// Branch and bound over the stretches of each fan.
    fn search(&self, wanted: Wanted, left: &[Vec<Stretch>], best: &mut Option<Found>) {
        let hull: Vec<Stretch> = left
            .iter()
            .filter_map(|s| Some((s.first()?.0, s.last()?.1)))
            .collect();
        if hull.len() < left.len() {
            return;
        }
        let Some(found) = self.in_box(wanted, &hull) else {
            return;
        };
        if best
            .as_ref()
            .is_some_and(|b| found.energy >= b.energy * (1.0 - 1e-9))
        {
            return;
        }
        // The fan that is furthest inside a gap between its stretches.
        let gap = (0..left.len())
            .filter_map(|i| gap_around(&left[i], found.shares[i]).map(|(at, depth)| (i, at, depth)))
            .max_by(|a, b| a.2.total_cmp(&b.2));
        let Some((fan, at, _)) = gap else {
            *best = Some(found);
            return;
        };
        let (slow, fast) = left[fan].split_at(at);
        for part in [fast, slow] {
            let mut narrowed = left.to_vec();
            narrowed[fan] = part.to_vec();
            self.search(wanted, &narrowed, best);
        }
    }

    /// The quietest shares within a box; `None` if even the fastest are too hot.
    fn in_box(&self, wanted: Wanted, bounds: &[Stretch]) -> Option<Found> {
        let ends = |pick: fn(&Stretch) -> f64| bounds.iter().map(pick).collect::<Vec<f64>>();
        let (slowest, fastest) = (ends(|b| b.0), ends(|b| b.1));
        let found = |shares: Vec<f64>, price| Found {
            energy: self.fans_energy(&shares),
            shares,
            price,
        };
        if self.temp_c(wanted, &fastest) > wanted.temp_max_c {
            return None;
        }
        if self.temp_c(wanted, &slowest) <= wanted.temp_max_c {
            return Some(found(slowest, None));
        }
        let (mut low, mut high) = (-80.0_f64, 80.0_f64);
        for _ in 0..ROUNDS {
            let middle = 0.5 * (low + high);
            let shares = self.at_price(wanted, middle.exp(), bounds);
            if self.temp_c(wanted, &shares) > wanted.temp_max_c {
                low = middle;
            } else {
                high = middle;
            }
        }
        // From the cool side, so that it is never hotter than asked.
        let shares = self.at_price(wanted, high.exp(), bounds);
        if self.temp_c(wanted, &shares) > wanted.temp_max_c {
            return Some(found(fastest, None));
        }
        Some(found(shares, Some(high.exp())))
    }

    /// The shares at which a kelvin costs `price` of energy in every stage.
    fn at_price(&self, wanted: Wanted, price: f64, bounds: &[Stretch]) -> Vec<f64> {
        let mut shares: Vec<f64> = bounds.iter().map(|b| b.0).collect();
        for (s, stage) in self.stages.iter().enumerate() {
            let members: Vec<usize> = (0..self.fans.len())
                .filter(|&i| self.fans[i].stage == s)
                .collect();
            let heat_w = wanted.power_w + stage.extra_w;
            let of =
                |i: usize, g: f64| self.fans[i].share_at_price(price * heat_w / (g * g), bounds[i]);
            let whole = |g: f64| -> f64 {
                let fans = members.iter().map(|&i| self.fans[i].conductance(of(i, g)));
                stage.natural_w_per_k + fans.sum::<f64>()
            };
            // The more the stage conducts, the less a further W/K is worth: one crossing.
            let most: f64 = members
                .iter()
                .map(|&i| self.fans[i].conductance_w_per_k)
                .sum();
            let (mut low, mut high) = (stage.natural_w_per_k, stage.natural_w_per_k + most);
            for _ in 0..ROUNDS {
                let g = 0.5 * (low + high);
                if whole(g) > g {
                    low = g;
                } else {
                    high = g;
                }
            }
            for &i in &members {
                shares[i] = of(i, 0.5 * (low + high));
            }
        }
        shares
    }
}

/// Speeds within a box with their energy and what a kelvin costs there.
struct Found {
    shares: Vec<f64>,
    energy: f64,
    price: Option<f64>,
}

/// If a share lies between stretches: the place of the first stretch above it, and how far inside the gap
/// it is.
fn gap_around(stretches: &[Stretch], share: f64) -> Option<(usize, f64)> {
    const HAIR: f64 = 1e-12;
    let above = stretches.iter().position(|s| share < s.0 - HAIR)?;
    let below = stretches[above.checked_sub(1)?];
    let depth = (share - below.1).min(stretches[above].0 - share);
    (depth > HAIR).then_some((above, depth))
}

fn in_range(what: &'static str, value: f64, least: f64, most: f64) -> Result<(), SoundError> {
    if (least..=most).contains(&value) {
        return Ok(());
    }
    Err(SoundError::Range {
        what,
        value,
        expected: "a value that a PC can have; check its unit and the decimal point",
    })
}
