//! Between SQL values and domain types.

use rusqlite::Row;
use rusqlite::types::{FromSql, FromSqlError, FromSqlResult, ToSql, ToSqlOutput, Value, ValueRef};
use settlepoint_domain::{
    Averaging, Direction, Id, LimitValue, PhaseKind, Role, ScoreKind, Severity, TimeOrigin, Unit,
};

use crate::NotebookError;

/// An id as the database keeps it: 16 bytes, most significant first.
#[derive(Clone, Copy)]
pub(crate) struct SqlId(pub(crate) Id);

impl ToSql for SqlId {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(ToSqlOutput::Owned(Value::Blob(
            self.0.as_u128().to_be_bytes().to_vec(),
        )))
    }
}

impl FromSql for SqlId {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        <[u8; 16]>::column_result(value)
            .map(|bytes| Self(Id::from_u128(u128::from_be_bytes(bytes))))
    }
}

pub(crate) fn id_at(row: &Row<'_>, column: &str) -> rusqlite::Result<Id> {
    row.get::<_, SqlId>(column).map(|id| id.0)
}

/// A limit as the database keeps it: a number or a word.
pub(crate) struct SqlLimit(pub(crate) LimitValue);

impl ToSql for SqlLimit {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(match self.0 {
            LimitValue::Unknown => "unknown".into(),
            LimitValue::Automatic => "automatic".into(),
            LimitValue::Unlimited => "unlimited".into(),
            LimitValue::Value(value) => value.into(),
        })
    }
}

impl FromSql for SqlLimit {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        match value {
            ValueRef::Real(value) => Ok(Self(LimitValue::Value(value))),
            ValueRef::Text(b"unknown") => Ok(Self(LimitValue::Unknown)),
            ValueRef::Text(b"automatic") => Ok(Self(LimitValue::Automatic)),
            ValueRef::Text(b"unlimited") => Ok(Self(LimitValue::Unlimited)),
            _ => Err(FromSqlError::InvalidType),
        }
    }
}

pub(crate) fn limit_at(row: &Row<'_>, column: &str) -> rusqlite::Result<LimitValue> {
    row.get::<_, SqlLimit>(column).map(|limit| limit.0)
}

/// A domain enum that is kept as a word.
pub(crate) trait Word: Sized + Copy {
    /// What it is, for messages.
    const WHAT: &'static str;
    /// Every value with its word.
    fn words() -> Vec<(Self, &'static str)>;
    /// Whether two values are the same.
    fn same(self, other: Self) -> bool;

    /// The word of a value.
    fn word(self) -> Result<&'static str, NotebookError> {
        let known = Self::words()
            .into_iter()
            .find(|(value, _)| value.same(self));
        known.map(|(_, word)| word).ok_or_else(|| {
            NotebookError::invalid(
                Self::WHAT,
                "this version cannot keep it; update settlepoint",
            )
        })
    }

    /// The value of a word.
    fn from_word(word: &str) -> Result<Self, NotebookError> {
        let known = Self::words().into_iter().find(|(_, w)| *w == word);
        known
            .map(|(value, _)| value)
            .ok_or_else(|| NotebookError::corrupt(format!("'{word}' is no {}", Self::WHAT)))
    }

    /// The value of the word in a column.
    fn at(row: &Row<'_>, column: &str) -> Result<Self, NotebookError> {
        Self::from_word(
            row.get_ref(column)?
                .as_str()
                .map_err(rusqlite::Error::from)?,
        )
    }
}

macro_rules! words {
    ($type:ty, $what:literal, $words:expr) => {
        impl Word for $type {
            const WHAT: &'static str = $what;
            fn words() -> Vec<(Self, &'static str)> {
                $words
            }
            fn same(self, other: Self) -> bool {
                self == other
            }
        }
    };
}

words!(
    Direction,
    "direction",
    vec![(Self::Higher, "higher"), (Self::Lower, "lower")]
);
words!(
    ScoreKind,
    "kind of score",
    vec![
        (Self::MeanRate, "mean_rate"),
        (Self::LastPass, "last_pass"),
        (Self::TimeForWork, "time_for_work"),
    ]
);
words!(
    Averaging,
    "averaging",
    vec![
        (Self::Instant, "instant"),
        (Self::Mean, "mean"),
        (Self::Counter, "counter")
    ]
);
words!(
    TimeOrigin,
    "origin of times",
    vec![
        (Self::Epoch, "epoch"),
        (Self::Midnight, "midnight"),
        (Self::Start, "start"),
    ]
);
words!(
    PhaseKind,
    "phase",
    Self::ALL.iter().map(|kind| (*kind, kind.token())).collect()
);
words!(
    Role,
    "role",
    Self::ALL.iter().map(|role| (*role, role.token())).collect()
);
words!(
    Severity,
    "severity",
    [Self::Note, Self::Warning, Self::Error]
        .iter()
        .map(|s| (*s, s.token()))
        .collect()
);
words!(
    Unit,
    "unit",
    [
        Self::Second,
        Self::Watt,
        Self::Joule,
        Self::Celsius,
        Self::Rpm,
        Self::Share,
        Self::Megahertz,
        Self::Dba,
        Self::None,
    ]
    .iter()
    .map(|unit| (*unit, unit.code()))
    .collect()
);

/// Refuses a number that SQL would silently turn into "not noted" (NaN) or that no later reader
/// could use (infinite).
pub(crate) fn finite(field: &str, value: f64) -> Result<f64, NotebookError> {
    if value.is_finite() {
        return Ok(value);
    }
    Err(NotebookError::invalid(
        field,
        format!("{value} is not a finite number"),
    ))
}

/// The same for a number that may be absent.
pub(crate) fn finite_or_none(
    field: &str,
    value: Option<f64>,
) -> Result<Option<f64>, NotebookError> {
    value.map(|value| finite(field, value)).transpose()
}

/// A count as SQL keeps it.
pub(crate) fn count(field: &str, value: usize) -> Result<i64, NotebookError> {
    i64::try_from(value).map_err(|_| NotebookError::invalid(field, "the number is too large"))
}

/// A count as it is read back.
pub(crate) fn count_at(row: &Row<'_>, column: &str) -> Result<usize, NotebookError> {
    let value: i64 = row.get(column)?;
    usize::try_from(value)
        .map_err(|_| NotebookError::corrupt(format!("{column} is {value}, which is no count")))
}
