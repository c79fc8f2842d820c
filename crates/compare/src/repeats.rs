//! How many repetitions would settle a question.

use settlepoint_stats::two_sample::{Repeats, repeats_for_difference, repeats_for_equivalence};

use crate::design::Layout;

/// Repetitions a side that would settle it at one spread.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RepeatsAtSpread {
    /// Standard deviation of single scores, percent (dB for levels).
    pub spread: f64,
    /// Repetitions on each side; `None` for more than [`MOST`].
    pub repeats: Option<u32>,
}

/// Spreads for which a single repetition's answer is worked out, percent: from a fixed job on a
/// quiet machine to a game played by hand. A judgement, no source.
pub const SPREADS_PCT: [f64; 4] = [0.5, 1.0, 2.0, 4.0];

/// More repetitions than this nobody makes.
pub const MOST: u32 = 10_000;
/// Probability with which the repetitions should settle it.
const POWER: f64 = 0.8;
/// Level of the tests.
const ALPHA: f64 = 0.05;

/// Repetitions on each side (or blocks) at which either a difference or equivalence within
/// `bounds` is found with 80 % probability if the true `effect` is the one seen; `None` for more
/// than [`MOST`]. All in the same unit as `spread`.
pub fn repeats_to_settle(
    effect: f64,
    spread: f64,
    bounds: (f64, f64),
    layout: Layout,
) -> Option<u32> {
    let repeats = match layout {
        Layout::Paired | Layout::Blocked => Repeats::Pairs,
        Layout::Independent | Layout::Single => Repeats::EachSide,
    };
    if !(spread > 0.0 && spread.is_finite()) {
        return None;
    }
    let scaled = (bounds.0 / spread, bounds.1 / spread);
    let different = repeats_for_difference(effect / spread, POWER, ALPHA, repeats);
    let same = repeats_for_equivalence(effect / spread, scaled, POWER, ALPHA, repeats);
    let least = different
        .unwrap_or(f64::INFINITY)
        .min(same.unwrap_or(f64::INFINITY));
    whole(least)
}

/// Whole repetitions, at least the two that any scatter needs.
fn whole(repeats: f64) -> Option<u32> {
    if repeats > f64::from(MOST) {
        return None;
    }
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "between 1 and MOST"
    )]
    let repeats = repeats.ceil() as u32;
    Some(repeats.max(2))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// statsmodels 0.15.0, `TTestIndPower`: an effect of one standard deviation needs 17 a side for
    /// 80 %, of two 6; `TTestPower`: 10 pairs at one.
    #[test]
    fn repeats_as_statsmodels() {
        let none = (-1e-9, 1e-9);
        assert_eq!(
            repeats_to_settle(0.01, 0.01, none, Layout::Independent),
            Some(17)
        );
        assert_eq!(
            repeats_to_settle(-0.02, 0.01, none, Layout::Single),
            Some(6)
        );
        assert_eq!(
            repeats_to_settle(0.01, 0.01, none, Layout::Paired),
            Some(10)
        );
    }

    #[test]
    fn a_difference_of_nothing_is_settled_by_equivalence() {
        let wide = repeats_to_settle(0.0, 0.01, (-0.01, 0.01), Layout::Independent);
        let narrow = repeats_to_settle(0.0, 0.01, (-0.001, 0.001), Layout::Independent);
        assert!(wide < narrow && wide > Some(10), "{wide:?} {narrow:?}");
        assert_eq!(
            repeats_to_settle(0.0, 1.0, (-1e-4, 1e-4), Layout::Independent),
            None
        );
    }
}
