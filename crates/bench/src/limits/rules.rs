//! What may be written.

use std::path::PathBuf;

use crate::error::BenchError;
use crate::zones::{Constraint, Zone};

/// A window is rounded down to 2^Y (1 + F/4) units: by a fifth at most (`intel_rapl_common.c`).
pub(super) const WINDOW_ROUNDING: f64 = 0.2;

/// The limits to be set; `None` is the firmware's own.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct WantedLimits {
    /// Sustained power limit, W.
    pub pl1_w: Option<f64>,
    /// Short-time power limit, W.
    pub pl2_w: Option<f64>,
    /// Window of the sustained limit, s.
    pub tau_s: Option<f64>,
}

/// What the user allows beyond the ordinary.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Allowed {
    /// Watts above a constraint's own reported maximum, up to the zone's ceiling.
    pub above_rated: bool,
    /// The range of windows that the maker states, s, where the zone reports none.
    pub window_range_s: Option<(f64, f64)>,
}

/// One number that a file is to hold.
#[derive(Clone, Debug, PartialEq)]
pub struct LimitWrite {
    /// For people: zone and constraint.
    pub label: String,
    /// The file.
    pub path: PathBuf,
    /// In µW or µs.
    pub micro: f64,
    /// Whether it is a window.
    pub is_window: bool,
    /// What the file held when the campaign began, µW or µs.
    pub(super) former_micro: f64,
}

/// What a zone's files are to hold for the wanted limits: sustained limit, its window, short-time
/// limit. `former` is the zone as the firmware had set it.
///
/// # Errors
/// [`BenchError::Refused`] if a limit would go above the ceiling, below the reported minimum, out
/// of the window's range, or above its own reported maximum without the user's word for it; or if
/// the zone has no such limit.
pub fn writes(
    former: &Zone,
    wanted: &WantedLimits,
    allowed: &Allowed,
) -> Result<Vec<LimitWrite>, BenchError> {
    let mut all = Vec::new();
    all.extend(power(former, "long_term", wanted.pl1_w, allowed)?);
    all.extend(window(former, wanted.tau_s, allowed)?);
    all.extend(power(former, "short_term", wanted.pl2_w, allowed)?);
    Ok(all)
}

fn refused(limit: String, detail: impl Into<String>) -> BenchError {
    BenchError::Refused {
        limit,
        detail: detail.into(),
    }
}

fn power(
    zone: &Zone,
    name: &str,
    watts: Option<f64>,
    allowed: &Allowed,
) -> Result<Option<LimitWrite>, BenchError> {
    let label = format!("{} {name}", zone.id);
    let constraint = match (zone.named(name), watts) {
        (Some(constraint), _) => constraint,
        (None, None) => return Ok(None),
        (None, Some(_)) => {
            return Err(refused(
                label,
                "this package has no such limit here; set it by hand in the firmware, without \
                 --write-limits",
            ));
        }
    };
    let former_micro = micro(constraint.power_w);
    let micro = match watts {
        Some(watts) => {
            check_power(zone, constraint, &label, watts, allowed)?;
            micro(watts)
        }
        None => former_micro,
    };
    Ok(Some(LimitWrite {
        label,
        path: zone
            .folder
            .join(format!("constraint_{}_power_limit_uw", constraint.number)),
        micro,
        is_window: false,
        former_micro,
    }))
}

fn micro(value: f64) -> f64 {
    (1e6 * value).round()
}

fn check_power(
    zone: &Zone,
    constraint: &Constraint,
    label: &str,
    watts: f64,
    allowed: &Allowed,
) -> Result<(), BenchError> {
    let refuse = |detail: String| Err(refused(label.to_owned(), detail));
    let rated = constraint
        .max_power_w
        .map_or("not reported".to_owned(), |w| format!("{w} W"));
    let (ceiling_w, set_w) = (zone.ceiling_w(), constraint.power_w);
    let known = format!(
        "its reported maximum is {rated}, the firmware had set {set_w} W, and the largest of all maxima \
         and settings of this zone is {ceiling_w} W"
    );
    if !watts.is_finite() || watts <= 0.0 {
        return refuse(format!("{watts} W is no limit; give watts above 0"));
    }
    if watts > ceiling_w {
        return refuse(format!(
            "{watts} W is never written: {known}. Give at most {ceiling_w} W"
        ));
    }
    if let Some(least_w) = constraint.min_power_w.filter(|least| watts < *least) {
        return refuse(format!(
            "{watts} W is below its reported minimum of {least_w} W; give more"
        ));
    }
    if constraint.max_power_w.is_some_and(|own| watts > own) && !allowed.above_rated {
        return refuse(format!(
            "{watts} W is above its own maximum: {known}. That maximum may be the thermal \
             specification power, which makers' own settings go beyond. If the maker's instructions \
             allow {watts} W, say --above-rated"
        ));
    }
    Ok(())
}

fn window(
    zone: &Zone,
    tau_s: Option<f64>,
    allowed: &Allowed,
) -> Result<Option<LimitWrite>, BenchError> {
    let label = format!("{} long_term window", zone.id);
    let set = zone.named("long_term").and_then(|c| Some((c, c.window_s?)));
    let (constraint, set_s) = match (set, tau_s) {
        (Some(set), _) => set,
        (None, None) => return Ok(None),
        (None, Some(_)) => {
            return Err(refused(
                label,
                "this zone shows no window; leave tau_s empty and set it in the firmware",
            ));
        }
    };
    // A window that the firmware would round to what it holds now is left as it is.
    let wanted_s = tau_s.filter(|tau_s| !(set_s..set_s / (1.0 - WINDOW_ROUNDING)).contains(tau_s));
    if let Some(wanted_s) = wanted_s {
        check_window(constraint, set_s, &label, wanted_s, allowed)?;
    }
    Ok(Some(LimitWrite {
        label,
        path: zone
            .folder
            .join(format!("constraint_{}_time_window_us", constraint.number)),
        micro: micro(wanted_s.unwrap_or(set_s)),
        is_window: true,
        former_micro: micro(set_s),
    }))
}

fn check_window(
    constraint: &Constraint,
    set_s: f64,
    label: &str,
    tau_s: f64,
    allowed: &Allowed,
) -> Result<(), BenchError> {
    let range = constraint.window_range_s.or(allowed.window_range_s);
    let Some((lo, hi)) = range else {
        return Err(refused(
            label.to_owned(),
            format!(
                "{tau_s} s: the zone does not report which windows it can hold, and the firmware had \
                 set {set_s} s. Leave tau_s at that, set it in the firmware, or give the range from the \
                 maker's data sheet with --window-range MIN:MAX"
            ),
        ));
    };
    if !(lo..=hi).contains(&tau_s) {
        return Err(refused(
            label.to_owned(),
            format!("{tau_s} s is out of its range of {lo} to {hi} s; give a window within it"),
        ));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rated 125 W with both limits at 253 W, as desktop boards often set it.
    fn zone() -> Zone {
        let constraint = |number, name: &str, max_power_w| Constraint {
            number,
            name: name.to_owned(),
            power_w: 253.0,
            window_s: Some(if number == 0 { 27.983_872 } else { 0.001_952 }),
            max_power_w,
            min_power_w: Some(10.0),
            window_range_s: None,
        };
        Zone {
            id: "intel-rapl/package-0".to_owned(),
            folder: PathBuf::from("zone"),
            constraints: vec![
                constraint(0, "long_term", Some(125.0)),
                constraint(1, "short_term", Some(241.0)),
            ],
        }
    }

    fn pl1(pl1_w: f64) -> WantedLimits {
        WantedLimits {
            pl1_w: Some(pl1_w),
            ..WantedLimits::default()
        }
    }

    const WORD: Allowed = Allowed {
        above_rated: true,
        window_range_s: None,
    };

    #[test]
    fn never_above_what_zone_and_firmware_say() {
        let zone = zone();
        assert!((zone.ceiling_w() - 253.0).abs() < 1e-9);
        let error = writes(&zone, &pl1(253.1), &WORD).expect_err("refused");
        let said = error.to_string();
        for part in ["125 W", "253 W", "never"] {
            assert!(said.contains(part), "{said}");
        }
        assert!(writes(&zone, &pl1(253.0), &WORD).is_ok());
    }

    #[test]
    fn above_its_own_maximum_only_with_a_word() {
        let zone = zone();
        let plain = Allowed::default();
        assert!(writes(&zone, &pl1(125.0), &plain).is_ok());
        let error = writes(&zone, &pl1(181.0), &plain).expect_err("refused");
        assert!(error.to_string().contains("--above-rated"), "{error}");
        assert!(writes(&zone, &pl1(181.0), &WORD).is_ok());
        assert!(
            writes(&zone, &pl1(9.0), &WORD).is_err(),
            "below its minimum"
        );
        for nonsense in [0.0, -5.0, f64::NAN, f64::INFINITY] {
            assert!(writes(&zone, &pl1(nonsense), &WORD).is_err());
        }
    }

    #[test]
    fn what_is_not_wanted_is_the_firmware_s_own() {
        let own = writes(&zone(), &WantedLimits::default(), &Allowed::default()).expect("allowed");
        let micro: Vec<f64> = own.iter().map(|w| w.micro).collect();
        assert_eq!(micro, [253e6, 27_983_872.0, 253e6]);
    }

    #[test]
    fn a_limit_that_the_zone_does_not_have_is_refused_by_name() {
        let mut zone = zone();
        zone.constraints.truncate(1);
        let wanted = WantedLimits {
            pl2_w: Some(100.0),
            ..WantedLimits::default()
        };
        let error = writes(&zone, &wanted, &WORD).expect_err("no such limit");
        assert!(error.to_string().contains("short_term"), "{error}");
        assert!(writes(&zone, &pl1(100.0), &WORD).is_ok());
    }

    #[test]
    fn windows_only_within_a_known_range() {
        let mut zone = zone();
        let tau = |tau_s| WantedLimits {
            tau_s: Some(tau_s),
            ..WantedLimits::default()
        };
        let plain = Allowed::default();
        // 28 s is what the firmware rounds to 27.98 s: it stays.
        let same = writes(&zone, &tau(28.0), &plain).expect("as it is");
        assert!((same[1].micro - 27_983_872.0).abs() < 0.5);
        let error = writes(&zone, &tau(56.0), &plain).expect_err("no range");
        assert!(error.to_string().contains("--window-range"), "{error}");
        let typed = Allowed {
            window_range_s: Some((1.0, 128.0)),
            ..plain
        };
        let written = writes(&zone, &tau(56.0), &typed).expect("typed");
        assert!((written[1].micro - 56e6).abs() < 0.5);
        zone.constraints[0].window_range_s = Some((1.0, 40.0));
        let error = writes(&zone, &tau(56.0), &typed).expect_err("out of the zone's own range");
        assert!(error.to_string().contains("40"), "{error}");
    }
}
