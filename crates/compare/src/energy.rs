//! Energy: at the wall, per unit of work, per year.

use std::fmt;

use settlepoint_domain::ScoreKind;

/// Efficiency of a power supply against the power it gives.
#[derive(Debug, Clone, PartialEq)]
pub struct SupplyCurve {
    /// Output in W, rising, with the efficiency there.
    points: Vec<(f64, f64)>,
}

/// Why points make no supply curve.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum SupplyError {
    /// There is no point.
    Empty,
    /// Outputs do not rise.
    NotRising {
        /// The output that is not above the one before, W.
        output_w: f64,
    },
    /// An efficiency is out of range.
    Efficiency {
        /// What was given.
        given: f64,
    },
}

impl fmt::Display for SupplyError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Empty => {
                f.write_str("the supply curve has no point; give output_w,efficiency rows")
            }
            Self::NotRising { output_w } => {
                write!(
                    f,
                    "the output {output_w} W is not above the one before; sort the rows"
                )
            }
            Self::Efficiency { given } => {
                write!(f, "an efficiency of {given}; give a share from 0.2 to 1")
            }
        }
    }
}

impl std::error::Error for SupplyError {}

impl SupplyCurve {
    /// From points of output power in W (rising, at least 0) and efficiency (0.2 to 1).
    ///
    /// # Errors
    ///
    /// [`SupplyError`] for no point, outputs that do not rise, efficiencies out of range.
    pub fn new(points: Vec<(f64, f64)>) -> Result<Self, SupplyError> {
        if points.is_empty() {
            return Err(SupplyError::Empty);
        }
        let mut before = -f64::MIN_POSITIVE;
        for &(output_w, efficiency) in &points {
            if output_w.is_nan() || output_w <= before {
                return Err(SupplyError::NotRising { output_w });
            }
            before = output_w;
            if !(0.2..=1.0).contains(&efficiency) {
                return Err(SupplyError::Efficiency { given: efficiency });
            }
        }
        Ok(Self { points })
    }

    /// The same efficiency at every output.
    ///
    /// # Errors
    ///
    /// [`SupplyError::Efficiency`].
    pub fn flat(efficiency: f64) -> Result<Self, SupplyError> {
        Self::new(vec![(1.0, efficiency)])
    }

    /// Efficiency at an output: straight lines between points, constant beyond them.
    pub fn efficiency(&self, output_w: f64) -> f64 {
        let after = self.points.partition_point(|p| p.0 <= output_w);
        match (after.checked_sub(1), self.points.get(after)) {
            (None, Some(first)) => first.1,
            (Some(before), None) => self.points[before].1,
            (Some(before), Some(&(x1, y1))) => {
                let (x0, y0) = self.points[before];
                y0 + (y1 - y0) * (output_w - x0) / (x1 - x0)
            }
            (None, None) => f64::NAN,
        }
    }

    /// Watts at the wall for an output.
    pub fn wall_w(&self, output_w: f64) -> f64 {
        output_w / self.efficiency(output_w)
    }
}

/// Joules for a unit of work.
#[derive(Debug, Clone, PartialEq)]
pub struct EnergyPerUnit {
    /// Joules.
    pub joules: f64,
    /// Of what.
    pub unit: String,
}

/// Joules per unit of work at a power: a time for fixed work gives joules a job, a rate with its
/// time in the unit ("tracks a minute", "1/s", "jobs/h") joules for one of them. For a bare score
/// the power over it is given, in J s^-1 per point, which orders settings but is no energy.
pub fn energy_per_unit(
    power_w: f64,
    score: f64,
    unit: &str,
    kind: ScoreKind,
) -> Option<EnergyPerUnit> {
    if !(power_w > 0.0 && score > 0.0) {
        return None;
    }
    if kind == ScoreKind::TimeForWork {
        return Some(EnergyPerUnit {
            joules: power_w * score * seconds_of(unit).unwrap_or(1.0),
            unit: "job".to_owned(),
        });
    }
    Some(match rate_unit(unit) {
        Some((what, base_s)) => EnergyPerUnit {
            joules: power_w * base_s / score,
            unit: what,
        },
        None => EnergyPerUnit {
            joules: power_w / score,
            unit: "point and second".to_owned(),
        },
    })
}

fn seconds_of(unit: &str) -> Option<f64> {
    match unit.trim().to_ascii_lowercase().as_str() {
        "ms" | "millisecond" | "milliseconds" => Some(1e-3),
        "s" | "sec" | "second" | "seconds" => Some(1.0),
        "min" | "minute" | "minutes" => Some(60.0),
        "h" | "hour" | "hours" => Some(3600.0),
        _ => None,
    }
}

/// "tracks a minute" is tracks and 60 s.
fn rate_unit(unit: &str) -> Option<(String, f64)> {
    for between in ["/", " per ", " a ", " an ", " each "] {
        if let Some((what, time)) = unit.rsplit_once(between)
            && let Some(base_s) = seconds_of(time)
        {
            let what = what.trim().trim_end_matches('s');
            let what = if what.is_empty() || what == "1" {
                "unit"
            } else {
                what
            };
            return Some((what.to_owned(), base_s));
        }
    }
    None
}

/// Weeks in a mean Gregorian year: 365.2425 / 7.
const WEEKS_PER_YEAR: f64 = 52.1775;

/// Cost a year of a power, in the tariff's currency (per kWh), at hours a week.
pub fn cost_per_year(wall_w: f64, tariff_per_kwh: f64, hours_per_week: f64) -> f64 {
    wall_w / 1000.0 * tariff_per_kwh * hours_per_week * WEEKS_PER_YEAR
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_supply_curve_is_read_between_its_points() {
        let curve = SupplyCurve::new(vec![(50.0, 0.8), (150.0, 0.9)]).unwrap();
        assert!((curve.efficiency(100.0) - 0.85).abs() < 1e-12);
        assert!((curve.efficiency(10.0) - 0.8).abs() < 1e-12);
        assert!((curve.wall_w(180.0) - 200.0).abs() < 1e-9);
        let falling = SupplyCurve::new(vec![(150.0, 0.9), (50.0, 0.8)]);
        assert_eq!(falling, Err(SupplyError::NotRising { output_w: 50.0 }));
        assert!(SupplyCurve::flat(88.0).is_err() && SupplyCurve::new(Vec::new()).is_err());
    }

    #[test]
    fn joules_follow_the_unit() {
        // 120 W at 2 tracks a minute: 60 J a second... 3600 J a track.
        let track = energy_per_unit(120.0, 2.0, "tracks a minute", ScoreKind::MeanRate).unwrap();
        assert_eq!((track.joules, track.unit.as_str()), (3600.0, "track"));
        let job = energy_per_unit(100.0, 30.0, "s", ScoreKind::TimeForWork).unwrap();
        assert_eq!((job.joules, job.unit.as_str()), (3000.0, "job"));
        let frames = energy_per_unit(100.0, 50.0, "frames/s", ScoreKind::LastPass).unwrap();
        assert_eq!((frames.joules, frames.unit.as_str()), (2.0, "frame"));
        assert_eq!(energy_per_unit(0.0, 50.0, "", ScoreKind::MeanRate), None);
    }

    /// 1 kW all year at 0.25 is 8766 h (a year of 365.2425 days) times 0.25.
    #[test]
    fn a_kilowatt_all_year() {
        let cost = cost_per_year(1000.0, 0.25, 168.0);
        assert!((cost - 0.25 * 365.2425 * 24.0).abs() < 1e-6);
    }
}
