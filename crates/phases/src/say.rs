//! Numbers in findings: digits that count, whatever a log holds.

/// Up to three decimals, or three significant digits and a power of ten where that is shorter.
pub(crate) fn brief(value: f64) -> String {
    if value == 0.0 || (0.001..1e6).contains(&value.abs()) {
        let text = format!("{value:.3}");
        return text.trim_end_matches('0').trim_end_matches('.').to_owned();
    }
    format!("{value:.2e}")
}

/// A temperature, length of time or percentage to this many decimals.
pub(crate) fn to_decimals(value: f64, decimals: usize) -> String {
    // Seconds of a log of decades, and any temperature, stay below.
    if value.abs() < 1e10 {
        format!("{value:.decimals$}")
    } else {
        format!("{value:.2e}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn absurd_values_stay_short() {
        assert_eq!(brief(1.797e308), "1.80e308");
        assert_eq!(brief(4e-300), "4.00e-300");
        assert_eq!(brief(0.125), "0.125");
        assert_eq!(brief(-35.0), "-35");
        assert_eq!(brief(0.0), "0");
        assert_eq!(to_decimals(1e300, 1), "1.00e300");
        assert_eq!(to_decimals(81.25, 1), "81.2");
        assert_eq!(to_decimals(102_535_200.0, 0), "102535200");
    }
}
