//! Numbers in plain text: terminals, sentences, files.

use settlepoint_domain::Estimate;

/// A number with this many decimals; what rounds to 0 has no sign, what is no number is "-".
pub fn fixed(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return "-".to_owned();
    }
    if value.abs() >= 1e12 {
        return format!("{value:.3e}");
    }
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(digits) if digits.chars().all(|c| c == '0' || c == '.') => digits.to_owned(),
        _ => text,
    }
}

/// The same with its sign, always; nothing is "+0.0" on either side of zero.
pub fn signed(value: f64, decimals: usize) -> String {
    let text = fixed(value, decimals);
    if text.starts_with('-') {
        text
    } else {
        format!("+{text}")
    }
}

/// "81.2 (79.9 to 82.6)" with this many decimals.
pub fn span(e: Estimate, decimals: usize) -> String {
    format!(
        "{} ({} to {})",
        fixed(e.value, decimals),
        fixed(e.lo, decimals),
        fixed(e.hi, decimals)
    )
}

/// With a capital.
pub fn capital(text: &str) -> String {
    let mut rest = text.chars();
    rest.next().map_or_else(String::new, |first| {
        format!("{}{}", first.to_uppercase(), rest.as_str())
    })
}

/// A line each, with a dash before it.
pub fn bullets(lines: &[impl std::fmt::Display]) -> String {
    lines.iter().map(|line| format!("  - {line}\n")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_rounds_to_nothing_has_no_sign() {
        assert_eq!(fixed(-0.04, 1), "0.0");
        assert_eq!(fixed(-0.06, 1), "-0.1");
        assert_eq!(fixed(f64::NAN, 1), "-");
        assert_eq!(signed(-0.04, 1), "+0.0");
        assert_eq!(signed(-0.06, 1), "-0.1");
        assert_eq!(bullets(&["a", "b"]), "  - a\n  - b\n");
    }
}
