use settlepoint_domain::LimitValue;

use crate::{COLUMNS, SheetError, SheetRow};

/// Where each known column stands in the file.
pub(crate) type Places = [Option<usize>; COLUMNS.len()];

/// One row's cells.
pub(crate) struct Cells<'a> {
    pub(crate) record: &'a csv::StringRecord,
    pub(crate) places: &'a Places,
    /// Cells are parted by something else than commas, so that a comma may be a decimal mark.
    pub(crate) decimal_comma: bool,
    pub(crate) file: &'a str,
    pub(crate) line: u64,
}

impl Cells<'_> {
    /// The row; `next` is its place if it does not say one.
    pub(crate) fn row(&self, next: u32) -> Result<SheetRow, SheetError> {
        let text = |column| self.text(column).to_owned();
        if self.text("run").is_empty() {
            return Err(self.wrong("run", "a name for the run"));
        }
        Ok(SheetRow {
            order: self.order(next)?,
            run: text("run"),
            machine: text("machine"),
            cooling: text("cooling"),
            tune: text("tune"),
            workload: text("workload"),
            setting: text("setting"),
            // The ranges of limits are those that a notebook's settings may have.
            pl1_w: self.limit("pl1_w", 0.1, 5000.0)?,
            pl2_w: self.limit("pl2_w", 0.1, 5000.0)?,
            tau_s: self.limit("tau_s", 0.0, 86_400.0)?,
            temp_limit_c: self.limit("temp_limit_c", 0.0, 200.0)?,
            fan_max_rpm: self.number("fan_max_rpm", 1.0, 50_000.0)?,
            room_c: self.number("room_c", -60.0, 80.0)?,
            warm_up_s: self.number("warm_up_s", 0.0, 86_400.0)?,
            run_s: self.number("run_s", 1.0, 604_800.0)?,
            cool_down_s: self.number("cool_down_s", 0.0, 86_400.0)?,
            block: text("block"),
            reason: text("reason"),
        })
    }

    fn text(&self, column: &str) -> &str {
        let known = COLUMNS.iter().position(|c| *c == column);
        known
            .and_then(|i| self.places[i])
            .and_then(|place| self.record.get(place))
            .unwrap_or("")
    }

    fn wrong(&self, column: &'static str, expected: &str) -> SheetError {
        SheetError::Cell {
            file: self.file.to_owned(),
            line: self.line,
            column,
            value: self.text(column).to_owned(),
            expected: expected.to_owned(),
        }
    }

    fn parsed(&self, column: &str) -> Option<f64> {
        let text = without_unit(self.text(column), unit(column));
        let number = if self.decimal_comma {
            text.replace(',', ".").parse()
        } else {
            text.parse()
        };
        number.ok().filter(|n: &f64| n.is_finite())
    }

    fn order(&self, next: u32) -> Result<u32, SheetError> {
        if self.text("order").is_empty() {
            return Ok(next);
        }
        let whole = self
            .parsed("order")
            .filter(|n| n.fract() == 0.0 && (1.0..=1e6).contains(n));
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "whole, and from 1 to a million"
        )]
        whole
            .map(|n| n as u32)
            .ok_or_else(|| self.wrong("order", "a whole number from 1"))
    }

    fn number(&self, column: &'static str, lo: f64, hi: f64) -> Result<Option<f64>, SheetError> {
        if self.text(column).is_empty() {
            return Ok(None);
        }
        match self.parsed(column) {
            Some(number) if (lo..=hi).contains(&number) => Ok(Some(number)),
            _ => Err(self.wrong(column, &expected(column, lo, hi))),
        }
    }

    fn limit(&self, column: &'static str, lo: f64, hi: f64) -> Result<LimitValue, SheetError> {
        match self.text(column).to_lowercase().as_str() {
            "" | "unknown" => Ok(LimitValue::Unknown),
            "automatic" | "auto" => Ok(LimitValue::Automatic),
            "unlimited" => Ok(LimitValue::Unlimited),
            _ => match self.parsed(column) {
                Some(number) if (lo..=hi).contains(&number) => Ok(LimitValue::Value(number)),
                _ => Err(self.wrong(
                    column,
                    &format!(
                        "{}, or automatic, unlimited or unknown,",
                        expected(column, lo, hi)
                    ),
                )),
            },
        }
    }
}

fn expected(column: &str, lo: f64, hi: f64) -> String {
    let text = format!("a number from {lo} to {hi} {}", unit(column));
    text.trim_end().to_owned()
}

/// The unit in a column's name.
fn unit(column: &str) -> &'static str {
    match column.rsplit('_').next() {
        Some("w") => "W",
        Some("s") => "s",
        Some("c") => "°C",
        Some("rpm") => "rpm",
        _ => "",
    }
}

/// The number in "125 W" or "21,5 °C".
fn without_unit<'a>(text: &'a str, unit: &str) -> &'a str {
    let bare = text
        .strip_suffix(unit)
        .or_else(|| text.strip_suffix(unit.trim_start_matches('°')));
    bare.unwrap_or(text).trim_end()
}
