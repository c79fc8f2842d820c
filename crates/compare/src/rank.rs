//! Runs side by side.

use std::cmp::Ordering;

/// What is known of one run.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RankRow {
    /// Label of the run.
    pub run: String,
    /// Label of the workload; only runs of one workload are set against each other.
    pub workload: String,
    /// Label of the setting.
    pub setting: String,
    /// Mean score in the workload's unit, more is better (a time is turned over).
    pub work: Option<f64>,
    /// Work relative to the best run of the workload.
    pub work_rel: Option<f64>,
    /// Settled temperature, °C.
    pub plateau_c: Option<f64>,
    /// Kelvin left to the temperature limit.
    pub margin_k: Option<f64>,
    /// Settled power, W.
    pub power_w: Option<f64>,
    /// Power at the wall, W.
    pub wall_w: Option<f64>,
    /// Settled clock, MHz.
    pub clock_mhz: Option<f64>,
    /// Settled fan speed, rpm.
    pub fan_speed_rpm: Option<f64>,
    /// Sound level, dB(A).
    pub level_dba: Option<f64>,
    /// Joules per unit of work.
    pub j_per_unit: Option<f64>,
    /// Percent of work gained per watt over the run of the workload with the next lower power.
    pub gain_pct_per_w: Option<f64>,
    /// Cost a year, in the tariff's currency.
    pub cost_per_year: Option<f64>,
    /// Why the run is left out of fits, if it is; such a run sets no reference.
    pub excluded: Option<String>,
}

/// What runs are ordered by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Key {
    /// Most work first.
    Work,
    /// Coolest first.
    Plateau,
    /// Most margin first.
    Margin,
    /// Least power first.
    Power,
    /// Quietest first.
    Level,
    /// Least energy per unit first.
    Energy,
    /// Most gain per watt first.
    Gain,
    /// By name.
    Run,
}

/// Fills in work relative to the best of its workload and the gain per watt.
pub fn relate(rows: &mut [RankRow]) {
    let known: Vec<(String, Option<f64>, Option<f64>)> = rows
        .iter()
        .filter(|r| r.excluded.is_none())
        .map(|r| (r.workload.clone(), r.work, r.power_w))
        .collect();
    for row in rows {
        let own = || known.iter().filter(|k| k.0 == row.workload);
        let best = own().filter_map(|k| k.1).fold(0.0, f64::max);
        row.work_rel = row.work.filter(|_| best > 0.0).map(|w| w / best);
        row.gain_pct_per_w = row.work.zip(row.power_w).and_then(|(work, power_w)| {
            // Powers closer than this are one power, and a gain per watt would be noise.
            let lower = own()
                .filter_map(|k| k.1.zip(k.2))
                .filter(|(_, p)| *p < power_w - 1.0)
                .max_by(|a, b| a.1.total_cmp(&b.1))?;
            Some(100.0 * (work / lower.0 - 1.0) / (power_w - lower.1))
        });
    }
}

/// Orders rows; those without the value come last. Runs of one workload stay together only when
/// ordered by work.
pub fn sort(rows: &mut [RankRow], key: Key) {
    rows.sort_by(|a, b| {
        let by_work = if key == Key::Work {
            a.workload.cmp(&b.workload)
        } else {
            Ordering::Equal
        };
        by_work
            .then_with(|| compare(a, b, key))
            .then_with(|| a.run.cmp(&b.run))
    });
}

fn compare(a: &RankRow, b: &RankRow, key: Key) -> Ordering {
    let (falling, value): (bool, fn(&RankRow) -> Option<f64>) = match key {
        Key::Run => return a.run.cmp(&b.run),
        Key::Work => (true, |r| r.work_rel),
        Key::Plateau => (false, |r| r.plateau_c),
        Key::Margin => (true, |r| r.margin_k),
        Key::Power => (false, |r| r.power_w),
        Key::Level => (false, |r| r.level_dba),
        Key::Energy => (false, |r| r.j_per_unit),
        Key::Gain => (true, |r| r.gain_pct_per_w),
    };
    match (value(a), value(b)) {
        (Some(x), Some(y)) if falling => y.total_cmp(&x),
        (Some(x), Some(y)) => x.total_cmp(&y),
        (Some(_), None) => Ordering::Less,
        (None, Some(_)) => Ordering::Greater,
        (None, None) => Ordering::Equal,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(run: &str, work: f64, power_w: f64) -> RankRow {
        RankRow {
            run: run.to_owned(),
            workload: "mixdown".to_owned(),
            work: Some(work),
            power_w: Some(power_w),
            ..RankRow::default()
        }
    }

    #[test]
    fn work_and_gain_are_relative_to_the_others() {
        let mut rows = vec![row("high", 110.0, 150.0), row("low", 100.0, 100.0)];
        relate(&mut rows);
        assert!((rows[1].work_rel.unwrap() - 100.0 / 110.0).abs() < 1e-12);
        assert!((rows[0].gain_pct_per_w.unwrap() - 0.2).abs() < 1e-12);
        assert_eq!(rows[1].gain_pct_per_w, None);
        sort(&mut rows, Key::Power);
        assert_eq!(rows[0].run, "low");
        sort(&mut rows, Key::Work);
        assert_eq!(rows[0].run, "high");
    }

    #[test]
    fn an_excluded_run_sets_no_reference_and_a_missing_value_comes_last() {
        let mut rows = vec![row("odd", 500.0, 90.0), row("kept", 100.0, 100.0)];
        rows[0].excluded = Some("wrong profile".to_owned());
        rows[0].level_dba = Some(30.0);
        relate(&mut rows);
        assert_eq!(rows[1].work_rel, Some(1.0));
        assert_eq!(rows[1].gain_pct_per_w, None);
        sort(&mut rows, Key::Level);
        assert_eq!(rows[0].run, "odd");
    }
}
