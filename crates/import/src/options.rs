//! What the user states about a file that the file itself does not tell.

use std::str::FromStr;

use settlepoint_domain::Role;

use crate::error::ImportError;
use crate::recipe::Recipe;
use crate::stamp::DayOrder;
use crate::units::{self, SourceUnit};

/// What is stated from outside; everything left out is worked out from the file.
#[derive(Clone, Debug, Default)]
pub struct ImportOptions {
    /// Roles, scales and units of columns.
    pub overrides: Vec<ChannelOverride>,
    /// Seconds between rows, for files that only count rows or have no time.
    pub interval_s: Option<f64>,
    /// Order of day and month.
    pub day_order: Option<DayOrder>,
    /// The device whose rows are wanted, where the file holds several.
    pub device: Option<String>,
    /// The part that the log is of; "package" unless the columns say otherwise.
    pub part: Option<String>,
    /// A saved mapping; `overrides` win over it.
    pub recipe: Option<Recipe>,
}

/// A column asked for by name or number.
#[derive(Clone, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum ColumnRef {
    /// 1-based number.
    Number(usize),
    /// Name as in the header, or a number if no column has that name.
    Name(String),
}

/// One column's role with its scale and unit, as given by `--channel ROLE=COLUMN`.
///
/// ```
/// use settlepoint_import::ChannelOverride;
/// let scaled: ChannelOverride = "power=Heater 1 (%)*0.01".parse()?;
/// assert_eq!(scaled.scale, 0.01);
/// let stated: ChannelOverride = "temperature=col 3@degF".parse()?;
/// assert_eq!(stated.unit.map(|u| u.code), Some("[degF]"));
/// # Ok::<(), settlepoint_import::ImportError>(())
/// ```
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelOverride {
    /// The role it shall have.
    pub role: Role,
    /// The column.
    pub column: ColumnRef,
    /// Everything behind `=`, should a column's name hold `*` or `@` itself.
    pub text: String,
    /// Factor on the values as read, before the unit is converted; 1 if none is given.
    pub scale: f64,
    /// The unit of the values, if stated.
    pub unit: Option<SourceUnit>,
}

impl FromStr for ChannelOverride {
    type Err = ImportError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let bad = |expected: String| ImportError::BadOverride {
            text: text.to_owned(),
            expected,
        };
        let form = "ROLE=COLUMN, ROLE=\"COLUMN*FACTOR\" or ROLE=\"COLUMN@UNIT\"";
        let (role, rest) = text.split_once('=').ok_or_else(|| bad(form.to_owned()))?;
        let role = role.trim().parse().map_err(bad)?;
        let whole = unquote(rest.trim());
        if whole.is_empty() {
            return Err(bad(format!("a column's name or number behind '=': {form}")));
        }
        let (column, scale, unit) = split_modifiers(whole).map_err(bad)?;
        Ok(Self {
            role,
            column: column_ref(column),
            text: whole.to_owned(),
            scale,
            unit,
        })
    }
}

fn unquote(text: &str) -> &str {
    ['"', '\'']
        .iter()
        .find_map(|quote| text.strip_prefix(*quote)?.strip_suffix(*quote))
        .unwrap_or(text)
}

/// Takes `@unit` and `*factor` or `/divisor` off the end, in either order.
fn split_modifiers(whole: &str) -> Result<(&str, f64, Option<SourceUnit>), String> {
    let (mut rest, mut scale, mut unit) = (whole, 1.0, None);
    loop {
        let at = rest.rfind('@').filter(|_| unit.is_none());
        if let Some(at) = at {
            let spelling = rest[at + 1..].trim();
            if let Some(known) = units::lookup(spelling) {
                unit = Some(known);
                rest = rest[..at].trim_end();
                continue;
            }
            if !spelling.contains(['*', '/', ' ']) {
                return Err(format!(
                    "a unit behind '@' by its UCUM code or usual spelling (Cel, degF, K, W, mW, J, \
                     uJ, MHz, %, s, ms, ns); '{spelling}' is not known"
                ));
            }
        }
        let Some((head, factor)) = trailing_factor(rest) else {
            break;
        };
        if factor == 0.0 || !factor.is_finite() {
            return Err("a factor other than 0".to_owned());
        }
        scale *= factor;
        rest = head;
    }
    if rest.is_empty() {
        return Err("a column's name or number before the factor or unit".to_owned());
    }
    Ok((unquote(rest), scale, unit))
}

fn trailing_factor(text: &str) -> Option<(&str, f64)> {
    let at = text.rfind(['*', '/'])?;
    let value: f64 = text[at + 1..].trim().parse().ok()?;
    let factor = if text.as_bytes()[at] == b'/' {
        1.0 / value
    } else {
        value
    };
    Some((text[..at].trim_end(), factor))
}

/// `col 3`, `column 3` and `#3` are numbers; a bare `3` is one unless a column is called that.
fn column_ref(text: &str) -> ColumnRef {
    let lower = text.to_ascii_lowercase();
    let number = ["column", "col", "#"].iter().find_map(|word| {
        lower
            .strip_prefix(word)?
            .trim_start_matches([' ', '.', '#'])
            .parse()
            .ok()
    });
    match number {
        Some(number) => ColumnRef::Number(number),
        None => ColumnRef::Name(text.to_owned()),
    }
}

/// Index of the column meant among `names`, and how many others have the same name.
pub(crate) fn resolve(column: &ColumnRef, names: &[String]) -> Option<(usize, usize)> {
    let name = match column {
        ColumnRef::Number(number) => {
            let index = number.checked_sub(1)?;
            return (index < names.len()).then_some((index, 0));
        }
        ColumnRef::Name(name) => name.trim(),
    };
    let all_with = |same: &dyn Fn(&str) -> bool| {
        let mut hits = names
            .iter()
            .enumerate()
            .filter(|(_, n)| same(n))
            .map(|(i, _)| i);
        hits.next().map(|first| (first, hits.count()))
    };
    let folded = name.to_lowercase();
    all_with(&|n| n.trim() == name)
        .or_else(|| all_with(&|n| n.trim().to_lowercase() == folded))
        .or_else(|| {
            let index = name.parse::<usize>().ok()?.checked_sub(1)?;
            (index < names.len()).then_some((index, 0))
        })
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "exact by construction")]
mod tests {
    use super::*;

    fn parsed(text: &str) -> ChannelOverride {
        text.parse().unwrap()
    }

    #[test]
    fn forms_of_the_contract() {
        let plain = parsed("power=CPU Package");
        assert_eq!(
            (plain.role, plain.scale, plain.unit),
            (Role::Power, 1.0, None)
        );
        assert_eq!(plain.column, ColumnRef::Name("CPU Package".into()));
        assert_eq!(
            parsed("temperature=\"col 3@degF\"").column,
            ColumnRef::Number(3)
        );
        assert_eq!(parsed("time=1@ms").unit.map(|u| u.code), Some("ms"));
        assert_eq!(parsed("power=Heater 1 (%)*0.01@W").scale, 0.01);
        assert_eq!(parsed("power=P@mW*2").scale, 2.0);
        assert_eq!(parsed("clock=x/1000").scale, 1.0 / 1000.0);
    }

    #[test]
    fn errors_say_what_to_write() {
        let message = |text: &str| text.parse::<ChannelOverride>().unwrap_err().to_string();
        assert!(message("power").contains("ROLE=COLUMN"));
        assert!(message("watts=3").contains("use one of time, power"));
        assert!(message("power=").contains("name or number"));
        assert!(message("temperature=3@furlong").contains("UCUM"));
        assert!(message("power=3*0").contains("other than 0"));
    }

    #[test]
    fn names_come_before_numbers() {
        let names = ["3".to_owned(), "Temp".into(), "temp".into(), "Temp".into()];
        assert_eq!(resolve(&ColumnRef::Name("3".into()), &names), Some((0, 0)));
        assert_eq!(resolve(&ColumnRef::Name("2".into()), &names), Some((1, 0)));
        assert_eq!(
            resolve(&ColumnRef::Name("Temp".into()), &names),
            Some((1, 1))
        );
        assert_eq!(
            resolve(&ColumnRef::Name("TEMP".into()), &names),
            Some((1, 2))
        );
        assert_eq!(resolve(&ColumnRef::Number(5), &names), None);
        assert_eq!(resolve(&ColumnRef::Number(0), &names), None);
    }
}
