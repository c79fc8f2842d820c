//! What a form or an address says, checked.

use std::ops::RangeInclusive;

use settlepoint_domain::LimitValue;

use crate::number::Degrees;

/// Longest text of a field that is read, signs.
const LONGEST: usize = 400;

/// Names and values of a form or an address, in order.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Fields(pub(crate) Vec<(String, String)>);

/// A field that could not be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Problem {
    /// Name of the field.
    pub(crate) field: String,
    /// What is wrong and what to do.
    pub(crate) message: String,
}

impl Fields {
    /// The text of a field without spaces around it; `None` where it is blank or absent.
    pub(crate) fn text(&self, name: &str) -> Option<&str> {
        let found = self.0.iter().find(|(n, _)| n == name);
        found
            .map(|(_, v)| v.trim())
            .filter(|v| !v.is_empty() && v.len() <= LONGEST)
    }

    /// As typed, for showing it again.
    pub(crate) fn raw(&self, name: &str) -> &str {
        self.0
            .iter()
            .find(|(n, _)| n == name)
            .map_or("", |(_, v)| v.as_str())
    }

    /// Whether a box was ticked.
    pub(crate) fn ticked(&self, name: &str) -> bool {
        self.text(name).is_some()
    }
}

/// Reads fields one after the other and collects what is wrong with them.
#[derive(Debug)]
pub(crate) struct Reader<'a> {
    fields: &'a Fields,
    degrees: Degrees,
    pub(crate) problems: Vec<Problem>,
}

impl<'a> Reader<'a> {
    pub(crate) fn new(fields: &'a Fields, degrees: Degrees) -> Self {
        Self {
            fields,
            degrees,
            problems: Vec::new(),
        }
    }

    pub(crate) fn problem(&mut self, field: &str, message: impl Into<String>) {
        self.problems.push(Problem {
            field: field.to_owned(),
            message: message.into(),
        });
    }

    /// A number within a range; decimal comma or point.
    pub(crate) fn number(&mut self, name: &str, range: RangeInclusive<f64>) -> Option<f64> {
        let text = self.fields.text(name)?;
        let value = parse(text);
        match value {
            Some(v) if range.contains(&v) => Some(v),
            _ => {
                let wanted = between(&range);
                self.problem(name, format!("'{text}' is not {wanted}"));
                None
            }
        }
    }

    /// A temperature in °C from `stem_c` or `stem_f`, whichever is there; the range is in °C.
    pub(crate) fn temperature(&mut self, stem: &str, range: RangeInclusive<f64>) -> Option<f64> {
        for degrees in [Degrees::Celsius, Degrees::Fahrenheit] {
            let name = format!("{stem}_{}", degrees.suffix());
            let Some(text) = self.fields.text(&name) else {
                continue;
            };
            let value = parse(text).map(|v| degrees.celsius(v));
            if let Some(celsius) = value.filter(|v| range.contains(v)) {
                return Some(celsius);
            }
            let shown = degrees.shown(*range.start())..=degrees.shown(*range.end());
            let message = format!("'{text}' is not {} {}", between(&shown), degrees.unit());
            self.problem(&format!("{stem}_{}", self.degrees.suffix()), message);
            return None;
        }
        None
    }

    /// A limit: a number, or one of its words; blank is unknown.
    pub(crate) fn limit(&mut self, name: &str, range: RangeInclusive<f64>) -> LimitValue {
        match self.fields.text(name).map(str::to_lowercase).as_deref() {
            None | Some("unknown") => LimitValue::Unknown,
            Some("automatic" | "auto") => LimitValue::Automatic,
            Some("unlimited") => LimitValue::Unlimited,
            Some(_) => self
                .number(name, range)
                .map_or(LimitValue::Unknown, LimitValue::Value),
        }
    }

    /// The same for a temperature limit.
    pub(crate) fn limit_temperature(
        &mut self,
        stem: &str,
        range: RangeInclusive<f64>,
    ) -> LimitValue {
        for degrees in [Degrees::Celsius, Degrees::Fahrenheit] {
            let name = format!("{stem}_{}", degrees.suffix());
            match self.fields.text(&name).map(str::to_lowercase).as_deref() {
                Some("automatic" | "auto") => return LimitValue::Automatic,
                Some("unlimited") => return LimitValue::Unlimited,
                _ => {}
            }
        }
        self.temperature(stem, range)
            .map_or(LimitValue::Unknown, LimitValue::Value)
    }
}

fn parse(text: &str) -> Option<f64> {
    let plain = text.replace(',', ".").replace('\u{2212}', "-");
    plain.parse::<f64>().ok().filter(|v| v.is_finite())
}

fn between(range: &RangeInclusive<f64>) -> String {
    format!(
        "a number from {} to {}",
        crate::number::typed(*range.start(), 1),
        crate::number::typed(*range.end(), 1)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fields(pairs: &[(&str, &str)]) -> Fields {
        Fields(
            pairs
                .iter()
                .map(|(n, v)| ((*n).to_owned(), (*v).to_owned()))
                .collect(),
        )
    }

    #[test]
    fn a_decimal_comma_is_a_decimal_comma() {
        let own = fields(&[("pl1_w", " 125,5 ")]);
        let mut reader = Reader::new(&own, Degrees::Celsius);
        assert_eq!(reader.number("pl1_w", 1.0..=5000.0), Some(125.5));
        assert!(reader.problems.is_empty());
    }

    #[test]
    fn temperatures_come_in_the_unit_of_their_name() {
        let own = fields(&[("room_f", "95")]);
        let mut reader = Reader::new(&own, Degrees::Celsius);
        let room = reader.temperature("room", -60.0..=80.0).unwrap();
        assert!((room - 35.0).abs() < 1e-9);
    }

    #[test]
    fn what_cannot_be_is_said_with_its_range() {
        for text in ["1e9", "nan", "-3", "lots", "inf"] {
            let own = fields(&[("pl1_w", text)]);
            let mut reader = Reader::new(&own, Degrees::Celsius);
            assert_eq!(reader.number("pl1_w", 1.0..=5000.0), None);
            assert!(reader.problems[0].message.contains("1 to 5000"), "{text}");
        }
    }

    #[test]
    fn limits_have_words() {
        let own = fields(&[("pl2_w", "Unlimited"), ("limit_c", "auto")]);
        let mut reader = Reader::new(&own, Degrees::Celsius);
        assert_eq!(reader.limit("pl2_w", 1.0..=5000.0), LimitValue::Unlimited);
        assert_eq!(
            reader.limit_temperature("limit", 0.0..=200.0),
            LimitValue::Automatic
        );
        assert_eq!(reader.limit("pl1_w", 1.0..=5000.0), LimitValue::Unknown);
    }
}
