//! Numbers as readers see them: °C or °F, intervals, words for what is not known.

use settlepoint_domain::{Estimate, LimitValue};
use settlepoint_draw::plain;

/// The unit in which temperatures are shown and typed. Addresses keep it in the names of their
/// fields, so that a bookmark means the same under both.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Degrees {
    #[default]
    Celsius,
    Fahrenheit,
}

impl Degrees {
    pub(crate) fn unit(self) -> &'static str {
        match self {
            Self::Celsius => "°C",
            Self::Fahrenheit => "°F",
        }
    }

    /// Ending of fields that hold temperatures.
    pub(crate) fn suffix(self) -> &'static str {
        match self {
            Self::Celsius => "c",
            Self::Fahrenheit => "f",
        }
    }

    /// °C as shown.
    pub(crate) fn shown(self, celsius: f64) -> f64 {
        match self {
            Self::Celsius => celsius,
            Self::Fahrenheit => celsius * 1.8 + 32.0,
        }
    }

    /// As typed, in °C.
    pub(crate) fn celsius(self, typed: f64) -> f64 {
        match self {
            Self::Celsius => typed,
            Self::Fahrenheit => (typed - 32.0) / 1.8,
        }
    }

    pub(crate) fn estimate(self, e: Estimate) -> Estimate {
        match self {
            Self::Celsius => e,
            Self::Fahrenheit => e.affine(1.8, 32.0),
        }
    }

    /// "81.2 °C".
    pub(crate) fn text(self, celsius: f64, decimals: usize) -> String {
        format!("{} {}", plain(self.shown(celsius), decimals), self.unit())
    }
}

/// What stands where nothing is known.
pub(crate) const NOTHING: &str = "–";

/// A value, or a dash.
pub(crate) fn cell(value: Option<f64>, decimals: usize) -> String {
    match value {
        Some(v) if v.is_finite() => plain(v, decimals),
        _ => NOTHING.to_owned(),
    }
}

/// "79.9 to 82.6".
pub(crate) fn range(e: Estimate, decimals: usize) -> String {
    format!("{} to {}", plain(e.lo, decimals), plain(e.hi, decimals))
}

/// A limit as a word or a number.
pub(crate) fn limit(value: LimitValue, decimals: usize) -> String {
    match value {
        LimitValue::Value(v) => plain(v, decimals),
        LimitValue::Unknown => NOTHING.to_owned(),
        other => other.to_string(),
    }
}

/// The shortest text of a number for a field: at most `decimals`, no zeros at the end.
pub(crate) fn typed(value: f64, decimals: usize) -> String {
    // A field wants plain ASCII.
    let text = format!("{:.decimals$}", value + 0.0);
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The fixed points of both scales: ice and steam (definition of the degree Fahrenheit by the
    /// degree Celsius, NIST SP 811, appendix B.8).
    #[test]
    fn degrees_convert_both_ways() {
        for (c, f) in [(0.0, 32.0), (100.0, 212.0), (-40.0, -40.0)] {
            assert!((Degrees::Fahrenheit.shown(c) - f).abs() < 1e-12);
            assert!((Degrees::Fahrenheit.celsius(f) - c).abs() < 1e-12);
        }
    }

    #[test]
    fn fields_have_no_idle_zeros() {
        assert_eq!(typed(34.0, 1), "34");
        assert_eq!(typed(93.25, 2), "93.25");
        assert_eq!(typed(100.0, 0), "100");
    }
}
