use std::fmt;

use crate::Id;

/// A limit as the owner knows it: unknown, automatic and unlimited are three values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum LimitValue {
    /// Nobody wrote it down.
    Unknown,
    /// The firmware decides.
    Automatic,
    /// Set so high that it never acts.
    Unlimited,
    /// This value.
    Value(f64),
}

impl LimitValue {
    /// The number, if there is one.
    pub fn value(self) -> Option<f64> {
        match self {
            Self::Value(v) => Some(v),
            _ => None,
        }
    }
}

impl fmt::Display for LimitValue {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unknown => f.write_str("unknown"),
            Self::Automatic => f.write_str("automatic"),
            Self::Unlimited => f.write_str("unlimited"),
            Self::Value(v) => write!(f, "{v}"),
        }
    }
}

/// One tier of the power limits: the average over `window_s` may not stay above `limit_w`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tier {
    /// Watts.
    pub limit_w: f64,
    /// Time constant of the exponentially weighted average, s; 0 acts at once.
    pub window_s: f64,
}

/// How the fans are driven.
#[derive(Clone, Debug, PartialEq)]
pub enum FanSetting {
    /// As the machine does it; what that is, is fitted.
    AsFitted,
    /// As fitted, but never above this speed, rpm.
    Ceiling(f64),
    /// One speed, rpm.
    Fixed(f64),
    /// Typed points of the curve: controlling temperature °C, speed rpm; rising in both.
    Curve(Vec<(f64, f64)>),
}

/// Limits, temperature limit and fans: what a run is made under and what is to be chosen.
#[derive(Clone, Debug, PartialEq)]
pub struct Setting {
    /// Identity.
    pub id: Id,
    /// Label.
    pub name: String,
    /// Sustained power limit, W.
    pub pl1_w: LimitValue,
    /// Short-time power limit, W.
    pub pl2_w: LimitValue,
    /// Averaging window of the sustained limit, s.
    pub tau_s: LimitValue,
    /// Temperature limit, °C.
    pub temp_limit_c: LimitValue,
    /// Tiers beyond these two.
    pub more_tiers: Vec<Tier>,
    /// Fans.
    pub fan: FanSetting,
}

/// Why limits make no sense.
#[derive(Clone, Debug, PartialEq)]
pub struct SettingError {
    /// The field.
    pub field: &'static str,
    /// The value given.
    pub value: f64,
    /// What is expected, and what to do.
    pub expected: String,
}

impl fmt::Display for SettingError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} is {}: expected {}",
            self.field, self.value, self.expected
        )
    }
}

impl std::error::Error for SettingError {}

impl Setting {
    /// Checks that each given number can be a limit at all. PL2 below PL1 is no error: real
    /// firmware allows it, and the review reports it.
    ///
    /// # Errors
    /// The first field that cannot be.
    pub fn check(&self) -> Result<(), SettingError> {
        let range = |field, limit: LimitValue, lo: f64, hi: f64, unit: &str| match limit.value() {
            Some(v) if !(lo..=hi).contains(&v) => Err(SettingError {
                field,
                value: v,
                expected: format!("a value from {lo} to {hi} {unit}"),
            }),
            _ => Ok(()),
        };
        range("pl1_w", self.pl1_w, 0.1, 5000.0, "W")?;
        range("pl2_w", self.pl2_w, 0.1, 5000.0, "W")?;
        range("tau_s", self.tau_s, 0.0, 86_400.0, "s")?;
        range("temp_limit_c", self.temp_limit_c, 0.0, 200.0, "°C")?;
        for tier in &self.more_tiers {
            range("limit_w", LimitValue::Value(tier.limit_w), 0.1, 5000.0, "W")?;
            range(
                "window_s",
                LimitValue::Value(tier.window_s),
                0.0,
                86_400.0,
                "s",
            )?;
        }
        Ok(())
    }
}
