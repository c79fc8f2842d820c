//! Units: UCUM codes and the usual spellings, and the way to the units kept in a log.

use settlepoint_domain::Unit;

/// What a unit measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Quantity {
    /// Temperature.
    Temperature,
    /// Power.
    Power,
    /// Energy.
    Energy,
    /// Frequency.
    Frequency,
    /// Speed of rotation.
    Rotation,
    /// A share of a whole.
    Share,
    /// A-weighted sound level.
    Sound,
    /// Time.
    Time,
    /// Something else (volts, litres a minute, …): known not to be any of the others.
    Other,
}

impl Quantity {
    /// The unit in which a log keeps it.
    pub const fn kept_in(self) -> Unit {
        match self {
            Self::Temperature => Unit::Celsius,
            Self::Power => Unit::Watt,
            Self::Energy => Unit::Joule,
            Self::Frequency => Unit::Megahertz,
            Self::Rotation => Unit::Rpm,
            Self::Share => Unit::Share,
            Self::Sound => Unit::Dba,
            Self::Time => Unit::Second,
            Self::Other => Unit::None,
        }
    }
}

/// A unit as it may stand in a source, and how its values become those kept in a log:
/// `(value + before) * times / by + after`, so that powers of ten divide exactly.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SourceUnit {
    /// UCUM code.
    pub code: &'static str,
    /// What it measures.
    pub quantity: Quantity,
    before: f64,
    times: f64,
    by: f64,
    after: f64,
}

impl SourceUnit {
    const fn ratio(code: &'static str, quantity: Quantity, times: f64, by: f64) -> Self {
        Self {
            code,
            quantity,
            before: 0.0,
            times,
            by,
            after: 0.0,
        }
    }

    /// The value in the unit kept in a log.
    #[inline]
    pub fn convert(&self, value: f64) -> f64 {
        (value + self.before) * self.times / self.by + self.after
    }

    /// Counts a second, for units of time that divide it into whole parts.
    pub(crate) fn per_second(&self) -> Option<i64> {
        #[expect(
            clippy::cast_possible_truncation,
            reason = "at most 1e12, a table constant"
        )]
        let per_s = self.by as i64;
        (self.quantity == Quantity::Time && self.times <= 1.0).then_some(per_s)
    }

    /// Whether values stay as they are.
    #[expect(
        clippy::float_cmp,
        reason = "the constants of the table below, not results"
    )]
    pub fn is_identity(&self) -> bool {
        self.before == 0.0 && self.times == 1.0 && self.by == 1.0 && self.after == 0.0
    }
}

use Quantity::{Energy, Frequency, Other, Power, Rotation, Share, Sound, Temperature, Time};

/// Degrees Fahrenheit and kelvin by their definitions (BIPM SI brochure, 9th edition; NIST SP 811).
pub(crate) const FAHRENHEIT: SourceUnit = SourceUnit {
    code: "[degF]",
    quantity: Temperature,
    before: -32.0,
    times: 5.0,
    by: 9.0,
    after: 0.0,
};
const KELVIN: SourceUnit = SourceUnit {
    code: "K",
    quantity: Temperature,
    before: 0.0,
    times: 1.0,
    by: 1.0,
    after: -273.15,
};
pub(crate) const CELSIUS: SourceUnit = SourceUnit::ratio("Cel", Temperature, 1.0, 1.0);
pub(crate) const TENTH_CELSIUS: SourceUnit = SourceUnit::ratio("dCel", Temperature, 1.0, 10.0);
pub(crate) const MILLI_CELSIUS: SourceUnit = SourceUnit::ratio("mCel", Temperature, 1.0, 1e3);
pub(crate) const WATT: SourceUnit = SourceUnit::ratio("W", Power, 1.0, 1.0);
pub(crate) const MILLI_WATT: SourceUnit = SourceUnit::ratio("mW", Power, 1.0, 1e3);
pub(crate) const MICRO_WATT: SourceUnit = SourceUnit::ratio("uW", Power, 1.0, 1e6);
pub(crate) const JOULE: SourceUnit = SourceUnit::ratio("J", Energy, 1.0, 1.0);
pub(crate) const MICRO_JOULE: SourceUnit = SourceUnit::ratio("uJ", Energy, 1.0, 1e6);
pub(crate) const HERTZ: SourceUnit = SourceUnit::ratio("Hz", Frequency, 1.0, 1e6);
pub(crate) const KILO_HERTZ: SourceUnit = SourceUnit::ratio("kHz", Frequency, 1.0, 1e3);
pub(crate) const MEGA_HERTZ: SourceUnit = SourceUnit::ratio("MHz", Frequency, 1.0, 1.0);
pub(crate) const GIGA_HERTZ: SourceUnit = SourceUnit::ratio("GHz", Frequency, 1e3, 1.0);
pub(crate) const RPM: SourceUnit = SourceUnit::ratio("{rpm}", Rotation, 1.0, 1.0);
pub(crate) const PERCENT: SourceUnit = SourceUnit::ratio("%", Share, 1.0, 100.0);
/// Duty as an eight-bit number, 255 being full.
pub(crate) const EIGHT_BIT: SourceUnit = SourceUnit::ratio("1/255", Share, 1.0, 255.0);
pub(crate) const SHARE: SourceUnit = SourceUnit::ratio("1", Share, 1.0, 1.0);
pub(crate) const DBA: SourceUnit = SourceUnit::ratio("dB(A)", Sound, 1.0, 1.0);
pub(crate) const DAY: SourceUnit = SourceUnit::ratio("d", Time, 86_400.0, 1.0);
pub(crate) const SECOND: SourceUnit = SourceUnit::ratio("s", Time, 1.0, 1.0);
pub(crate) const MILLI_SECOND: SourceUnit = SourceUnit::ratio("ms", Time, 1.0, 1e3);
pub(crate) const MICRO_SECOND: SourceUnit = SourceUnit::ratio("us", Time, 1.0, 1e6);
pub(crate) const NANO_SECOND: SourceUnit = SourceUnit::ratio("ns", Time, 1.0, 1e9);
pub(crate) const PICO_SECOND: SourceUnit = SourceUnit::ratio("ps", Time, 1.0, 1e12);
pub(crate) const HUNDRED_NANO_SECONDS: SourceUnit = SourceUnit::ratio("100.ns", Time, 1.0, 1e7);

const fn other(code: &'static str) -> SourceUnit {
    SourceUnit::ratio(code, Other, 1.0, 1.0)
}

/// Spellings that count as they stand (upper and lower case differ), then those that do not.
const EXACT: [(&str, SourceUnit); 24] = [
    ("mW", MILLI_WATT),
    ("MW", SourceUnit::ratio("MW", Power, 1e6, 1.0)),
    ("mJ", SourceUnit::ratio("mJ", Energy, 1.0, 1e3)),
    ("MJ", SourceUnit::ratio("MJ", Energy, 1e6, 1.0)),
    ("mHz", SourceUnit::ratio("mHz", Frequency, 1.0, 1e9)),
    ("MHz", MEGA_HERTZ),
    ("mWh", SourceUnit::ratio("mW.h", Energy, 3.6, 1.0)),
    ("MWh", SourceUnit::ratio("MW.h", Energy, 3.6e9, 1.0)),
    ("m°C", MILLI_CELSIUS),
    ("mK", SourceUnit { by: 1e3, ..KELVIN }),
    ("K", KELVIN),
    ("S", other("S")),
    ("T", other("T")),
    ("mS", other("mS")),
    ("Pa", other("Pa")),
    ("M", other("M")),
    ("m", other("m")),
    ("Мгц", MEGA_HERTZ),
    ("МГц", MEGA_HERTZ),
    ("ГГц", GIGA_HERTZ),
    ("кГц", KILO_HERTZ),
    ("мВт", MILLI_WATT),
    ("кВт", SourceUnit::ratio("kW", Power, 1e3, 1.0)),
    ("МВт", SourceUnit::ratio("MW", Power, 1e6, 1.0)),
];

const FOLDED: [(&str, SourceUnit); 144] = [
    ("cel", CELSIUS),
    ("°c", CELSIUS),
    ("℃", CELSIUS),
    ("c", CELSIUS),
    ("degc", CELSIUS),
    ("deg c", CELSIUS),
    ("deg.c", CELSIUS),
    ("degree c", CELSIUS),
    ("degrees c", CELSIUS),
    ("degrees", CELSIUS),
    ("deg", CELSIUS),
    ("°", CELSIUS),
    ("celsius", CELSIUS),
    ("grad c", CELSIUS),
    ("grad", CELSIUS),
    ("degcelsius", CELSIUS),
    ("deg celsius", CELSIUS),
    ("degrees celsius", CELSIUS),
    ("град", CELSIUS),
    ("град.", CELSIUS),
    ("°с", CELSIUS),
    ("摄氏度", CELSIUS),
    ("度", CELSIUS),
    ("mcel", MILLI_CELSIUS),
    ("mdegc", MILLI_CELSIUS),
    ("mdeg", MILLI_CELSIUS),
    ("millicelsius", MILLI_CELSIUS),
    ("millidegc", MILLI_CELSIUS),
    ("millidegree", MILLI_CELSIUS),
    ("millidegrees", MILLI_CELSIUS),
    ("millideg", MILLI_CELSIUS),
    ("mc", MILLI_CELSIUS),
    ("0.001°c", MILLI_CELSIUS),
    ("0.001 °c", MILLI_CELSIUS),
    ("m°c", MILLI_CELSIUS),
    ("dcel", TENTH_CELSIUS),
    ("0.1°c", TENTH_CELSIUS),
    ("0.1 °c", TENTH_CELSIUS),
    ("0,1 °c", TENTH_CELSIUS),
    ("1/10 °c", TENTH_CELSIUS),
    ("1/10°c", TENTH_CELSIUS),
    ("0.1c", TENTH_CELSIUS),
    ("0.1 c", TENTH_CELSIUS),
    ("0.1degc", TENTH_CELSIUS),
    ("decicelsius", TENTH_CELSIUS),
    ("decidegc", TENTH_CELSIUS),
    ("decidegree", TENTH_CELSIUS),
    ("decidegrees", TENTH_CELSIUS),
    ("tenths", TENTH_CELSIUS),
    ("ccel", SourceUnit::ratio("cCel", Temperature, 1.0, 100.0)),
    (
        "centidegree",
        SourceUnit::ratio("cCel", Temperature, 1.0, 100.0),
    ),
    ("0.01°c", SourceUnit::ratio("cCel", Temperature, 1.0, 100.0)),
    ("[degf]", FAHRENHEIT),
    ("°f", FAHRENHEIT),
    ("℉", FAHRENHEIT),
    ("f", FAHRENHEIT),
    ("degf", FAHRENHEIT),
    ("deg f", FAHRENHEIT),
    ("fahrenheit", FAHRENHEIT),
    ("k", KELVIN),
    ("kelvin", KELVIN),
    ("degk", KELVIN),
    ("w", WATT),
    ("watt", WATT),
    ("watts", WATT),
    ("вт", WATT),
    ("瓦", WATT),
    ("瓦特", WATT),
    ("ワット", WATT),
    ("mw", MILLI_WATT),
    ("milliwatt", MILLI_WATT),
    ("milliwatts", MILLI_WATT),
    ("uw", MICRO_WATT),
    ("µw", MICRO_WATT),
    ("μw", MICRO_WATT),
    ("microwatt", MICRO_WATT),
    ("microwatts", MICRO_WATT),
    ("nw", SourceUnit::ratio("nW", Power, 1.0, 1e9)),
    ("kw", SourceUnit::ratio("kW", Power, 1e3, 1.0)),
    ("kilowatt", SourceUnit::ratio("kW", Power, 1e3, 1.0)),
    ("j", JOULE),
    ("joule", JOULE),
    ("joules", JOULE),
    ("ws", JOULE),
    ("дж", JOULE),
    ("焦耳", JOULE),
    ("mj", SourceUnit::ratio("mJ", Energy, 1.0, 1e3)),
    ("uj", MICRO_JOULE),
    ("µj", MICRO_JOULE),
    ("μj", MICRO_JOULE),
    ("microjoule", MICRO_JOULE),
    ("microjoules", MICRO_JOULE),
    ("nj", SourceUnit::ratio("nJ", Energy, 1.0, 1e9)),
    ("kj", SourceUnit::ratio("kJ", Energy, 1e3, 1.0)),
    ("wh", SourceUnit::ratio("W.h", Energy, 3600.0, 1.0)),
    ("w.h", SourceUnit::ratio("W.h", Energy, 3600.0, 1.0)),
    ("kwh", SourceUnit::ratio("kW.h", Energy, 3.6e6, 1.0)),
    ("hz", HERTZ),
    ("гц", HERTZ),
    ("khz", KILO_HERTZ),
    ("mhz", MEGA_HERTZ),
    ("ghz", GIGA_HERTZ),
    ("rpm", RPM),
    ("{rpm}", RPM),
    ("r/min", RPM),
    ("rev/min", RPM),
    ("1/min", RPM),
    ("/min", RPM),
    ("min-1", RPM),
    ("min⁻¹", RPM),
    ("u/min", RPM),
    ("umin", RPM),
    ("tr/min", RPM),
    ("giri/min", RPM),
    ("об/мин", RPM),
    ("转/分", RPM),
    ("转", RPM),
    ("回転", RPM),
    ("%", PERCENT),
    ("pct", PERCENT),
    ("percent", PERCENT),
    ("prozent", PERCENT),
    ("％", PERCENT),
    ("1", SHARE),
    ("dba", DBA),
    ("db(a)", DBA),
    ("db a", DBA),
    ("db[a]", DBA),
    ("db", DBA),
    ("дба", DBA),
    ("дб", DBA),
    ("s", SECOND),
    ("sec", SECOND),
    ("secs", SECOND),
    ("second", SECOND),
    ("seconds", SECOND),
    ("sek", SECOND),
    ("sekunden", SECOND),
    ("с", SECOND),
    ("сек", SECOND),
    ("秒", SECOND),
    ("ms", MILLI_SECOND),
    ("msec", MILLI_SECOND),
    ("us", MICRO_SECOND),
];

const FOLDED_MORE: [(&str, SourceUnit); 41] = [
    ("millis", MILLI_SECOND),
    ("millisecond", MILLI_SECOND),
    ("milliseconds", MILLI_SECOND),
    ("мс", MILLI_SECOND),
    ("毫秒", MILLI_SECOND),
    ("µs", MICRO_SECOND),
    ("μs", MICRO_SECOND),
    ("usec", MICRO_SECOND),
    ("microseconds", MICRO_SECOND),
    ("ns", NANO_SECOND),
    ("nsec", NANO_SECOND),
    ("nanoseconds", NANO_SECOND),
    ("ps", PICO_SECOND),
    ("picoseconds", PICO_SECOND),
    ("min", SourceUnit::ratio("min", Time, 60.0, 1.0)),
    ("mins", SourceUnit::ratio("min", Time, 60.0, 1.0)),
    ("minute", SourceUnit::ratio("min", Time, 60.0, 1.0)),
    ("minutes", SourceUnit::ratio("min", Time, 60.0, 1.0)),
    ("minuten", SourceUnit::ratio("min", Time, 60.0, 1.0)),
    ("h", SourceUnit::ratio("h", Time, 3600.0, 1.0)),
    ("hr", SourceUnit::ratio("h", Time, 3600.0, 1.0)),
    ("hours", SourceUnit::ratio("h", Time, 3600.0, 1.0)),
    ("d", SourceUnit::ratio("d", Time, 86_400.0, 1.0)),
    ("days", SourceUnit::ratio("d", Time, 86_400.0, 1.0)),
    ("v", other("V")),
    ("mv", other("mV")),
    ("volt", other("V")),
    ("volts", other("V")),
    ("a", other("A")),
    ("ma", other("mA")),
    ("amp", other("A")),
    ("amps", other("A")),
    ("hpa", other("hPa")),
    ("bar", other("bar")),
    ("%rh", other("%")),
    ("l/min", other("L/min")),
    ("gb", other("GBy")),
    ("mb", other("MBy")),
    ("gib", other("GiBy")),
    ("mib", other("MiBy")),
    ("mb/s", other("MBy/s")),
];

/// The unit in which a log keeps a quantity, as a source unit that converts nothing.
pub(crate) fn kept_unit(quantity: Quantity) -> Option<SourceUnit> {
    match quantity {
        Temperature => Some(CELSIUS),
        Power => Some(WATT),
        Energy => Some(JOULE),
        Frequency => Some(MEGA_HERTZ),
        Rotation => Some(RPM),
        Share => Some(SHARE),
        Sound => Some(DBA),
        Time => Some(SECOND),
        Other => None,
    }
}

/// The unit with this code or spelling.
pub fn lookup(text: &str) -> Option<SourceUnit> {
    let text = text
        .trim()
        .trim_matches(['[', ']', '(', ')', '{', '}', '<', '>'])
        .trim();
    let text = if text == "rpm" { "rpm" } else { text };
    if text.is_empty() || text.chars().count() > 20 {
        return None;
    }
    let text = text.replace('º', "°");
    if let Some((_, unit)) = EXACT.iter().find(|(spelling, _)| *spelling == text) {
        return Some(*unit);
    }
    let folded = text.to_lowercase();
    FOLDED
        .iter()
        .chain(&FOLDED_MORE)
        .find(|(spelling, _)| *spelling == folded)
        .map(|(_, unit)| *unit)
        .or_else(|| (folded == "degf]" || folded == "[degf").then_some(FAHRENHEIT))
        .or_else(|| (folded == "db(a").then_some(DBA))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn conversions_by_definition() {
        // NIST SP 811 (2008), B.8: 212 °F = 100 °C, 0 °C = 273.15 K, 1 kWh = 3.6 MJ.
        let all = [
            ("degF", 212.0, 100.0),
            ("[degF]", 32.0, 0.0),
            ("K", 273.15, 0.0),
            ("m°C", 45_123.0, 45.123),
            ("0.1 °C", 451.0, 45.1),
            ("kWh", 1.0, 3.6e6),
            ("mW", 1500.0, 1.5),
            ("MW", 1.0, 1e6),
            ("uJ", 1e6, 1.0),
            ("GHz", 4.7, 4700.0),
            ("kHz", 4_700_000.0, 4700.0),
            ("%", 50.0, 0.5),
            ("U/min", 900.0, 900.0),
            ("dB(A)", 30.0, 30.0),
        ];
        for (spelling, value, expected) in all {
            let unit = lookup(spelling).unwrap_or_else(|| panic!("{spelling}"));
            // Twice the rounding of one division at this size.
            assert!(
                (unit.convert(value) - expected).abs() <= expected.abs() * 4e-16,
                "{spelling}"
            );
        }
        assert!(lookup("furlong").is_none());
    }

    #[test]
    fn watts_and_megawatts_differ_by_case_only() {
        assert_eq!(lookup("mW").map(|u| u.code), Some("mW"));
        assert_eq!(lookup("MW").map(|u| u.code), Some("MW"));
        assert_eq!(lookup("MHZ").map(|u| u.code), Some("MHz"));
    }
}
