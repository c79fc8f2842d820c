//! Which parameters a fit has, with their priors, and how a vector of them becomes a machine.

use std::collections::HashMap;

use settlepoint_domain::{Direction, LimitValue, PhaseKind};
use settlepoint_model::{
    ClockLaw, Cooling, FanCurve, LadderNode, LimitBehaviour, MachineModel, Package, Sound, WorkLaw,
    air_density_kg_m3,
};

use crate::evidence::{Evidence, RunEvidence};
use crate::fit::InferError;
use crate::posterior::observations;
use crate::prior::{Prior, PriorChange, Scale};

/// Temperature at which leakage and demand are stated, °C.
pub const REFERENCE_C: f64 = 70.0;
/// Growth of leakage with temperature, 1/K. Judgement: leakage doubles in 40 to 50 K.
const LEAK_BETA_PER_K: f64 = 0.016;
/// Straight pieces of the fan curve between its floor and its ceiling.
const FAN_PIECES: usize = 6;
/// Standard deviations of the logarithm of the factors on errors. Judgement: sensors of one kind
/// differ by half.
const OWN_ERROR_SD: f64 = 0.5;
const SHARED_ERROR_SD: f64 = 0.45;
/// Least power to which a package throttles, as a share of the reference. Common practice.
const MIN_POWER_SHARE: f64 = 0.03;
/// Shares of die, paste and base in the resistance between die and fins, and capacities in J/K of
/// die, lid, base and fins for a total of [`NOMINAL_K_PER_W`]. Judgement: middles of ranges for
/// desktop coolers; the two time parameters move them.
const DIE_SIDE: [f64; 3] = [0.37, 0.37, 0.26];
const NOMINAL_J_PER_K: [f64; 4] = [1.6, 35.0, 120.0, 400.0];
const NOMINAL_K_PER_W: f64 = 0.27;
const NOMINAL_DIE_SHARE: f64 = 0.525;

/// A kind of reading whose errors have one factor in common.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum ErrorKind {
    /// Watts.
    Power,
    /// Temperatures.
    Temperature,
    /// Fan speeds.
    FanSpeed,
    /// Levels.
    Level,
    /// Clocks.
    Clock,
    /// Scores.
    Score,
    /// Lengths of boosts.
    BoostLength,
}

impl ErrorKind {
    /// All kinds, in the order of their discriminants.
    pub const ALL: [Self; 7] = [
        Self::Power,
        Self::Temperature,
        Self::FanSpeed,
        Self::Level,
        Self::Clock,
        Self::Score,
        Self::BoostLength,
    ];

    const fn name(self) -> &'static str {
        match self {
            Self::Power => "power",
            Self::Temperature => "temperature",
            Self::FanSpeed => "fan_speed",
            Self::Level => "level",
            Self::Clock => "clock",
            Self::Score => "score",
            Self::BoostLength => "boost_length",
        }
    }
}

/// A part of the errors of one kind of reading, which has one factor.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ErrorPart {
    /// Of what.
    pub kind: ErrorKind,
    /// What all readings of the kind in a run have in common; otherwise each reading's own.
    pub shared: bool,
}

/// A parameter's place in the models.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Key {
    /// Rise over the intake at stock watts and full fan, K.
    RiseAtStock,
    /// Share of the die side (die, paste, base) in it.
    DieShare,
    /// Conductance to air with stopped fan over that at full fan.
    NaturalShare,
    /// Exponent of the fan term.
    FanExponent,
    /// Air at the cooler over the room, K.
    CaseOffset,
    /// Warming of the air at the cooler by the package's own heat, K/W.
    IntakeWarming,
    /// How slowly that follows the power, s.
    IntakeTime,
    /// Factor on the capacities of base and fins.
    SlowTime,
    /// Factor on the capacities of die and lid.
    FastTime,
    /// Smooth error of K/W along ln watts, ln speed, and their product.
    Discrepancy(u8),
    /// Size of that error for each factor e.
    DiscrepancyScale,
    /// Growth of the die's resistance with the share of demand that is drawn.
    HotSpotSlope,
    /// Power a workload draws unlimited at [`REFERENCE_C`], W.
    Demand(usize),
    /// Share of demand that does no work.
    BaseShare,
    /// Share of leakage in demand at [`REFERENCE_C`].
    LeakShare,
    /// Held temperature minus the limit, K.
    LimitOffset,
    /// Power held over power set.
    PowerRatio,
    /// Averaging time constant over the one set.
    TauRatio,
    /// Averaging time constant where a run did not note it, s.
    UnknownTau,
    /// Power before the load, W.
    IdlePower,
    /// Temperature at which the fan leaves its floor, °C.
    FanStart,
    /// Kelvins from there to full speed.
    FanWidth,
    /// Floor as a share of full speed.
    FanFloor,
    /// Kelvins by which the temperature must fall before the fan follows.
    FanHysteresis,
    /// Smoothing of the temperature that the fan sees, s.
    FanSmoothing,
    /// Share of the climb in each piece, before normalisation.
    FanPiece(u8),
    /// Full speed, rpm.
    FanFull,
    /// Level at full speed, dB(A).
    SoundFull,
    /// dB per decade of speed.
    SoundSlope,
    /// True background minus the one noted, dB.
    BackgroundOffset,
    /// Work rate at the reference.
    Rate(usize),
    /// Work exponent.
    Exponent(usize),
    /// Work curvature.
    Curvature(usize),
    /// Factor on the die's resistance against the first workload.
    HotSpot(usize),
    /// Clock of a core kind at the reference, MHz.
    Clock(u8),
    /// Its exponent.
    ClockExponent(u8),
    /// Room of a run that did not note it, °C.
    Room(usize),
    /// Factor on a part of the errors of one kind of reading.
    ErrorScale(ErrorPart),
}

/// The parameters of one fit, in the order of the vector.
#[derive(Clone, Debug)]
pub struct Layout {
    keys: Vec<Key>,
    priors: Vec<Prior>,
    places: HashMap<Key, usize>,
    /// Watts to which rises and work refer.
    pub stock_w: f64,
    /// Air density to which the conductances refer, kg/m³.
    pub reference_density_kg_m3: f64,
    /// Reference watts of each workload; `None` where its demand serves.
    reference_w: Vec<Option<f64>>,
    background_dba: Option<f64>,
    /// The workload that draws most.
    heaviest: usize,
    /// Errors that there are: their scales are the last parameters.
    error_parts: Vec<ErrorPart>,
}

impl Layout {
    /// The parameters that `evidence` calls for.
    pub fn new(evidence: &Evidence) -> Self {
        let stock_w = evidence
            .highest_power_w(None)
            .or(evidence.highest_limit_w())
            .unwrap_or(100.0);
        let altitude_m = evidence.runs.iter().map(|r| r.altitude_m).sum::<f64>()
            / evidence.runs.len().max(1) as f64;
        let mut layout = Self {
            keys: Vec::new(),
            priors: Vec::new(),
            places: HashMap::new(),
            stock_w,
            reference_density_kg_m3: air_density_kg_m3(25.0, altitude_m),
            reference_w: (0..evidence.workloads.len())
                .map(|w| evidence.highest_power_w(Some(w)))
                .collect(),
            heaviest: 0,
            error_parts: Vec::new(),
            background_dba: evidence
                .runs
                .iter()
                .flat_map(|r| &r.windows)
                .find_map(|w| w.background_dba),
        };
        layout.heaviest = heaviest(evidence);
        layout.add_thermal();
        layout.add_package(evidence);
        layout.add_limits(evidence);
        layout.add_fan(evidence);
        layout.add_sound(evidence);
        layout.add_rooms(evidence);
        layout.add_errors(evidence);
        layout
    }

    fn add(
        &mut self,
        key: Key,
        name: &str,
        scale: Scale,
        centre: f64,
        sd: f64,
        reason: &'static str,
    ) {
        self.places.insert(key, self.keys.len());
        self.keys.push(key);
        self.priors
            .push(Prior::new(name, scale, centre, sd, reason));
    }

    fn add_thermal(&mut self) {
        use Scale::{Linear, Log, Logit};
        self.add(
            Key::RiseAtStock,
            "rise_at_stock_k",
            Log,
            75.0,
            0.35,
            "coolers are sized for their package: stock power near the temperature limit",
        );
        self.add(
            Key::DieShare,
            "die_share",
            Logit,
            0.525,
            0.7,
            "half of the rise lies in die, paste and base, give or take a fifth",
        );
        self.add(
            Key::NaturalShare,
            "natural_share",
            Log,
            0.08,
            0.8,
            "free convection and radiation against full fan, handbook correlations",
        );
        self.add(
            Key::FanExponent,
            "fan_exponent",
            Linear,
            0.58,
            0.20,
            "laminar plate 0.5, channels and fins 0.1 to 0.8 (VDI Heat Atlas correlations); air that \
             turns back at low speed steepens it (judgement)",
        );
        self.add(
            Key::CaseOffset,
            "case_offset_k",
            Linear,
            1.0,
            1.0,
            "air at the cooler is a little warmer than the room",
        );
        self.add(
            Key::IntakeWarming,
            "intake_k_per_w",
            Log,
            0.010,
            0.7,
            "air at 20 to 60 L/s through a case warms by 0.015 to 0.04 K/W (first law); a third to a \
             half of that reaches the cooler (judgement)",
        );
        self.add(
            Key::IntakeTime,
            "intake_time_s",
            Log,
            300.0,
            0.6,
            "sheet metal and boards of a case hold 3 to 6 kJ/K against some 15 W/K of air flow \
             (judgement)",
        );
        self.add(
            Key::SlowTime,
            "slow_time_factor",
            Log,
            1.22,
            0.4,
            "mass of base and fins varies by half at equal resistance",
        );
        self.add(
            Key::FastTime,
            "fast_time_factor",
            Log,
            1.22,
            0.4,
            "mass of die and lid varies by half at equal resistance",
        );
        self.add_discrepancy();
    }

    fn add_discrepancy(&mut self) {
        use Scale::{Linear, Log};
        for (i, name) in ["along_watts", "along_speed", "along_both"]
            .into_iter()
            .enumerate()
        {
            #[expect(clippy::cast_possible_truncation, reason = "three")]
            self.add(
                Key::Discrepancy(i as u8),
                &format!("discrepancy_{name}"),
                Linear,
                0.0,
                1.0,
                "the ladder is not the truth: K/W drifts outside what was measured, by this many \
                 of the discrepancy's scale for each factor e",
            );
        }
        self.add(
            Key::DiscrepancyScale,
            "discrepancy_scale",
            Log,
            0.025,
            0.5,
            "2.5 % for each factor e (simulation study, no published source), give or take a half",
        );
        self.add(
            Key::HotSpotSlope,
            "hot_spot_slope",
            Linear,
            0.03,
            0.08,
            "what the fabric draws heats other spots than the cores and does not grow with the load, \
             so the die's resistance grows by a few hundredths up to full demand (judgement)",
        );
    }

    fn add_package(&mut self, evidence: &Evidence) {
        use Scale::{Linear, Log};
        let first = self.heaviest;
        for (w, workload) in evidence.workloads.iter().enumerate() {
            // Idle use without a run of its own is the idle before the loads: nothing to fit.
            if workload.idle && !evidence.runs.iter().any(|r| r.workload == w) {
                continue;
            }
            let (centre, sd) = demand_prior(evidence, w, w == first, self.stock_w);
            self.add(
                Key::Demand(w),
                &format!("demand_w[{}]", workload.name),
                Log,
                centre,
                sd,
                "near the highest power seen or allowed; unknown above",
            );
            if w != first {
                self.add(
                    Key::HotSpot(w),
                    &format!("hot_spot[{}]", workload.name),
                    Log,
                    1.0,
                    0.2,
                    "other kinds of work heat other spots at equal watts",
                );
            }
            if !workload.idle {
                let best = evidence.best_score(w);
                let rate = match (best, workload.direction) {
                    (Some(best), Direction::Lower) => 1.0 / best,
                    (best, _) => best.unwrap_or(1.0),
                };
                self.add(
                    Key::Rate(w),
                    &format!("rate[{}]", workload.name),
                    Log,
                    rate,
                    if best.is_some() { 0.5 } else { 1e-3 },
                    "the scale of a score is the score's own: wide; without a score, 1 at the reference",
                );
                self.add(
                    Key::Exponent(w),
                    &format!("work_exponent[{}]", workload.name),
                    Linear,
                    0.32,
                    0.10,
                    "power grows with the second to fourth power of the clock (judgement)",
                );
                self.add(
                    Key::Curvature(w),
                    &format!("work_curvature[{}]", workload.name),
                    Linear,
                    -0.01,
                    0.03,
                    "the power law bends a little (judgement)",
                );
            }
        }
        self.add(
            Key::BaseShare,
            "base_share",
            Log,
            0.07,
            0.4,
            "fabric, memory controller and display draw power that does no work (judgement)",
        );
        self.add(
            Key::LeakShare,
            "leak_share",
            Log,
            0.06,
            0.45,
            "leakage at 70 °C as a share of demand (judgement)",
        );
        for kind in 0..2_u8 {
            let clocks = evidence.readings(|w| w.clock_mhz[usize::from(kind)]);
            if let Some(top) = clocks.reduce(f64::max) {
                self.add(
                    Key::Clock(kind),
                    &format!("clock_mhz[{}]", kind + 1),
                    Log,
                    top,
                    0.2,
                    "near the highest clock seen",
                );
                self.add(
                    Key::ClockExponent(kind),
                    &format!("clock_exponent[{}]", kind + 1),
                    Linear,
                    0.35,
                    0.12,
                    "as the work exponent, a little steeper (judgement)",
                );
            }
        }
    }

    fn add_limits(&mut self, evidence: &Evidence) {
        use Scale::{Linear, Log};
        self.add(
            Key::LimitOffset,
            "limit_offset_k",
            Linear,
            -0.5,
            0.8,
            "firmware holds a degree or two below its limit (common practice, no source)",
        );
        self.add(
            Key::PowerRatio,
            "power_ratio",
            Log,
            1.0,
            0.01,
            "held power is within a percent of the limit set (common practice, no source)",
        );
        self.add(
            Key::TauRatio,
            "tau_ratio",
            Log,
            1.0,
            0.07,
            "the averaging window is near its nominal value",
        );
        let unknown = |run: &RunEvidence| run.setting.tau_s.value().is_none();
        if evidence.runs.iter().any(unknown) {
            self.add(
                Key::UnknownTau,
                "tau_s",
                Log,
                50.0,
                0.5,
                "windows of 28, 56 and 96 s are common (common practice, no source)",
            );
        }
        let idle = evidence
            .runs
            .iter()
            .flat_map(|r| &r.windows)
            .filter(|w| w.kind == PhaseKind::Idle)
            .find_map(|w| w.power_w);
        self.add(
            Key::IdlePower,
            "idle_power_w",
            Log,
            idle.map_or(0.08 * self.stock_w, |r| r.value),
            if idle.is_some() { 0.1 } else { 0.5 },
            "a desktop package idles at a tenth of its stock power, within a factor of two",
        );
    }

    fn add_fan(&mut self, evidence: &Evidence) {
        use Scale::{Linear, Log};
        self.add(
            Key::FanStart,
            "fan_start_c",
            Linear,
            51.0,
            7.0,
            "curves leave their floor between 40 and 62 °C (judgement)",
        );
        self.add(
            Key::FanWidth,
            "fan_width_k",
            Log,
            33.0,
            0.35,
            "and reach full speed between 72 and 98 °C (judgement)",
        );
        self.add(
            Key::FanFloor,
            "fan_floor_share",
            Log,
            0.30,
            0.25,
            "floors near 30 % of full speed (judgement)",
        );
        self.add(
            Key::FanHysteresis,
            "fan_hysteresis_k",
            Log,
            2.5,
            0.5,
            "boards let the temperature fall by one to five kelvins before the fan follows (common \
             practice, no source)",
        );
        self.add(
            Key::FanSmoothing,
            "fan_smoothing_s",
            Log,
            6.0,
            0.6,
            "boards smooth over a few seconds (common practice, no source)",
        );
        for piece in 0..FAN_PIECES {
            #[expect(clippy::cast_possible_truncation, reason = "six")]
            self.add(
                Key::FanPiece(piece as u8),
                &format!("fan_piece[{piece}]"),
                Linear,
                0.0,
                0.7,
                "curves bend: each piece climbs half to twice its even share (judgement)",
            );
        }
        let top = evidence.readings(|w| w.fan_speed_rpm).reduce(f64::max);
        if let Some(full) = evidence.fan_max_rpm {
            self.add(
                Key::FanFull,
                "fan_full_rpm",
                Log,
                full,
                0.01,
                "stated by the owner",
            );
        } else if let Some(top) = top {
            self.add(
                Key::FanFull,
                "fan_full_rpm",
                Log,
                1.15 * top,
                0.2,
                "at or above the highest speed seen",
            );
        }
    }

    fn add_sound(&mut self, evidence: &Evidence) {
        use Scale::Linear;
        let Some(top) = evidence.readings(|w| w.level_dba).reduce(f64::max) else {
            return;
        };
        self.add(
            Key::SoundFull,
            "full_speed_dba",
            Linear,
            top + 1.5,
            4.0,
            "at or above the highest level seen",
        );
        self.add(
            Key::SoundSlope,
            "k_db_per_decade",
            Linear,
            55.0,
            5.0,
            "fan noise grows by 50 to 60 dB per decade of speed (fan laws)",
        );
        if self.background_dba.is_some() {
            self.add(
                Key::BackgroundOffset,
                "background_offset_db",
                Linear,
                0.0,
                0.6,
                "a background is read with the same meter as the levels, once (judgement)",
            );
        }
    }

    fn add_rooms(&mut self, evidence: &Evidence) {
        for (i, run) in evidence.runs.iter().enumerate() {
            if run.room_c.is_none() {
                self.add(
                    Key::Room(i),
                    &format!("room_c[{}]", run.name),
                    Scale::Linear,
                    22.0,
                    3.0,
                    "rooms are between 16 and 28 °C unless noted",
                );
            }
        }
    }

    fn add_errors(&mut self, evidence: &Evidence) {
        self.error_parts = error_parts(evidence);
        for part in self.error_parts.clone() {
            let (sd, whose) = if part.shared {
                (SHARED_ERROR_SD, "run")
            } else {
                (OWN_ERROR_SD, "reading")
            };
            self.add(
                Key::ErrorScale(part),
                &format!("error_scale[{}, {whose}]", part.kind.name()),
                Scale::Log,
                1.15,
                sd,
                "errors are as stated for common sensors, give or take a half (judgement)",
            );
        }
    }

    /// Replaces priors.
    ///
    /// # Errors
    /// A name that no parameter has, or values that its prior cannot have.
    pub fn change_priors(&mut self, changes: &[PriorChange]) -> Result<(), InferError> {
        for change in changes {
            let found = self.priors.iter_mut().find(|p| p.name == change.name);
            match found {
                Some(prior) => prior.change(change).map_err(InferError::Prior)?,
                None if change.required => {
                    let names: Vec<&str> = self.priors.iter().map(|p| p.name.as_str()).collect();
                    return Err(InferError::Prior(format!(
                        "there is no parameter '{}' in this fit; there are {}",
                        change.name,
                        names.join(", ")
                    )));
                }
                None => {}
            }
        }
        Ok(())
    }

    /// Number of parameters.
    pub fn len(&self) -> usize {
        self.keys.len()
    }

    /// Number of parameters that predictions depend on: all but the error scales, which are last.
    pub fn len_physical(&self) -> usize {
        self.keys.len() - self.error_parts.len()
    }

    /// Factors on the errors of each kind, own and shared, by the kind's discriminant, from the last
    /// entries of a vector.
    pub fn error_factors(&self, scales: &[f64]) -> [[f64; 2]; ErrorKind::ALL.len()] {
        let mut factors = [[1.0; 2]; ErrorKind::ALL.len()];
        let priors = &self.priors[self.len_physical()..];
        for ((part, prior), z) in self.error_parts.iter().zip(priors).zip(scales) {
            factors[part.kind as usize][usize::from(part.shared)] = prior.natural(*z);
        }
        factors
    }

    /// Whether there is none; never so.
    pub fn is_empty(&self) -> bool {
        self.keys.is_empty()
    }

    /// The parameters in order.
    pub fn keys(&self) -> &[Key] {
        &self.keys
    }

    /// Their priors in order.
    pub fn priors(&self) -> &[Prior] {
        &self.priors
    }

    /// Position of a parameter.
    pub fn place(&self, key: Key) -> Option<usize> {
        self.places.get(&key).copied()
    }

    /// The natural value of a parameter in `z`, if the fit has it.
    pub fn value(&self, z: &[f64], key: Key) -> Option<f64> {
        self.place(key).map(|i| self.priors[i].natural(z[i]))
    }

    /// The value of a parameter that every fit has.
    fn get(&self, z: &[f64], key: Key) -> f64 {
        self.value(z, key).unwrap_or(f64::NAN)
    }

    /// The machine under workload `w` for the vector `z`, without discrepancy.
    pub fn machine(&self, z: &[f64], w: usize) -> MachineModel {
        let hot_spot = self.value(z, Key::HotSpot(w)).unwrap_or(1.0);
        MachineModel {
            cooling: self.cooling(z),
            package: self.package(z, w, hot_spot),
            limits: LimitBehaviour {
                temp_limit_offset_k: self.get(z, Key::LimitOffset),
                power_ratio: self.get(z, Key::PowerRatio),
                tau_ratio: self.get(z, Key::TauRatio),
                other_limit_w: None,
            },
            fan: self.fan(z),
            sound: self.value(z, Key::SoundFull).map(|full_speed_dba| Sound {
                full_speed_dba,
                k_db_per_decade: self.get(z, Key::SoundSlope),
                background_dba: self
                    .background_dba
                    .map(|b| b + self.value(z, Key::BackgroundOffset).unwrap_or(0.0)),
            }),
            full_speed_rpm: self.value(z, Key::FanFull),
        }
    }

    fn cooling(&self, z: &[f64]) -> Cooling {
        let total = self.get(z, Key::RiseAtStock) / self.stock_w;
        let die_share = self.get(z, Key::DieShare);
        let air_w_per_k = 1.0 / (total * (1.0 - die_share));
        let natural = self.get(z, Key::NaturalShare).min(0.9);
        // A better way for heat has more metal in it: die and lid with their side's resistance, base and
        // fins with theirs.
        let size = [
            NOMINAL_K_PER_W * NOMINAL_DIE_SHARE / (total * die_share),
            NOMINAL_K_PER_W * (1.0 - NOMINAL_DIE_SHARE) * air_w_per_k,
        ];
        let times = [self.get(z, Key::FastTime), self.get(z, Key::SlowTime)];
        Cooling {
            nodes: (0..4)
                .map(|i| LadderNode {
                    capacity_j_per_k: NOMINAL_J_PER_K[i] * size[i / 2] * times[i / 2],
                    resistance_k_per_w: DIE_SIDE.get(i).map_or(0.0, |s| s * total * die_share),
                })
                .collect(),
            g_nat_w_per_k: natural * air_w_per_k,
            g_fan_w_per_k: (1.0 - natural) * air_w_per_k,
            fan_exponent: self.get(z, Key::FanExponent).max(0.02),
            reference_density_kg_m3: self.reference_density_kg_m3,
            case_offset_k: self.get(z, Key::CaseOffset),
        }
    }

    fn package(&self, z: &[f64], w: usize, hot_spot: f64) -> Package {
        let demand_w = self.value(z, Key::Demand(w)).unwrap_or(self.stock_w);
        let reference_w = self.reference_w[w].unwrap_or(demand_w);
        // Both belong to the chip, so they are shares of its stock power, not of a light job's.
        let chip_w = self
            .value(z, Key::Demand(self.heaviest))
            .unwrap_or(self.stock_w)
            .max(self.stock_w);
        let cap = 0.4 * reference_w.min(demand_w);
        Package {
            demand_w,
            base_w: (self.get(z, Key::BaseShare) * chip_w).min(cap),
            leak_w: (self.get(z, Key::LeakShare) * chip_w).min(cap),
            leak_beta_per_k: LEAK_BETA_PER_K,
            reference_c: REFERENCE_C,
            reference_w,
            hot_spot,
            min_w: MIN_POWER_SHARE * self.stock_w,
            work: self.value(z, Key::Rate(w)).map(|rate_ref| WorkLaw {
                rate_ref,
                exponent: self.get(z, Key::Exponent(w)),
                curvature: self.get(z, Key::Curvature(w)),
            }),
            clocks: (0..2)
                .filter_map(|kind| {
                    Some(ClockLaw {
                        clock_ref_mhz: self.value(z, Key::Clock(kind))?,
                        exponent: self.get(z, Key::ClockExponent(kind)),
                    })
                })
                .collect(),
        }
    }

    fn fan(&self, z: &[f64]) -> FanCurve {
        let start_c = self.get(z, Key::FanStart);
        let width_k = self.get(z, Key::FanWidth);
        let floor = self.get(z, Key::FanFloor).min(0.95);
        #[expect(clippy::cast_possible_truncation, reason = "six")]
        let climbs: Vec<f64> = (0..FAN_PIECES)
            .map(|i| self.get(z, Key::FanPiece(i as u8)).exp())
            .collect();
        let whole: f64 = climbs.iter().sum();
        let mut points = vec![(start_c, floor)];
        let mut share = floor;
        for (i, climb) in climbs.iter().enumerate() {
            share += (1.0 - floor) * climb / whole;
            points.push((
                start_c + width_k * (i + 1) as f64 / FAN_PIECES as f64,
                share.min(1.0),
            ));
        }
        FanCurve {
            points,
            smoothing_s: self.get(z, Key::FanSmoothing),
            hysteresis_k: self.get(z, Key::FanHysteresis),
            slew_per_s: f64::INFINITY,
        }
    }

    /// The factor on all resistances at `power_w` and `fan_share` that the discrepancy stands for.
    pub fn discrepancy(&self, z: &[f64], power_w: f64, fan_share: f64) -> f64 {
        let x = (power_w / self.stock_w).max(0.02).ln();
        let y = fan_share.max(0.05).ln();
        let w = [0, 1, 2].map(|i| self.get(z, Key::Discrepancy(i)));
        let scale = self.get(z, Key::DiscrepancyScale);
        (1.0 + scale * (w[0] * x + w[1] * y + w[2] * x * y)).clamp(0.5, 2.0)
    }

    /// Factor on the die's resistance at `power_w` of a workload whose demand is `demand_w`: hot
    /// spots that move with power.
    pub fn hot_spot(&self, z: &[f64], power_w: f64, demand_w: f64) -> f64 {
        let slope = self.get(z, Key::HotSpotSlope);
        (1.0 + slope * (power_w / demand_w - 1.0)).clamp(0.5, 2.0)
    }

    /// The averaging window to use for a setting.
    pub fn tau_s(&self, z: &[f64], tau_s: LimitValue) -> f64 {
        tau_s
            .value()
            .or_else(|| self.value(z, Key::UnknownTau))
            .unwrap_or(50.0)
    }
}

/// The errors that the readings have, own before shared.
fn error_parts(evidence: &Evidence) -> Vec<ErrorPart> {
    let mut parts: Vec<ErrorPart> = observations(evidence)
        .iter()
        .filter_map(|o| {
            let shares = o.reading.shared_sd > 0.0;
            shares.then(|| ErrorPart {
                kind: o.quantity.error(),
                shared: true,
            })
        })
        .collect();
    parts.sort_unstable();
    parts.dedup();
    parts
}

/// The workload that draws most: it is what the limits are about, and the reference for the others.
fn heaviest(evidence: &Evidence) -> usize {
    (0..evidence.workloads.len())
        .rev()
        .filter(|&w| !evidence.workloads[w].idle)
        .max_by(|&a, &b| {
            let watts = |w| evidence.highest_power_w(Some(w)).unwrap_or(0.0);
            watts(a).total_cmp(&watts(b))
        })
        .unwrap_or(0)
}

/// Centre and log sd of a workload's demand.
fn demand_prior(evidence: &Evidence, w: usize, first: bool, stock_w: f64) -> (f64, f64) {
    let seen = evidence.highest_power_w(Some(w));
    match (seen, first) {
        (Some(seen), _) => {
            // Power seen at its limit says little about what lies above.
            let allowed = evidence
                .runs
                .iter()
                .filter(|r| r.workload == w)
                .filter_map(|r| {
                    r.setting
                        .pl2_w
                        .value()
                        .into_iter()
                        .chain(r.setting.pl1_w.value())
                        .reduce(f64::max)
                })
                .reduce(f64::max)
                .unwrap_or(seen);
            ((seen * allowed).sqrt().clamp(1.05 * seen, 1.3 * seen), 0.28)
        }
        (None, true) => (stock_w, 0.35),
        (None, false) => (0.5 * stock_w, 0.7),
    }
}
