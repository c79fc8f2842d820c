//! Counts in words.

/// "1 row" or "3 rows".
pub(crate) fn counted(count: usize, thing: &str) -> String {
    let ending = if count == 1 { "" } else { "s" };
    format!("{count} {thing}{ending}")
}

/// Seconds with the digits that count: none behind the point for a log of weeks.
pub(crate) fn seconds(value: f64) -> String {
    if (1e6..1e12).contains(&value.abs()) {
        format!("{value:.0}")
    } else {
        crate::clock::brief(value)
    }
}

/// The verb's form for a count: "differs" for one, "differ" for more.
pub(crate) fn verb(count: usize, one: &'static str, more: &'static str) -> &'static str {
    if count == 1 { one } else { more }
}

/// "once", "twice" or "3 times".
pub(crate) fn times(count: usize) -> String {
    match count {
        1 => "once".to_owned(),
        2 => "twice".to_owned(),
        n => format!("{n} times"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_is_no_plural() {
        assert_eq!(counted(1, "cell"), "1 cell");
        assert_eq!(counted(0, "cell"), "0 cells");
        assert_eq!(seconds(6_808_200.0), "6808200");
        assert_eq!(seconds(34.0594), "34.059");
        assert_eq!(times(1), "once");
        assert_eq!(times(3), "3 times");
        assert_eq!(verb(1, "is", "are"), "is");
    }
}
