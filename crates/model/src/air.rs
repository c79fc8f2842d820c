//! Air: density, standard atmosphere, warming of a stream, fan laws, units of fan sheets.

/// Sea-level pressure of the standard atmosphere, Pa (ISO 2533:1975, table 1).
pub const STANDARD_PRESSURE_PA: f64 = 101_325.0;
/// Specific gas constant of dry air, J/(kg K) (ISO 2533:1975, 2.1).
pub const GAS_CONSTANT_J_PER_KG_K: f64 = 287.052_87;
/// Sea-level temperature of the standard atmosphere, K (ISO 2533:1975, table 1).
const SEA_LEVEL_K: f64 = 288.15;
/// Fall of temperature with geopotential altitude below 11 km, K/m (ISO 2533:1975, table 4).
const LAPSE_K_PER_M: f64 = 0.0065;
/// Standard acceleration of free fall, m/s² (ISO 2533:1975, table 1).
const GRAVITY_M_PER_S2: f64 = 9.806_65;
/// Nominal radius of the earth, m (ISO 2533:1975, 2.3).
const EARTH_RADIUS_M: f64 = 6_356_766.0;
/// Zero of the Celsius scale, K (SI).
pub const ZERO_CELSIUS_K: f64 = 273.15;
/// Isobaric heat capacity of dry air near room temperature, J/(kg K): 1006.3 at 25 °C and one
/// atmosphere by the equation of state of Lemmon et al., J. Phys. Chem. Ref. Data 29, 2000.
pub const HEAT_CAPACITY_J_PER_KG_K: f64 = 1006.3;
/// One cubic foot a minute, m³/s: exact, from 1 ft = 0.3048 m.
pub const CFM_M3_PER_S: f64 = 0.3048 * 0.3048 * 0.3048 / 60.0;
/// One conventional millimetre of water, Pa: exact (NIST SP 811, appendix B).
pub const MM_WATER_PA: f64 = 9.806_65;
/// One conventional inch of water, Pa: exact (NIST SP 811, appendix B).
pub const INCH_WATER_PA: f64 = 25.4 * 9.806_65;

/// Geopotential altitude of a geometric one, m (ISO 2533:1975, equation 8).
pub fn geopotential_m(altitude_m: f64) -> f64 {
    EARTH_RADIUS_M * altitude_m / (EARTH_RADIUS_M + altitude_m)
}

/// Temperature of the standard atmosphere at a geometric altitude up to 11 km, K.
pub fn standard_temperature_k(altitude_m: f64) -> f64 {
    SEA_LEVEL_K - LAPSE_K_PER_M * geopotential_m(altitude_m)
}

/// Pressure of the standard atmosphere at a geometric altitude up to 11 km, Pa (ISO 2533:1975,
/// equation 12; equal to the US Standard Atmosphere 1976, equation 33a).
pub fn standard_pressure_pa(altitude_m: f64) -> f64 {
    let exponent = GRAVITY_M_PER_S2 / (GAS_CONSTANT_J_PER_KG_K * LAPSE_K_PER_M);
    STANDARD_PRESSURE_PA * (standard_temperature_k(altitude_m) / SEA_LEVEL_K).powf(exponent)
}

/// Density of dry air as an ideal gas, kg/m³; 0.06 % below the equation of state at most, from 0
/// to 80 °C.
pub fn dry_density_kg_m3(temp_c: f64, pressure_pa: f64) -> f64 {
    pressure_pa / (GAS_CONSTANT_J_PER_KG_K * (temp_c + ZERO_CELSIUS_K))
}

/// Density of dry air at a room temperature under the standard pressure of an altitude, kg/m³.
///
/// ```
/// let sea = settlepoint_model::air_density_kg_m3(20.0, 0.0);
/// assert!((sea - 1.2041).abs() < 1e-4);
/// ```
pub fn air_density_kg_m3(temp_c: f64, altitude_m: f64) -> f64 {
    dry_density_kg_m3(temp_c, standard_pressure_pa(altitude_m))
}

/// Density of moist air, kg/m³, from relative humidity as a share: the CIPM-2007 formula (Picard,
/// Davis, Gläser and Fujii, Metrologia 45, 2008, equations 1 and A1), good to a few parts in 10⁵
/// in a laboratory and to 0.1 % from 15 to 35 °C.
pub fn moist_density_kg_m3(temp_c: f64, pressure_pa: f64, humidity_share: f64) -> f64 {
    const MOLAR_AIR_KG_PER_MOL: f64 = 28.965_46e-3;
    const WATER_OVER_AIR: f64 = 18.015_28e-3 / MOLAR_AIR_KG_PER_MOL;
    const MOLAR_GAS_J_PER_MOL_K: f64 = 8.314_462_618;
    let kelvin = temp_c + ZERO_CELSIUS_K;
    let vapour = humidity_share * saturation_share(temp_c, pressure_pa);
    let z = compressibility(temp_c, pressure_pa, vapour);
    pressure_pa * MOLAR_AIR_KG_PER_MOL / (z * MOLAR_GAS_J_PER_MOL_K * kelvin)
        * (1.0 - vapour * (1.0 - WATER_OVER_AIR))
}

/// Mole fraction of water vapour at saturation (CIPM-2007, equations A1.1 to A1.3).
fn saturation_share(temp_c: f64, pressure_pa: f64) -> f64 {
    let kelvin = temp_c + ZERO_CELSIUS_K;
    let ln_pa = 1.237_884_7e-5 * kelvin * kelvin - 1.912_131_6e-2 * kelvin + 33.937_110_47
        - 6.343_164_5e3 / kelvin;
    let enhancement = 1.000_62 + 3.14e-8 * pressure_pa + 5.6e-7 * temp_c * temp_c;
    enhancement * ln_pa.exp() / pressure_pa
}

/// Compressibility factor (CIPM-2007, equation A1.4).
fn compressibility(temp_c: f64, pressure_pa: f64, vapour: f64) -> f64 {
    let (t, x) = (temp_c, vapour);
    let p_over_t = pressure_pa / (temp_c + ZERO_CELSIUS_K);
    let first = 1.581_23e-6 - 2.933_1e-8 * t
        + 1.104_3e-10 * t * t
        + (5.707e-6 - 2.051e-8 * t) * x
        + (1.989_8e-4 - 2.376e-6 * t) * x * x;
    1.0 - p_over_t * first + p_over_t * p_over_t * (1.83e-11 - 0.765e-8 * x * x)
}

/// Warming of an air stream that takes up a power, K: `P / (rho cp Q)`, the first law.
pub fn stream_rise_k(
    power_w: f64,
    flow_m3_per_s: f64,
    density_kg_m3: f64,
    heat_capacity_j_per_kg_k: f64,
) -> f64 {
    power_w / (density_kg_m3 * heat_capacity_j_per_kg_k * flow_m3_per_s)
}

/// A fan at one point of its curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FanPoint {
    /// Speed, rpm.
    pub speed_rpm: f64,
    /// Air density, kg/m³.
    pub density_kg_m3: f64,
    /// Diameter, in any unit of length.
    pub diameter: f64,
    /// Volume flow, in any unit.
    pub flow: f64,
    /// Pressure, Pa.
    pub pressure_pa: f64,
    /// Shaft power, W.
    pub power_w: f64,
}

impl FanPoint {
    /// The same point of the dimensionless curve at another speed, density and diameter, by the fan
    /// laws `Q ~ n D³`, `p ~ rho n² D²`, `P ~ rho n³ D⁵` (similarity; ISO 13350, ISO 5801 annex).
    #[must_use]
    pub fn scaled(&self, speed_rpm: f64, density_kg_m3: f64, diameter: f64) -> Self {
        let n = speed_rpm / self.speed_rpm;
        let d = diameter / self.diameter;
        let rho = density_kg_m3 / self.density_kg_m3;
        Self {
            speed_rpm,
            density_kg_m3,
            diameter,
            flow: self.flow * n * d.powi(3),
            pressure_pa: self.pressure_pa * rho * (n * d).powi(2),
            power_w: self.power_w * rho * n.powi(3) * d.powi(5),
        }
    }
}
