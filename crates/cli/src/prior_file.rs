//! Priors that the owner puts in place of the table's: a TOML file with one table a parameter.
//!
//! ```toml
//! [fan_exponent]
//! centre = 0.5        # on the parameter's own scale
//! sd = 0.1            # on the scale of its prior: relative where that is log-normal
//! reason = "a straight duct"
//! ```

use std::path::Path;

use settlepoint_infer::prior::PriorChange;
use toml::{Table, Value};

use crate::error::{Failure, with_path};

/// Reads the file.
///
/// # Errors
/// A file that cannot be read or is not of that form; the message names the parameter.
pub(crate) fn read(file: &Path) -> Result<Vec<PriorChange>, Failure> {
    let text = std::fs::read_to_string(file).map_err(|e| with_path(file, "read", &e))?;
    let table: Table = text
        .parse()
        .map_err(|e: toml::de::Error| Failure::data(format!("{}: {e}", file.display())))?;
    table
        .iter()
        .map(|(name, value)| {
            change(name, value).map_err(|why| {
                Failure::data(format!(
                    "{}: [{name}] {why}; write centre = NUMBER and sd = NUMBER under it ('fit --priors' \
                     prints those in use)",
                    file.display()
                ))
            })
        })
        .collect()
}

fn change(name: &str, value: &Value) -> Result<PriorChange, String> {
    let entry = value.as_table().ok_or("is no table")?;
    if let Some(odd) = entry
        .keys()
        .find(|k| !["centre", "sd", "reason"].contains(&k.as_str()))
    {
        return Err(format!("has '{odd}', which is not known"));
    }
    let number = |key: &str| {
        let value = entry.get(key).ok_or(format!("has no {key}"))?;
        value
            .as_float()
            .or(value.as_integer().map(|i| i as f64))
            .filter(|v| v.is_finite())
            .ok_or(format!("has a {key} that is no number"))
    };
    Ok(PriorChange {
        name: name.to_owned(),
        centre: number("centre")?,
        sd: number("sd")?,
        reason: entry
            .get("reason")
            .and_then(Value::as_str)
            .unwrap_or("stated by the owner")
            .to_owned(),
        required: true,
    })
}
