//! Several sources: what each adds to the whole, and which one to slow first.

use crate::level;

/// One source alone, background taken out.
#[derive(Clone, Debug, PartialEq)]
pub struct Source {
    /// Name.
    pub name: String,
    /// Level, dB.
    pub level_db: f64,
    /// How its level goes with its speed, dB per decade, if it has one.
    pub slope_db_per_decade: Option<f64>,
}

/// What a source does to the whole.
#[derive(Clone, Debug, PartialEq)]
pub struct Contribution {
    /// Name.
    pub name: String,
    /// Level alone, dB.
    pub level_db: f64,
    /// Share of the energy of all, 0 to 1.
    pub share: f64,
    /// Level of all others together, dB.
    pub without_db: f64,
    /// By how much the whole falls if this source turns 10 % slower, dB.
    pub slower_db: f64,
}

/// All sources together.
#[derive(Clone, Debug, PartialEq)]
pub struct Whole {
    /// Their energy sum, dB.
    pub level_db: f64,
    /// Each, the one to slow first at the head.
    pub parts: Vec<Contribution>,
    /// Measured together less the sum, dB, where it was measured.
    pub together_minus_sum_db: Option<f64>,
}

/// Slope taken for a source that was not measured at several speeds, dB per decade: fans go with the
/// fifth to sixth power of speed (handbook range, from memory).
pub const USUAL_SLOPE_DB_PER_DECADE: f64 = 55.0;

/// Adds up sources.
///
/// ```
/// use settlepoint_sound::sources::{Source, together};
///
/// let fan = |name: &str, level_db| Source { name: name.into(), level_db, slope_db_per_decade: None };
/// let whole = together(&[fan("front", 30.0), fan("rear", 33.0)], None);
/// assert!((whole.level_db - 34.76).abs() < 0.01);
/// assert_eq!(whole.parts[0].name, "rear");
/// ```
pub fn together(sources: &[Source], measured_db: Option<f64>) -> Whole {
    let levels: Vec<f64> = sources.iter().map(|s| s.level_db).collect();
    let level_db = level::sum(&levels);
    let mut parts: Vec<Contribution> = sources
        .iter()
        .enumerate()
        .map(|(i, source)| {
            let others: Vec<f64> = (0..levels.len())
                .filter(|&j| j != i)
                .map(|j| levels[j])
                .collect();
            let without_db = level::sum(&others);
            let slope = source
                .slope_db_per_decade
                .unwrap_or(USUAL_SLOPE_DB_PER_DECADE);
            let slowed_db = source.level_db + slope * 0.9_f64.log10();
            Contribution {
                name: source.name.clone(),
                level_db: source.level_db,
                share: level::energy(source.level_db - level_db),
                without_db,
                slower_db: level_db - level::sum(&[without_db, slowed_db]),
            }
        })
        .collect();
    parts.sort_by(|a, b| b.slower_db.total_cmp(&a.slower_db));
    Whole {
        level_db,
        together_minus_sum_db: measured_db.map(|m| m - level_db),
        parts,
    }
}
