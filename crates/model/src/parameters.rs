//! The parameters of the five models and of one simulated run.

/// One node of the thermal ladder, counted from the die outwards.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LadderNode {
    /// Heat capacity, J/K.
    pub capacity_j_per_k: f64,
    /// Resistance to the next node outwards, K/W. Ignored for the last node, which is joined to
    /// the air by [`Cooling::conductance_w_per_k`].
    pub resistance_k_per_w: f64,
}

/// The thermal model: a ladder (Cauer form) from the die to the air at the intake.
///
/// The last node loses heat to the air through
/// `G(s) = g_nat * sqrt(d) + g_fan * (d * s)^m`, `s` the fan speed as a share of full speed and
/// `d` the air density over [`Cooling::reference_density_kg_m3`].
#[derive(Clone, Debug, PartialEq)]
pub struct Cooling {
    /// 1 to 4 nodes, die first.
    pub nodes: Vec<LadderNode>,
    /// Conductance to air with the fan stopped, W/K.
    pub g_nat_w_per_k: f64,
    /// What the fan adds at full speed, W/K.
    pub g_fan_w_per_k: f64,
    /// Exponent of the fan term.
    pub fan_exponent: f64,
    /// Air density to which the two conductances refer, kg/m³.
    pub reference_density_kg_m3: f64,
    /// Warming of the air at the cooler over the room by other heat, K.
    pub case_offset_k: f64,
}

/// Work rate against watts and temperature, for one workload.
///
/// With the useful power `u = P - P_leak(T) - base_w` and `u_ref` the same at `reference_w` and
/// `reference_c`: `ln(rate / rate_ref) = a x + c x²`, `x = ln(u / u_ref)`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WorkLaw {
    /// Rate at the reference, in the workload's unit per second or score unit.
    pub rate_ref: f64,
    /// Exponent a.
    pub exponent: f64,
    /// Curvature c.
    pub curvature: f64,
}

/// Clock of one core kind against watts: the same form as the work law.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClockLaw {
    /// Clock at the reference, MHz.
    pub clock_ref_mhz: f64,
    /// Exponent.
    pub exponent: f64,
}

/// The package under one workload.
#[derive(Clone, Debug, PartialEq)]
pub struct Package {
    /// Power that the workload draws where no limit acts, at `reference_c`, W.
    pub demand_w: f64,
    /// Power that does no work and does not scale with clocks, W.
    pub base_w: f64,
    /// Leakage at `reference_c`, W; part of `demand_w`.
    pub leak_w: f64,
    /// Growth of leakage, 1/K: `leak_w * exp(beta (T - reference_c))`. The demand grows by as much.
    pub leak_beta_per_k: f64,
    /// Temperature of the reference, °C.
    pub reference_c: f64,
    /// Power of the reference, W.
    pub reference_w: f64,
    /// Factor on the die's resistance for this kind of work (1 for the reference workload).
    pub hot_spot: f64,
    /// Least power to which the firmware can throttle, W.
    pub min_w: f64,
    /// Work law; `None` where no score was given.
    pub work: Option<WorkLaw>,
    /// Clock laws, one a core kind.
    pub clocks: Vec<ClockLaw>,
}

/// How the firmware holds its limits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LimitBehaviour {
    /// The temperature at which it holds, minus the one set, K.
    pub temp_limit_offset_k: f64,
    /// Power held over power set.
    pub power_ratio: f64,
    /// Time constant of the budget average over the one set.
    pub tau_ratio: f64,
    /// A power that is not passed for another reason (current, voltage), W.
    pub other_limit_w: Option<f64>,
}

/// Fan speed against the controlling temperature: straight lines between points, level outside.
#[derive(Clone, Debug, PartialEq)]
pub struct FanCurve {
    /// (temperature °C, speed as a share of full speed), rising in temperature.
    pub points: Vec<(f64, f64)>,
    /// Time constant of the smoothing of the controlling temperature, s.
    pub smoothing_s: f64,
    /// The temperature must fall by this before the speed follows it down, K.
    pub hysteresis_k: f64,
    /// Largest change of speed, share per second; infinite if there is none.
    pub slew_per_s: f64,
}

/// Sound against fan speed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sound {
    /// Level of the fans at full speed, dB(A).
    pub full_speed_dba: f64,
    /// Slope, dB per decade of speed.
    pub k_db_per_decade: f64,
    /// Background, dB(A); `None` for a level of the fans alone.
    pub background_dba: Option<f64>,
}

/// All models of one machine under one workload.
#[derive(Clone, Debug, PartialEq)]
pub struct MachineModel {
    /// Heat.
    pub cooling: Cooling,
    /// Power and work.
    pub package: Package,
    /// Limits.
    pub limits: LimitBehaviour,
    /// Fan.
    pub fan: FanCurve,
    /// Sound, where any level is known.
    pub sound: Option<Sound>,
    /// Full fan speed, rpm, where known.
    pub full_speed_rpm: Option<f64>,
}

/// A tier as simulated: the exponentially weighted average over `window_s` stays at or below
/// `limit_w`; a window of 0 caps at once.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BudgetTier {
    /// Watts.
    pub limit_w: f64,
    /// Window, s.
    pub window_s: f64,
}

/// Fan control of one scenario.
#[derive(Clone, Debug, PartialEq)]
pub enum FanControl {
    /// The machine's curve, not above this share of full speed.
    Curve {
        /// 1 for no ceiling.
        ceiling: f64,
    },
    /// A fixed share of full speed.
    Fixed(f64),
    /// Another curve, not above this share.
    Typed {
        /// The curve.
        curve: FanCurve,
        /// 1 for no ceiling.
        ceiling: f64,
    },
}

/// Where a run starts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Start {
    /// Settled at this power (idle), with every budget average at it.
    SettledAt {
        /// Watts.
        power_w: f64,
    },
    /// Settled under the scenario itself: the run only shows the steady state.
    SteadyState,
}

/// One run to simulate.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// Power tiers, in any order.
    pub tiers: Vec<BudgetTier>,
    /// Temperature limit as set, °C.
    pub temp_limit_c: Option<f64>,
    /// Fans.
    pub fan: FanControl,
    /// Room: (time s, °C) points with straight lines between, level outside; one point for a
    /// constant room.
    pub room: Vec<(f64, f64)>,
    /// Air density over the reference's is taken from this density, kg/m³.
    pub air_density_kg_m3: f64,
    /// Length, s.
    pub duration_s: f64,
    /// Step, s.
    pub step_s: f64,
    /// Start.
    pub start: Start,
}

/// What held the power in a step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum ActingLimit {
    /// A power tier.
    Power,
    /// The temperature limit.
    Temperature,
    /// The work asks for no more.
    Demand,
    /// Current, voltage or unknown.
    Other,
}

impl ActingLimit {
    /// The token in JSON and tables.
    pub const fn token(self) -> &'static str {
        match self {
            Self::Power => "power",
            Self::Temperature => "temperature",
            Self::Demand => "demand",
            Self::Other => "other",
        }
    }
}
