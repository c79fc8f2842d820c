//! Fans: speed against temperature, with smoothing, hysteresis and slew as state; conductance and
//! level against speed stand with the cooling and the sound.

use crate::{Cooling, FanControl, FanCurve, MachineModel};

impl FanCurve {
    /// Share of full speed at a controlling temperature: straight lines between the points, level
    /// outside; 0 without points. Of two points at one temperature the later one counts from there
    /// on.
    pub fn share_at(&self, temp_c: f64) -> f64 {
        let after = self.points.partition_point(|p| p.0 <= temp_c);
        let below = after.checked_sub(1).and_then(|i| self.points.get(i));
        match (below, self.points.get(after)) {
            (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (temp_c - a.0) / (b.0 - a.0),
            (Some(a), None) => a.1,
            (None, Some(b)) => b.1,
            (None, None) => 0.0,
        }
    }

    /// Highest share anywhere on the curve.
    pub fn max_share(&self) -> f64 {
        self.points.iter().map(|p| p.1).fold(0.0, f64::max)
    }
}

impl Cooling {
    /// Conductance from the last node to the air, W/K, at a share of full fan speed and an air
    /// density: `g_nat sqrt(d) + g_fan (d s)^m`, `d` the density over the reference's.
    ///
    /// The exponent of the fan term is the Reynolds exponent of the convection correlation, so
    /// density enters with it; laminar free convection goes with the Grashof number to the 1/4,
    /// hence with the square root of density (VDI Heat Atlas, parts F2 and G).
    pub fn conductance_w_per_k(&self, fan_share: f64, air_density_kg_m3: f64) -> f64 {
        let d = air_density_kg_m3 / self.reference_density_kg_m3;
        let fan = if fan_share > 0.0 {
            self.g_fan_w_per_k * (d * fan_share).powf(self.fan_exponent)
        } else {
            0.0
        };
        self.g_nat_w_per_k * d.sqrt() + fan
    }
}

/// The curve and ceiling that a scenario's control comes to.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Control<'a> {
    pub(crate) curve: Option<&'a FanCurve>,
    /// Ceiling, or the fixed share.
    pub(crate) ceiling: f64,
}

impl<'a> Control<'a> {
    pub(crate) fn of(model: &'a MachineModel, fan: &'a FanControl) -> Self {
        match fan {
            FanControl::Curve { ceiling } => Self {
                curve: Some(&model.fan),
                ceiling: *ceiling,
            },
            FanControl::Fixed(share) => Self {
                curve: None,
                ceiling: *share,
            },
            FanControl::Typed { curve, ceiling } => Self {
                curve: Some(curve),
                ceiling: *ceiling,
            },
        }
    }

    /// Share at a controlling temperature.
    pub(crate) fn share(&self, temp_c: f64) -> f64 {
        self.curve
            .map_or(self.ceiling, |c| c.share_at(temp_c).min(self.ceiling))
            .max(0.0)
    }

    /// Highest share that can occur.
    pub(crate) fn max_share(&self) -> f64 {
        self.curve
            .map_or(self.ceiling, |c| c.max_share().min(self.ceiling))
            .max(0.0)
    }

    /// Lowest share that can occur, stopped fans included.
    pub(crate) fn min_share(&self) -> f64 {
        self.curve
            .map_or(self.ceiling, |c| {
                c.points
                    .iter()
                    .map(|p| p.1)
                    .fold(f64::INFINITY, f64::min)
                    .min(self.ceiling)
            })
            .max(0.0)
    }

    /// How far a falling temperature leaves the speed behind, K.
    pub(crate) fn hysteresis_k(&self) -> f64 {
        self.curve.map_or(0.0, |c| c.hysteresis_k.max(0.0))
    }
}

/// Fan control in time: smoothed temperature, the temperature that the speed follows, the speed.
///
/// Smoothing is a first-order lag, exact for a temperature that changes linearly over the step.
/// Hysteresis is a backlash (play): the followed temperature rises with the smoothed one and falls
/// only once that has fallen by `hysteresis_k`, then keeping that distance. The state matters: a
/// boost leaves the fan faster than the settled temperature alone would.
#[derive(Clone, Copy, Debug)]
pub(crate) struct FanState {
    pub(crate) smoothed_c: f64,
    pub(crate) followed_c: f64,
    pub(crate) share: f64,
    /// The factors of one step length.
    factors: StepFactors,
    /// The stretch of the curve last used.
    line: Line,
}

/// A straight stretch of a curve, with its ceiling applied by the caller.
#[derive(Clone, Copy, Debug)]
struct Line {
    from_c: f64,
    to_c: f64,
    /// Share at 0 °C if the stretch went on.
    at_zero: f64,
    slope: f64,
}

impl Line {
    /// No stretch: no temperature lies in it.
    const NONE: Self = Self {
        from_c: f64::NAN,
        to_c: f64::NAN,
        at_zero: 0.0,
        slope: 0.0,
    };

    /// The stretch around a temperature.
    fn around(curve: &FanCurve, temp_c: f64) -> Self {
        let after = curve.points.partition_point(|p| p.0 <= temp_c);
        let below = after.checked_sub(1).and_then(|i| curve.points.get(i));
        let level = |from_c, to_c, share| Self {
            from_c,
            to_c,
            at_zero: share,
            slope: 0.0,
        };
        match (below, curve.points.get(after)) {
            (Some(a), Some(b)) => {
                let slope = (b.1 - a.1) / (b.0 - a.0);
                Self {
                    from_c: a.0,
                    to_c: b.0,
                    at_zero: a.1 - slope * a.0,
                    slope,
                }
            }
            (Some(a), None) => level(a.0, f64::INFINITY, a.1),
            (None, Some(b)) => level(f64::NEG_INFINITY, b.0, b.1),
            (None, None) => Self::NONE,
        }
    }
}

/// The lower of two numbers in one instruction, which the library's, with its care for NaN, is not.
#[inline]
pub(crate) fn lower(a: f64, b: f64) -> f64 {
    if b < a { b } else { a }
}

/// The higher of two numbers.
#[inline]
pub(crate) fn higher(a: f64, b: f64) -> f64 {
    if b > a { b } else { a }
}

#[derive(Clone, Copy, Debug)]
struct StepFactors {
    dt: f64,
    /// Weights of the smoothed temperature and of the die's at both ends of the step.
    decay: f64,
    after: f64,
    before: f64,
    max_change: f64,
    hysteresis_k: f64,
}

impl FanState {
    /// Settled at a temperature.
    pub(crate) fn settled(control: &Control<'_>, temp_c: f64) -> Self {
        Self {
            smoothed_c: temp_c,
            followed_c: temp_c,
            share: control.share(temp_c),
            factors: StepFactors {
                dt: f64::NAN,
                decay: 0.0,
                after: 1.0,
                before: 0.0,
                max_change: f64::INFINITY,
                hysteresis_k: control.hysteresis_k(),
            },
            line: Line::NONE,
        }
    }

    /// The same temperatures and speed under a control that may be another one.
    pub(crate) fn under(self, control: &Control<'_>) -> Self {
        Self {
            smoothed_c: self.smoothed_c,
            followed_c: self.followed_c,
            share: self.share,
            ..Self::settled(control, self.followed_c)
        }
    }

    fn set_step(&mut self, curve: &FanCurve, dt: f64) {
        let lag_s = curve.smoothing_s;
        let (decay, lag) = if lag_s > 0.0 {
            ((-dt / lag_s).exp(), lag_s / dt)
        } else {
            (0.0, 0.0)
        };
        self.factors = StepFactors {
            dt,
            decay,
            after: 1.0 - lag * (1.0 - decay),
            before: lag * (1.0 - decay) - decay,
            max_change: curve.slew_per_s.max(0.0) * dt,
            ..self.factors
        };
    }

    /// Follows the die from `before_c` to `after_c` over a step.
    #[inline]
    pub(crate) fn follow(&mut self, control: &Control<'_>, before_c: f64, after_c: f64, dt: f64) {
        let Some(curve) = control.curve else { return };
        if self.factors.dt.to_bits() != dt.to_bits() {
            self.set_step(curve, dt);
        }
        let f = &self.factors;
        self.smoothed_c = (self.smoothed_c * f.decay + before_c * f.before) + after_c * f.after;
        let upper = self.smoothed_c + f.hysteresis_k;
        self.followed_c = higher(self.smoothed_c, lower(self.followed_c, upper));
        let at_c = self.followed_c;
        if !(at_c >= self.line.from_c && at_c < self.line.to_c) {
            self.line = Line::around(curve, at_c);
        }
        let on_line = self.line.at_zero + self.line.slope * at_c;
        let target = higher(0.0, lower(on_line, control.ceiling));
        let (least, most) = (self.share - f.max_change, self.share + f.max_change);
        self.share = higher(least, lower(target, most));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curve() -> FanCurve {
        FanCurve {
            points: vec![(0.0, 0.0), (100.0, 1.0)],
            smoothing_s: 5.0,
            hysteresis_k: 3.0,
            slew_per_s: f64::INFINITY,
        }
    }

    #[test]
    fn smoothing_is_exact_for_a_ramp_at_any_step() {
        let curve = curve();
        let control = Control {
            curve: Some(&curve),
            ceiling: 1.0,
        };
        for dt in [0.1, 1.0, 7.0, 60.0] {
            let mut state = FanState::settled(&control, 40.0);
            let mut time_s = 0.0;
            while time_s < 100.0 {
                state.follow(
                    &control,
                    40.0 + 0.2 * time_s,
                    40.0 + 0.2 * (time_s + dt),
                    dt,
                );
                time_s += dt;
            }
            // A first-order lag behind a ramp r: r tau (1 - exp(-t/tau)).
            let expected_c = 40.0 + 0.2 * time_s + 0.2 * 5.0 * (-time_s / 5.0_f64).exp_m1();
            assert!((state.smoothed_c - expected_c).abs() < 1e-9);
        }
    }

    #[test]
    fn a_falling_temperature_must_fall_by_the_hysteresis_first() {
        let curve = FanCurve {
            smoothing_s: 0.0,
            ..curve()
        };
        let control = Control {
            curve: Some(&curve),
            ceiling: 0.9,
        };
        let mut state = FanState::settled(&control, 50.0);
        let mut share = |before_c, after_c| {
            state.follow(&control, before_c, after_c, 1.0);
            state.share
        };
        for (before_c, after_c, expected) in [
            (50.0, 60.0, 0.60),
            (60.0, 58.0, 0.60),
            (58.0, 57.0, 0.60),
            (57.0, 55.0, 0.58),
            (55.0, 56.0, 0.58),
            (56.0, 59.0, 0.59),
            (59.0, 99.0, 0.90),
        ] {
            assert!((share(before_c, after_c) - expected).abs() < 1e-12);
        }
    }
}
