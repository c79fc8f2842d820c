//! From values to pixels, with ticks.

use crate::font::{Weight, width};
use crate::number::{decimals_of, plain};

/// Largest number that an axis shows as it is; beyond, the picture would only be labels.
const LARGEST: f64 = 1e15;

/// The range of some values, the finite ones of them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Range {
    pub(crate) lo: f64,
    pub(crate) hi: f64,
}

impl Range {
    /// Nothing yet.
    pub(crate) const NONE: Self = Self {
        lo: f64::INFINITY,
        hi: f64::NEG_INFINITY,
    };

    pub(crate) fn of(values: impl IntoIterator<Item = f64>) -> Self {
        let mut range = Self::NONE;
        for value in values {
            range.include(value);
        }
        range
    }

    pub(crate) fn include(&mut self, value: f64) {
        if value.is_finite() {
            let value = value.clamp(-LARGEST, LARGEST);
            self.lo = self.lo.min(value);
            self.hi = self.hi.max(value);
        }
    }

    /// With a width that can be drawn: something about equal values, 0 to 1 about none.
    pub(crate) fn drawable(self) -> Self {
        if self.lo > self.hi {
            return Self { lo: 0.0, hi: 1.0 };
        }
        let least = 1e-6 * self.lo.abs().max(self.hi.abs()).max(1e-9);
        if self.hi - self.lo >= least {
            return self;
        }
        let margin = (0.05 * self.lo.abs()).max(if self.lo == 0.0 { 0.5 } else { 1e-9 });
        Self {
            lo: self.lo - margin,
            hi: self.hi + margin,
        }
    }

    /// With a little room at both ends.
    pub(crate) fn padded(self) -> Self {
        let range = self.drawable();
        let room = 0.03 * (range.hi - range.lo);
        Self {
            lo: range.lo - room,
            hi: range.hi + room,
        }
    }

    /// Down to 0 where that costs less than a quarter of the height.
    pub(crate) fn with_near_zero(self) -> Self {
        if self.lo > 0.0 && self.lo < 0.3 * self.hi {
            return Self { lo: 0.0, ..self };
        }
        self
    }
}

/// How an axis turns its range into ticks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Ends {
    /// Ends are ticks.
    Round,
    /// Ends are those of the data.
    Exact,
    /// Logarithmic, ends at those of the data.
    Log,
}

/// An axis on the picture.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Scale {
    pub(crate) lo: f64,
    pub(crate) hi: f64,
    pub(crate) ticks: Vec<f64>,
    /// Ticks without a label between decades.
    pub(crate) minor: Vec<f64>,
    pub(crate) log: bool,
    decimals: usize,
    from_px: f64,
    to_px: f64,
}

/// 1, 2 or 5 times a power of ten, near the range over the number of ticks.
fn step_of(range: Range, count: f64) -> f64 {
    let raw = (range.hi - range.lo) / count.max(1.0);
    let power = 10.0_f64.powf(raw.log10().floor());
    let share = raw / power;
    let round = if share < 1.5 {
        1.0
    } else if share < 3.0 {
        2.0
    } else if share < 7.0 {
        5.0
    } else {
        10.0
    };
    round * power
}

fn multiples(range: Range, step: f64) -> Vec<f64> {
    let mut ticks = Vec::new();
    let mut count = (range.lo / step - 1e-9).ceil();
    while count * step <= range.hi + 1e-9 * step && ticks.len() < 200 {
        ticks.push(count * step + 0.0);
        count += 1.0;
    }
    ticks
}

/// Height of the labels of a vertical axis with the gap between them, px.
const LINE_PX: f64 = 18.0;

impl Scale {
    /// An axis from `from_px` to `to_px` with about `count` ticks.
    pub(crate) fn new(range: Range, ends: Ends, count: f64, (from_px, to_px): (f64, f64)) -> Self {
        let range = range.drawable();
        if ends == Ends::Log {
            return Self::log(range, (from_px, to_px));
        }
        let step = step_of(range, count);
        let range = match ends {
            Ends::Round => Range {
                lo: (range.lo / step + 1e-9).floor() * step,
                hi: (range.hi / step - 1e-9).ceil() * step,
            },
            _ => range,
        };
        Self {
            lo: range.lo,
            hi: range.hi,
            ticks: multiples(range, step),
            minor: Vec::new(),
            log: false,
            decimals: decimals_of(step),
            from_px,
            to_px,
        }
    }

    fn log(range: Range, (from_px, to_px): (f64, f64)) -> Self {
        let hi = range.hi.max(1e-12);
        let lo = range.lo.max(hi * 1e-12).min(hi / 1.01);
        let mut scale = Self {
            lo,
            hi,
            ticks: Vec::new(),
            minor: Vec::new(),
            log: true,
            decimals: 0,
            from_px,
            to_px,
        };
        let mut power = lo.log10().floor();
        while power <= hi.log10() {
            for factor in 1..10 {
                let tick = f64::from(factor) * 10.0_f64.powf(power);
                if (lo * 0.999..=hi * 1.001).contains(&tick) {
                    if factor == 1 {
                        scale.ticks.push(tick);
                    } else {
                        scale.minor.push(tick);
                    }
                }
            }
            power += 1.0;
        }
        scale
    }

    /// A horizontal axis: as many ticks as have room for their labels.
    pub(crate) fn horizontal(range: Range, ends: Ends, px: (f64, f64), size: f64) -> Self {
        let room = px.1 - px.0;
        let mut count = (room / 70.0).clamp(1.0, 12.0).floor();
        loop {
            let scale = Self::new(range, ends, count, px);
            let widest = scale
                .ticks
                .iter()
                .map(|t| width(&scale.label(*t), size, Weight::Regular))
                .fold(0.0, f64::max);
            let gap = scale
                .ticks
                .windows(2)
                .map(|w| scale.at(w[1]) - scale.at(w[0]))
                .fold(f64::INFINITY, f64::min);
            if gap >= widest + 10.0 {
                return scale;
            }
            if count <= 1.0 {
                return scale.thinned(widest + 10.0);
            }
            count -= 1.0;
        }
    }

    /// Keeps ticks that lie at least so many px apart.
    fn thinned(mut self, gap: f64) -> Self {
        let mut kept: Vec<f64> = Vec::new();
        for tick in std::mem::take(&mut self.ticks) {
            let far = kept
                .last()
                .is_none_or(|last| (self.at(tick) - self.at(*last)).abs() >= gap);
            if far {
                kept.push(tick);
            } else {
                self.minor.push(tick);
            }
        }
        self.ticks = kept;
        self
    }

    /// A vertical axis, from the bottom up, with ticks as far apart as their labels are high.
    pub(crate) fn vertical(range: Range, ends: Ends, bottom: f64, top: f64) -> Self {
        let count = ((bottom - top) / 38.0).clamp(1.0, 8.0).floor();
        Self::new(range, ends, count, (bottom, top)).thinned(LINE_PX)
    }

    /// Place of a value, px; values outside lie outside.
    pub(crate) fn at(&self, value: f64) -> f64 {
        let share = if self.log {
            (value.max(f64::MIN_POSITIVE).ln() - self.lo.ln()) / (self.hi.ln() - self.lo.ln())
        } else {
            (value - self.lo) / (self.hi - self.lo)
        };
        self.from_px + share * (self.to_px - self.from_px)
    }

    /// Place of a value, px, no farther out than the ends of the axis.
    pub(crate) fn within(&self, value: f64) -> f64 {
        self.at(value.clamp(self.lo, self.hi))
    }

    /// Whether a value lies on the axis.
    pub(crate) fn holds(&self, value: f64) -> bool {
        let slack = 1e-9 * (self.hi - self.lo);
        (self.lo - slack..=self.hi + slack).contains(&value)
    }

    /// Text of a tick.
    pub(crate) fn label(&self, tick: f64) -> String {
        if self.log {
            return log_label(tick);
        }
        plain(tick, self.decimals)
    }

    /// Width of the widest tick label.
    pub(crate) fn label_width(&self, size: f64) -> f64 {
        self.ticks
            .iter()
            .map(|t| width(&self.label(*t), size, Weight::Regular))
            .fold(0.0, f64::max)
    }
}

fn log_label(tick: f64) -> String {
    if (0.99e-4..1e6).contains(&tick) {
        let decimals = decimals_of(tick);
        return plain(tick, decimals);
    }
    format!("{tick:.0e}").replace('-', "\u{2212}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ends_are_round_and_hold_the_data() {
        for (lo, hi) in [
            (0.0, 1.0),
            (-17.3, 1234.5),
            (3.0, 3.0),
            (1e-7, 2e-7),
            (-1e12, 1e12),
        ] {
            let range = Range { lo, hi };
            let scale = Scale::new(range, Ends::Round, 5.0, (0.0, 100.0));
            assert!(scale.lo <= lo && scale.hi >= hi, "{lo} {hi}: {scale:?}");
            assert!((2..=13).contains(&scale.ticks.len()), "{scale:?}");
            assert!(scale.at(lo) >= -1e-6 && scale.at(hi) <= 100.0 + 1e-6);
        }
    }

    #[test]
    fn nothing_and_nonsense_have_an_axis() {
        let none = Range::of([f64::NAN, f64::INFINITY]).drawable();
        assert_eq!(none, Range { lo: 0.0, hi: 1.0 });
        let huge = Range::of([1e300, -1e300]).drawable();
        assert!(huge.lo.is_finite() && huge.hi.is_finite());
    }

    #[test]
    fn decades_are_labelled() {
        let scale = Scale::new(Range { lo: 0.5, hi: 300.0 }, Ends::Log, 5.0, (0.0, 100.0));
        assert_eq!(scale.ticks, [1.0, 10.0, 100.0]);
        assert_eq!(scale.label(0.01), "0.01");
        // ln(10/0.5) / ln(300/0.5) = 0.4683.
        assert!((scale.at(10.0) - 46.83).abs() < 0.01);
    }
}
