//! Numbers inside sentences.

use settlepoint_domain::Estimate;

pub(crate) use crate::text::{capital, fixed as plain, signed, span};

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
