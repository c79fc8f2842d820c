//! Settings, numbers and bounds in words.

use settlepoint_domain::{Estimate, FanSetting, Figure, LimitValue, Setting};
use settlepoint_draw::plain;
use settlepoint_infer::choose::{Candidate, Constraints};

/// What to type into the firmware: "PL1 130 W, PL2 253 W, tau 56 s, temperature limit 100 °C".
pub fn firmware_text(setting: &Setting) -> String {
    let mut parts = Vec::new();
    if let Some(w) = setting.pl1_w.value() {
        parts.push(format!("PL1 {w:.0} W"));
    }
    if let Some(w) = setting.pl2_w.value() {
        parts.push(format!("PL2 {w:.0} W"));
    }
    if let Some(s) = setting.tau_s.value() {
        parts.push(format!("tau {s:.0} s"));
    }
    if let Some(c) = setting.temp_limit_c.value() {
        parts.push(format!("temperature limit {c:.0} °C"));
    }
    match &setting.fan {
        FanSetting::AsFitted => {}
        FanSetting::Ceiling(rpm) => parts.push(format!("fan curve capped at {rpm:.0} rpm")),
        FanSetting::Fixed(rpm) => parts.push(format!("fan at {rpm:.0} rpm")),
        FanSetting::Curve(_) => parts.push("the fan curve given".into()),
    }
    parts.join(", ")
}

/// A setting of the choice in one line: "89 °C, 26.1 dB(A), work 3.7 % below the fastest".
pub fn brief(candidate: &Candidate) -> String {
    let loss = candidate.loss_pct.max(0.0);
    let Some(p) = candidate.predictions.first().map(|p| &p.sustained) else {
        return format!("work {loss:.1} % below the fastest");
    };
    let level = p
        .level_dba
        .value()
        .map_or(String::new(), |l| format!(", {l:.1} dB(A)"));
    format!(
        "{:.0} °C{level}, work {loss:.1} % below the fastest",
        p.package_c.value
    )
}

/// What was asked of a choice, a line each.
pub fn asked(bounds: &Constraints) -> Vec<String> {
    let mut lines = vec![format!("room up to {} °C", plain(bounds.room_c, 0))];
    if bounds.altitude_m.abs() >= 1.0 {
        lines.push(format!("altitude {} m", plain(bounds.altitude_m, 0)));
    }
    let sure = format!("with {} % probability", plain(100.0 * bounds.confidence, 0));
    if let Some(max) = bounds.temp_max_c {
        lines.push(format!("package settled below {} °C {sure}", plain(max, 0)));
    }
    if let Some(max) = bounds.noise_max_dba {
        lines.push(format!("at most {} dB(A) {sure}", plain(max, 1)));
    }
    lines.push(format!(
        "work at most {} % below the fastest setting",
        plain(bounds.loss_max_pct, 1)
    ));
    if let Some(max) = bounds.wall_max_w {
        lines.push(format!(
            "at most {} W at the wall, {} W of it for the rest of the machine and a supply of {} %",
            plain(max, 0),
            plain(bounds.rest_w, 0),
            plain(100.0 * bounds.supply_efficiency, 0)
        ));
    }
    lines
}

/// With a capital and a full stop; a first word that is a name stays as it is.
pub fn sentence(text: &str) -> String {
    let text = text.trim().trim_end_matches('.');
    let first_word = text.split(' ').next().unwrap_or("");
    if first_word.contains(|c: char| c == '_' || c.is_uppercase()) {
        return format!("{text}.");
    }
    let mut rest = text.chars();
    match rest.next() {
        Some(first) => format!("{}{}.", first.to_uppercase(), rest.as_str()),
        None => String::new(),
    }
}

/// "87.1 (85.6 to 88.7)".
pub fn span(estimate: Estimate, decimals: usize) -> String {
    format!(
        "{} ({})",
        plain(estimate.value, decimals),
        ends(estimate, decimals)
    )
}

/// "85.6 to 88.7".
pub fn ends(estimate: Estimate, decimals: usize) -> String {
    format!(
        "{} to {}",
        plain(estimate.lo, decimals),
        plain(estimate.hi, decimals)
    )
}

/// The same for what may not be known.
pub fn figure_span(figure: &Figure, decimals: usize) -> String {
    figure
        .estimate()
        .map_or_else(|| "–".to_owned(), |e| span(e, decimals))
}

/// A value or "–".
pub fn cell(value: Option<f64>, decimals: usize) -> String {
    value.map_or_else(|| "–".to_owned(), |v| plain(v, decimals))
}

/// A limit: its number, or the word for what it is.
pub fn limit(limit: LimitValue) -> String {
    limit
        .value()
        .map_or_else(|| limit.to_string(), |v| plain(v, 0))
}

/// A score with up to six significant digits, without zeros at the end.
pub fn score(value: f64) -> String {
    let rounded: f64 = format!("{value:.5e}").parse().unwrap_or(value);
    if rounded.abs() >= 1e9 || (rounded.abs() < 1e-4 && rounded.abs() > 0.0) {
        return format!("{rounded:e}").replace('-', "\u{2212}");
    }
    rounded.to_string().replace('-', "\u{2212}")
}

/// "1 run", "3 runs".
pub fn count(n: usize, one: &str) -> String {
    if n == 1 {
        format!("1 {one}")
    } else {
        format!("{n} {one}s")
    }
}

/// The day of a time stamp, "2026-03-04", on the clock that was read.
///
/// Howard Hinnant, "chrono-compatible low-level date algorithms", `civil_from_days`.
pub fn day(unix_ns: i128) -> String {
    let days = unix_ns.div_euclid(86_400_000_000_000) + 719_468;
    let era = days.div_euclid(146_097);
    let of_era = days.rem_euclid(146_097);
    let year_of_era = (of_era - of_era / 1460 + of_era / 36_524 - of_era / 146_096) / 365;
    let of_year = of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let shifted = (5 * of_year + 2) / 153;
    let day = of_year - (153 * shifted + 2) / 5 + 1;
    let month = if shifted < 10 {
        shifted + 3
    } else {
        shifted - 9
    };
    let year = year_of_era + era * 400 + i128::from(month <= 2);
    format!("{year:04}-{month:02}-{day:02}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sentences_keep_names_and_begin_with_a_capital() {
        assert_eq!(sentence("run longer."), "Run longer.");
        assert_eq!(sentence("room_c is not known"), "room_c is not known.");
        assert_eq!(sentence(""), "");
    }

    /// Days whose Unix time POSIX.1-2017, section 4.16 gives by its formula.
    #[test]
    fn days_are_those_of_the_calendar() {
        let ns = |s: i128| s * 1_000_000_000;
        assert_eq!(day(0), "1970-01-01");
        assert_eq!(day(ns(951_782_399)), "2000-02-28");
        assert_eq!(day(ns(951_782_400)), "2000-02-29");
        assert_eq!(day(ns(4_107_542_400)), "2100-03-01");
        assert_eq!(day(-1), "1969-12-31");
    }

    #[test]
    fn scores_keep_their_digits() {
        assert_eq!(score(44.2), "44.2");
        assert_eq!(score(1_234_567.0), "1234570");
        assert_eq!(score(-0.5), "\u{2212}0.5");
        assert_eq!(count(1, "run") + &count(0, " log"), "1 run0  logs");
    }
}
