//! Whether a model or a scenario can be simulated at all.

use crate::{Cooling, FanControl, FanCurve, MAX_NODES, MachineModel, Scenario, Start};

/// Why a model or scenario cannot be simulated.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum ModelError {
    /// The ladder has no node or more than four.
    Nodes {
        /// How many.
        nodes: usize,
    },
    /// A number is outside the range in which the model means anything.
    Range {
        /// The field.
        field: &'static str,
        /// Its value.
        value: f64,
        /// What is expected.
        expected: &'static str,
    },
    /// Points of a curve or trace do not rise in temperature or time, or there are none.
    Points {
        /// The field.
        field: &'static str,
        /// The first point out of order, from 0; 0 if there are none.
        index: usize,
    },
}

impl std::fmt::Display for ModelError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Nodes { nodes } => {
                write!(f, "the ladder has {nodes} nodes: give 1 to {MAX_NODES}")
            }
            Self::Range {
                field,
                value,
                expected,
            } => {
                write!(f, "{field} is {value}: give {expected}")
            }
            Self::Points { field, index } => {
                write!(
                    f,
                    "{field}: point {} is out of order or missing; sort the points",
                    index + 1
                )
            }
        }
    }
}

impl std::error::Error for ModelError {}

fn require(
    ok: bool,
    field: &'static str,
    value: f64,
    expected: &'static str,
) -> Result<(), ModelError> {
    if ok {
        Ok(())
    } else {
        Err(ModelError::Range {
            field,
            value,
            expected,
        })
    }
}

fn positive(field: &'static str, value: f64) -> Result<(), ModelError> {
    require(
        value > 0.0 && value.is_finite(),
        field,
        value,
        "a number above 0",
    )
}

fn not_negative(field: &'static str, value: f64) -> Result<(), ModelError> {
    require(
        value >= 0.0 && value.is_finite(),
        field,
        value,
        "a number from 0",
    )
}

fn finite(field: &'static str, value: f64) -> Result<(), ModelError> {
    require(value.is_finite(), field, value, "a finite number")
}

fn rising(field: &'static str, points: &[(f64, f64)]) -> Result<(), ModelError> {
    let bad = |i: usize| {
        let (x, y) = points[i];
        !x.is_finite() || !y.is_finite() || (i > 0 && x < points[i - 1].0)
    };
    if points.is_empty() {
        return Err(ModelError::Points { field, index: 0 });
    }
    (0..points.len())
        .find(|&i| bad(i))
        .map_or(Ok(()), |index| Err(ModelError::Points { field, index }))
}

impl Cooling {
    /// Checks that the ladder and the conductance can be evaluated.
    ///
    /// # Errors
    /// The first field that is out of range.
    pub fn check(&self) -> Result<(), ModelError> {
        let nodes = self.nodes.len();
        if nodes == 0 || nodes > MAX_NODES {
            return Err(ModelError::Nodes { nodes });
        }
        for (i, node) in self.nodes.iter().enumerate() {
            positive("capacity_j_per_k", node.capacity_j_per_k)?;
            if i + 1 < nodes {
                positive("resistance_k_per_w", node.resistance_k_per_w)?;
            }
        }
        not_negative("g_nat_w_per_k", self.g_nat_w_per_k)?;
        not_negative("g_fan_w_per_k", self.g_fan_w_per_k)?;
        positive(
            "g_nat_w_per_k + g_fan_w_per_k",
            self.g_nat_w_per_k + self.g_fan_w_per_k,
        )?;
        not_negative("fan_exponent", self.fan_exponent)?;
        positive("reference_density_kg_m3", self.reference_density_kg_m3)?;
        finite("case_offset_k", self.case_offset_k)
    }
}

impl FanCurve {
    /// Checks points and times.
    ///
    /// # Errors
    /// The first field that is out of range.
    pub fn check(&self) -> Result<(), ModelError> {
        rising("fan points", &self.points)?;
        not_negative("smoothing_s", self.smoothing_s)?;
        not_negative("hysteresis_k", self.hysteresis_k)?;
        require(
            self.slew_per_s > 0.0,
            "slew_per_s",
            self.slew_per_s,
            "a number above 0, or infinity",
        )
    }
}

impl MachineModel {
    /// Checks that the model can be simulated.
    ///
    /// # Errors
    /// The first field that is out of range.
    pub fn check(&self) -> Result<(), ModelError> {
        self.cooling.check()?;
        self.fan.check()?;
        let p = &self.package;
        not_negative("demand_w", p.demand_w)?;
        finite("base_w", p.base_w)?;
        not_negative("leak_w", p.leak_w)?;
        not_negative("leak_beta_per_k", p.leak_beta_per_k)?;
        finite("reference_c", p.reference_c)?;
        finite("reference_w", p.reference_w)?;
        positive("hot_spot", p.hot_spot)?;
        not_negative("min_w", p.min_w)?;
        if p.work.is_some() {
            positive("useful power at the reference", p.useful_ref_w())?;
        }
        finite("temp_limit_offset_k", self.limits.temp_limit_offset_k)?;
        positive("power_ratio", self.limits.power_ratio)?;
        positive("tau_ratio", self.limits.tau_ratio)
    }
}

/// More steps than a month of seconds is a slip of the pen.
const MAX_STEPS: f64 = 3e6;

impl Scenario {
    /// Checks that the scenario can be simulated.
    ///
    /// # Errors
    /// The first field that is out of range.
    pub fn check(&self) -> Result<(), ModelError> {
        for tier in &self.tiers {
            require(
                tier.limit_w > 0.0,
                "limit_w",
                tier.limit_w,
                "a number above 0",
            )?;
            not_negative("window_s", tier.window_s)?;
        }
        if let Some(limit_c) = self.temp_limit_c {
            finite("temp_limit_c", limit_c)?;
        }
        match &self.fan {
            FanControl::Curve { ceiling } => not_negative("fan ceiling", *ceiling)?,
            FanControl::Fixed(share) => not_negative("fixed fan share", *share)?,
            FanControl::Typed { curve, ceiling } => {
                curve.check()?;
                not_negative("fan ceiling", *ceiling)?;
            }
        }
        rising("room", &self.room)?;
        positive("air_density_kg_m3", self.air_density_kg_m3)?;
        positive("duration_s", self.duration_s)?;
        positive("step_s", self.step_s)?;
        let steps = self.duration_s / self.step_s;
        require(
            steps <= MAX_STEPS,
            "duration_s / step_s",
            steps,
            "at most 3 million steps",
        )?;
        match self.start {
            Start::SettledAt { power_w } => not_negative("start power_w", power_w),
            Start::SteadyState => Ok(()),
        }
    }
}
