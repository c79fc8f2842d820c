//! Numbers as text.

/// A coordinate with at most two decimals.
pub(crate) fn coordinate(value: f64) -> String {
    let rounded = (value * 100.0).round() / 100.0;
    if rounded.is_finite() {
        // Adding 0 turns -0 into 0.
        format!("{}", rounded + 0.0)
    } else {
        "0".to_owned()
    }
}

/// A number for an attribute, in full; scripts read it back.
pub(crate) fn exact(value: f64) -> String {
    if value.is_finite() {
        format!("{value}")
    } else {
        String::new()
    }
}

/// A number with this many decimals, a true minus sign, and a space between thousands from 10 000
/// on; "–" for what is no number.
pub fn plain(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return "–".to_owned();
    }
    if value.abs() >= 1e9 {
        return format!("{value:.2e}").replace('-', "\u{2212}");
    }
    let text = format!("{:.decimals$}", value.abs());
    let negative = value < 0.0 && text.chars().any(|c| ('1'..='9').contains(&c));
    let (whole, rest) = text.split_at(text.find('.').unwrap_or(text.len()));
    let sign = if negative { "\u{2212}" } else { "" };
    format!("{sign}{}{rest}", grouped(whole))
}

fn grouped(digits: &str) -> String {
    if digits.len() < 5 {
        return digits.to_owned();
    }
    let mut text = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            text.push('\u{a0}');
        }
        text.push(digit);
    }
    text
}

/// A number with its sign.
pub fn signed(value: f64, decimals: usize) -> String {
    let text = plain(value, decimals);
    if value > 0.0 && text.chars().any(|c| ('1'..='9').contains(&c)) {
        format!("+{text}")
    } else {
        text
    }
}

/// Decimals that a multiple of `step` needs, at most 9.
pub(crate) fn decimals_of(step: f64) -> usize {
    let mut scaled = step.abs();
    for decimals in 0..9 {
        if (scaled - scaled.round()).abs() <= 1e-6 * scaled.max(1e-300) && scaled >= 0.5 {
            return decimals;
        }
        scaled *= 10.0;
    }
    9
}

/// A number with about three significant digits, for read-outs.
pub fn short(value: f64) -> String {
    let size = value.abs();
    let decimals = if size >= 100.0 || size == 0.0 {
        0
    } else if size >= 10.0 {
        1
    } else if size >= 1.0 {
        2
    } else {
        3
    };
    plain(value, decimals)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_read_well() {
        assert_eq!(plain(-3.04, 1), "\u{2212}3.0");
        assert_eq!(plain(-0.04, 1), "0.0");
        assert_eq!(plain(12_345.6, 0), "12\u{a0}346");
        assert_eq!(plain(1234.5, 1), "1234.5");
        assert_eq!(plain(f64::NAN, 1), "–");
        assert_eq!(signed(2.0, 1), "+2.0");
        assert_eq!(coordinate(-0.001), "0");
        assert_eq!(
            [0.05, 0.5, 1.0, 20.0, 2.5].map(decimals_of),
            [2, 1, 0, 0, 1]
        );
    }
}
