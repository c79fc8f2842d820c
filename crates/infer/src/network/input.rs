use settlepoint_domain::{Averaging, Role, SensorLog};

use super::NetworkError;
use super::fan::FanLaw;

/// Fewest rows with a temperature: one stage and a reference are three numbers, and the noise
/// must be seen as well.
const MIN_ROWS: usize = 8;
/// Longer logs are merged to about this many intervals: parameters change by far less than their
/// intervals, and a day at one row a second stays below a tenth of a second.
const MAX_ROWS: usize = 6000;
/// A step of time longer than this many usual ones is a gap.
const GAP_STEPS: f64 = 5.0;
/// Two rows nearer than this share of the median step count as one instant.
const ROW_APART: f64 = 1e-3;

/// What the network sees: one row a sample, NaN where a reading is missing.
#[derive(Clone, Debug)]
pub struct NetworkInput {
    /// Time of each row, s; never falls.
    pub time_s: Vec<f64>,
    /// Power of each row, W.
    pub power_w: Vec<f64>,
    /// What a power reading stands for.
    pub averaging: Averaging,
    /// Temperature of each row, °C.
    pub temp_c: Vec<f64>,
    /// Air at the intake, °C, if it was logged.
    pub room_c: Option<Vec<f64>>,
    /// Fan speed, rpm, if it was logged. The K/W is fitted as one number; a fan that moved is
    /// reported.
    pub fan_speed_rpm: Option<Vec<f64>>,
    /// The step of the temperature readings, K; 0 if they are not rounded.
    pub resolution_k: f64,
}

impl NetworkInput {
    /// The first power (or else energy counter), temperature, room and fan speed channels of a log.
    ///
    /// # Errors
    /// [`NetworkError::Missing`] without power (or an energy counter's mean power) or temperature.
    pub fn from_log(log: &SensorLog) -> Result<Self, NetworkError> {
        let power = settlepoint_phases::power_channel(log)
            .ok_or(NetworkError::Missing { channel: "power" })?;
        let temperature = log
            .channel(Role::Temperature)
            .ok_or(NetworkError::Missing {
                channel: "temperature",
            })?;
        Ok(Self {
            time_s: log.time_s().to_vec(),
            power_w: power.values,
            averaging: power.averaging,
            temp_c: temperature.values.clone(),
            room_c: readings(log, Role::Room),
            fan_speed_rpm: readings(log, Role::FanSpeed),
            resolution_k: temperature.resolution.unwrap_or(0.0),
        })
    }

    /// Length, presence and number of rows.
    fn check(&self) -> Result<(), NetworkError> {
        let expected = self.time_s.len();
        let room = self.room_c.as_ref().map_or(expected, Vec::len);
        let columns = [
            ("power", self.power_w.len()),
            ("temperature", self.temp_c.len()),
            ("room", room),
            (
                "fan speed",
                self.fan_speed_rpm.as_ref().map_or(expected, Vec::len),
            ),
        ];
        for (column, rows) in columns {
            if rows != expected {
                return Err(NetworkError::Length {
                    expected,
                    rows,
                    column,
                });
            }
        }
        let room = self.room_c.as_ref().map(|room| ("room", room));
        let needed = [("power", &self.power_w), ("temperature", &self.temp_c)];
        for (channel, values) in needed.into_iter().chain(room) {
            if values.iter().all(|v| v.is_nan()) {
                return Err(NetworkError::Missing { channel });
            }
        }
        Ok(())
    }

    /// The drive of the rows up to `until_s`, merged where there are very many.
    pub(super) fn drive(&self, until_s: f64, law: Option<FanLaw>) -> Result<Drive, NetworkError> {
        self.check()?;
        let full = Drive::new(self, law);
        let rows = self.time_s.partition_point(|&t| t <= until_s);
        let drive = full.first(rows).merged(MAX_ROWS);
        let used = drive.used.iter().filter(|&&u| u).count();
        if used < MIN_ROWS {
            return Err(NetworkError::TooShort {
                rows: used,
                needed: MIN_ROWS,
            });
        }
        Ok(drive)
    }

    /// The drive of all rows, one to one.
    pub(super) fn whole_drive(&self, law: Option<FanLaw>) -> Result<Drive, NetworkError> {
        self.check()?;
        Ok(Drive::new(self, law))
    }
}

/// The first channel with a role that has a reading at all.
fn readings(log: &SensorLog, role: Role) -> Option<Vec<f64>> {
    log.channel(role)
        .filter(|channel| channel.missing() < log.len())
        .map(|channel| channel.values.clone())
}

/// Rows in the form that the filters take: mean power over the interval that ends at each row.
#[derive(Clone, Debug)]
pub(super) struct Drive {
    pub(super) time_s: Vec<f64>,
    pub(super) step_s: Vec<f64>,
    /// Mean power over the step that ends here, W.
    pub(super) power_w: Vec<f64>,
    /// The power that a settled start had, W.
    pub(super) start_power_w: f64,
    /// Temperature, or temperature over the room where that was logged; NaN is missing.
    pub(super) temp: Vec<f64>,
    /// The room; 0 where it was not logged and the reference is fitted.
    pub(super) room_c: Vec<f64>,
    /// Rows that count in the sum of squares.
    pub(super) used: Vec<bool>,
    /// Local variance of single power readings of the moment, W²; 0 for means.
    pub(super) scatter_w2: Vec<f64>,
}

impl Drive {
    /// With a law of the fan, powers are scaled by what the fan does to the resistance.
    fn new(input: &NetworkInput, law: Option<FanLaw>) -> Self {
        let time_s = input.time_s.clone();
        let step_s: Vec<f64> = std::iter::once(0.0)
            .chain(time_s.windows(2).map(|pair| pair[1] - pair[0]))
            .collect();
        let mut readings = held(&input.power_w);
        if let (Some(law), Some(speeds)) = (law, &input.fan_speed_rpm) {
            for (power_w, speed) in readings.iter_mut().zip(held(speeds)) {
                *power_w *= law.factor(speed);
            }
        }
        let room_c = match &input.room_c {
            Some(room) => held(room),
            None => vec![0.0; time_s.len()],
        };
        let temp: Vec<f64> = input
            .temp_c
            .iter()
            .zip(&room_c)
            .map(|(t, r)| t - r)
            .collect();
        let used = usable(&time_s, &step_s, &temp);
        Self {
            start_power_w: start_power_w(&readings),
            power_w: interval_power_w(&readings, &step_s, input.averaging),
            time_s,
            step_s,
            temp,
            room_c,
            used,
            scatter_w2: match input.averaging {
                Averaging::Instant => scatter_w2(&readings),
                _ => vec![0.0; readings.len()],
            },
        }
    }

    pub(super) fn len(&self) -> usize {
        self.time_s.len()
    }

    /// Length in time, s.
    pub(super) fn span_s(&self) -> f64 {
        self.time_s.last().unwrap_or(&0.0) - self.time_s.first().unwrap_or(&0.0)
    }

    /// Median step between rows at different times, s.
    pub(super) fn median_step_s(&self) -> f64 {
        median_positive(&self.step_s)
    }

    /// Whether power changed mostly across gaps (steps of time over five usual ones): what
    /// happened there is unknown, and so is how fast the temperature followed.
    pub(super) fn steps_fall_in_gaps(&self) -> bool {
        let gap_s = GAP_STEPS * self.median_step_s();
        let (mut in_gaps, mut all) = (0.0, 0.0);
        for i in 1..self.len() {
            let change = (self.power_w[i] - self.power_w[i - 1]).powi(2);
            all += change;
            // A mean of the ends stands for the gap itself, so half the change comes after it.
            let beside = self.step_s[i] > gap_s || self.step_s[i - 1] > gap_s;
            in_gaps += if beside { change } else { 0.0 };
        }
        in_gaps > 0.5 * all
    }

    /// The first `rows` rows.
    fn first(&self, rows: usize) -> Self {
        let cut = |v: &Vec<f64>| v[..rows].to_vec();
        Self {
            time_s: cut(&self.time_s),
            step_s: cut(&self.step_s),
            power_w: cut(&self.power_w),
            start_power_w: self.start_power_w,
            temp: cut(&self.temp),
            room_c: cut(&self.room_c),
            used: self.used[..rows].to_vec(),
            scatter_w2: cut(&self.scatter_w2),
        }
    }

    /// Neighbouring steps joined so that at most about `rows` remain. Energy is kept; the
    /// temperature is the one that counts at the end of the joined step, which no averaging
    /// delays.
    pub(super) fn merged(self, rows: usize) -> Self {
        let counting = self.used.iter().filter(|&&used| used).count();
        let factor = counting.div_ceil(rows.max(1));
        if factor <= 1 && self.len() <= rows {
            return self;
        }
        let mut out = self.first(0);
        let (mut step_s, mut energy_j, mut counted) = (0.0, 0.0, 0);
        for i in 0..self.len() {
            step_s += self.step_s[i];
            energy_j += self.step_s[i] * self.power_w[i];
            counted += usize::from(self.used[i]);
            if self.used[i] && (counted >= factor || i == 0) {
                let mean_w = if step_s > 0.0 {
                    energy_j / step_s
                } else {
                    self.power_w[i]
                };
                out.push(&self, i, step_s, mean_w);
                (step_s, energy_j, counted) = (0.0, 0.0, 0);
            }
        }
        out
    }

    fn push(&mut self, from: &Self, row: usize, step_s: f64, power_w: f64) {
        self.time_s.push(from.time_s[row]);
        self.step_s.push(step_s);
        self.power_w.push(power_w);
        self.temp.push(from.temp[row]);
        self.room_c.push(from.room_c[row]);
        self.used.push(from.used[row]);
        self.scatter_w2.push(from.scatter_w2[row]);
    }
}

/// Half the mean squared difference of neighbouring readings over some fifty rows.
fn scatter_w2(readings: &[f64]) -> Vec<f64> {
    const HALF: usize = 25;
    let mut sums = vec![0.0];
    let mut total = 0.0;
    for pair in readings.windows(2) {
        total += 0.5 * (pair[1] - pair[0]) * (pair[1] - pair[0]);
        sums.push(total);
    }
    let last = sums.len() - 1;
    (0..readings.len())
        .map(|i| {
            let (from, to) = (i.saturating_sub(HALF).min(last), (i + HALF).min(last));
            (sums[to] - sums[from]) / (to - from).max(1) as f64
        })
        .collect()
}

/// Missing readings filled with the one before (the first ones with the first that is known).
fn held(values: &[f64]) -> Vec<f64> {
    let mut last = values.iter().copied().find(|v| !v.is_nan()).unwrap_or(0.0);
    values
        .iter()
        .map(|&v| {
            if !v.is_nan() {
                last = v;
            }
            last
        })
        .collect()
}

/// Mean power over each step. A reading of the moment is joined to the one before by a straight
/// line; a mean or counter value already is the mean.
fn interval_power_w(readings: &[f64], step_s: &[f64], averaging: Averaging) -> Vec<f64> {
    let gap_s = GAP_STEPS * median_positive(step_s);
    (0..readings.len())
        .map(|i| {
            let before = readings[i.saturating_sub(1)];
            match averaging {
                Averaging::Counter => readings[i],
                // A mean is one over the logger's own period, which tells nothing of a gap.
                Averaging::Mean if step_s[i] <= gap_s => readings[i],
                _ => 0.5 * (before + readings[i]),
            }
        })
        .collect()
}

/// Median of the first five readings: one stray sample must not shift the start.
fn start_power_w(readings: &[f64]) -> f64 {
    let mut first: Vec<f64> = readings.iter().take(5).copied().collect();
    first.sort_by(f64::total_cmp);
    first.get(first.len() / 2).copied().unwrap_or(0.0)
}

fn median_positive(step_s: &[f64]) -> f64 {
    let mut steps: Vec<f64> = step_s.iter().copied().filter(|&s| s > 0.0).collect();
    if steps.is_empty() {
        return 1.0;
    }
    let middle = steps.len() / 2;
    *steps.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Rows with a temperature, one a time stamp: a second reading at the same instant says nothing
/// new of the dynamics.
fn usable(time_s: &[f64], step_s: &[f64], temp: &[f64]) -> Vec<bool> {
    let apart_s = ROW_APART * median_positive(step_s);
    let mut last_s = f64::NEG_INFINITY;
    time_s
        .iter()
        .zip(temp)
        .map(|(&t, v)| {
            let new = !v.is_nan() && t - last_s > apart_s;
            if new {
                last_s = t;
            }
            new
        })
        .collect()
}
