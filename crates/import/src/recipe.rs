//! Saved mappings: Frictionless Table Schema in JSON, units as UCUM codes.

use serde_json::{Map, Value, json};
use settlepoint_domain::Role;

use crate::error::ImportError;
use crate::options::{ChannelOverride, ColumnRef};
use crate::stamp::DayOrder;
use crate::units;

/// A named mapping from columns to roles, to read further files of the same make alike.
#[derive(Clone, Debug, PartialEq)]
pub struct Recipe {
    /// Label.
    pub name: String,
    /// The mapping of the columns that have a role.
    pub channels: Vec<ChannelOverride>,
    /// Seconds between rows, where it was stated.
    pub interval_s: Option<f64>,
    /// Order of day and month, where it matters.
    pub day_order: Option<DayOrder>,
    /// The device picked.
    pub device: Option<String>,
    /// Names of all columns, in order.
    pub columns: Vec<String>,
}

impl Recipe {
    /// The recipe as a Table Schema: one field a column with `name` and `type`; `unit` holds the
    /// UCUM code, `role` and `scale` are what the importer adds.
    pub fn to_json(&self) -> String {
        let fields: Vec<Value> = self
            .columns
            .iter()
            .enumerate()
            .map(|(at, name)| self.field(at, name))
            .collect();
        let mut schema = Map::new();
        schema.insert(
            "$schema".into(),
            json!("https://datapackage.org/profiles/2.0/tableschema.json"),
        );
        schema.insert("name".into(), json!(self.name));
        schema.insert("fields".into(), Value::Array(fields));
        schema.insert("fieldsMatch".into(), json!("superset"));
        if let Some(interval) = self.interval_s {
            schema.insert("interval_s".into(), json!(interval));
        }
        if let Some(order) = self.day_order {
            schema.insert("dayOrder".into(), json!(order.token()));
        }
        if let Some(device) = &self.device {
            schema.insert("device".into(), json!(device));
        }
        format!("{:#}", Value::Object(schema))
    }

    fn field(&self, at: usize, name: &str) -> Value {
        let mut field = Map::new();
        field.insert("name".into(), json!(name));
        let channel = self.channels.iter().find(|c| match &c.column {
            ColumnRef::Number(number) => *number == at + 1,
            ColumnRef::Name(text) => text == name,
        });
        let kind = match channel.map(|c| c.role) {
            Some(Role::Time) if channel.is_some_and(|c| c.unit.is_none()) => "datetime",
            Some(Role::Part) => "string",
            Some(_) => "number",
            None => "any",
        };
        field.insert("type".into(), json!(kind));
        if let Some(channel) = channel {
            field.insert("role".into(), json!(channel.role.token()));
            if let Some(unit) = channel.unit {
                field.insert("unit".into(), json!(unit.code));
            }
            if (channel.scale - 1.0).abs() > f64::EPSILON {
                field.insert("scale".into(), json!(channel.scale));
            }
        }
        Value::Object(field)
    }

    /// Reads a recipe back.
    ///
    /// # Errors
    /// [`ImportError::BadRecipe`] names the field that cannot be understood.
    pub fn from_json(text: &str) -> Result<Self, ImportError> {
        let bad = |message: String| ImportError::BadRecipe { message };
        let value: Value = serde_json::from_str(text).map_err(|e| bad(e.to_string()))?;
        let fields = value
            .get("fields")
            .and_then(Value::as_array)
            .ok_or_else(|| bad("no list 'fields'".to_owned()))?;
        let mut columns = Vec::new();
        let mut channels = Vec::new();
        for (at, field) in fields.iter().enumerate() {
            let name = field
                .get("name")
                .and_then(Value::as_str)
                .ok_or_else(|| bad(format!("field {} has no 'name'", at + 1)))?;
            if let Some(mut channel) = channel_of(field, name).map_err(&bad)? {
                // A name that was there before can only be told by its place.
                if columns.iter().any(|c| c == name) {
                    channel.column = ColumnRef::Number(at + 1);
                }
                channels.push(channel);
            }
            columns.push(name.to_owned());
        }
        let text_at = |key: &str| value.get(key).and_then(Value::as_str).map(str::to_owned);
        let interval_s = value.get("interval_s").and_then(Value::as_f64);
        if interval_s.is_some_and(|s| s <= 0.0) {
            return Err(bad("'interval_s' is not above 0".to_owned()));
        }
        Ok(Self {
            name: text_at("name").unwrap_or_default(),
            channels,
            interval_s,
            day_order: text_at("dayOrder")
                .map(|t| t.parse())
                .transpose()
                .map_err(bad)?,
            device: text_at("device"),
            columns,
        })
    }
}

fn channel_of(field: &Value, name: &str) -> Result<Option<ChannelOverride>, String> {
    let Some(role) = field.get("role").and_then(Value::as_str) else {
        return Ok(None);
    };
    let role: Role = role.parse().map_err(|e| format!("field '{name}': {e}"))?;
    let unit = match field
        .get("unit")
        .and_then(Value::as_str)
        .filter(|u| !u.is_empty())
    {
        Some(code) => Some(
            units::lookup(code)
                .ok_or_else(|| format!("field '{name}': unit '{code}' is not known"))?,
        ),
        None => None,
    };
    let scale = field.get("scale").and_then(Value::as_f64).unwrap_or(1.0);
    if scale == 0.0 || !scale.is_finite() {
        return Err(format!("field '{name}': scale {scale} is no factor"));
    }
    let column = ColumnRef::Name(name.to_owned());
    Ok(Some(ChannelOverride {
        role,
        column,
        text: name.to_owned(),
        scale,
        unit,
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_recipe_survives_the_round_trip() {
        let recipe = Recipe {
            name: "bench log".into(),
            channels: vec![
                "time=t@ms".parse().unwrap(),
                "power=\"P*0.01\"".parse().unwrap(),
            ],
            interval_s: Some(0.5),
            day_order: Some(DayOrder::MonthFirst),
            device: Some("node 1".into()),
            columns: vec!["t".into(), "P".into(), "x".into()],
        };
        let mut back = Recipe::from_json(&recipe.to_json()).unwrap();
        for (channel, old) in back.channels.iter_mut().zip(&recipe.channels) {
            channel.text.clone_from(&old.text);
        }
        assert_eq!(back, recipe);
    }

    #[test]
    fn errors_name_the_field() {
        let message = |text: &str| Recipe::from_json(text).unwrap_err().to_string();
        assert!(message("{}").contains("fields"));
        assert!(message(r#"{"fields":[{"name":"a","role":"watts"}]}"#).contains("'a'"));
        assert!(
            message(r#"{"fields":[{"name":"a","role":"power","unit":"xx"}]}"#).contains("'xx'")
        );
    }
}
