//! Numbers inside sentences.

use settlepoint_domain::Estimate;

/// With this many decimals; what rounds to 0 has no sign.
pub(crate) fn plain(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(digits) if digits.chars().all(|c| c == '0' || c == '.') => digits.to_owned(),
        _ => text,
    }
}

/// With its sign, always.
pub(crate) fn signed(value: f64, decimals: usize) -> String {
    let text = plain(value, decimals);
    if text.starts_with('-') {
        text
    } else {
        format!("+{text}")
    }
}

/// "69.4 (67.8 to 71.1)".
pub(crate) fn span(e: Estimate, decimals: usize) -> String {
    format!(
        "{} ({} to {})",
        plain(e.value, decimals),
        plain(e.lo, decimals),
        plain(e.hi, decimals)
    )
}

/// "+2.1 (-0.3 to +4.6)".
pub(crate) fn signed_span(e: Estimate, decimals: usize) -> String {
    format!(
        "{} ({} to {})",
        signed(e.value, decimals),
        signed(e.lo, decimals),
        signed(e.hi, decimals)
    )
}

/// The size of a difference whose side the sentence tells: "9 % (6 to 12)".
pub(crate) fn size(e: Estimate, decimals: usize, unit: &str) -> String {
    let (lo, hi) = if e.value < 0.0 {
        (-e.hi, -e.lo)
    } else {
        (e.lo, e.hi)
    };
    format!(
        "{} {unit} ({} to {})",
        plain(e.value.abs(), decimals),
        plain(lo, decimals),
        plain(hi, decimals)
    )
}

/// "a", "a and b", "a, b and c".
pub(crate) fn and(words: &[String]) -> String {
    match words {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// With a capital.
pub(crate) fn capital(text: &str) -> String {
    let mut rest = text.chars();
    rest.next().map_or_else(String::new, |c| {
        format!("{}{}", c.to_uppercase(), rest.as_str())
    })
}

#[cfg(test)]
mod tests {
    use settlepoint_domain::Basis;

    use super::*;

    #[test]
    fn signs_and_lists() {
        let e = Estimate {
            value: -9.04,
            lo: -12.2,
            hi: -6.0,
            basis: Basis::Measured,
        };
        assert_eq!(size(e, 0, "%"), "9 % (6 to 12)");
        assert_eq!(signed_span(e, 1), "-9.0 (-12.2 to -6.0)");
        assert_eq!(signed(-0.04, 1), "+0.0");
        assert_eq!(and(&["a".into(), "b".into(), "c".into()]), "a, b and c");
        assert_eq!(capital("hotter"), "Hotter");
    }
}
