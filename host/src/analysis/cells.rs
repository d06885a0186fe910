//! Values of a table by column and row: what is not there, or is of another kind, is `None`.

use polars::prelude::{AnyValue, DataFrame, DataType};

/// A table that is read by rows.
#[derive(Clone, Copy, Debug)]
pub struct Cells<'f>(pub &'f DataFrame);

impl<'f> Cells<'f> {
    /// How many rows.
    pub fn rows(self) -> usize {
        self.0.height()
    }

    fn value(self, column: &str, row: usize) -> Option<AnyValue<'f>> {
        self.0.column(column).ok()?.get(row).ok()
    }

    /// A text.
    pub fn text(self, column: &str, row: usize) -> Option<String> {
        match self.value(column, row)? {
            AnyValue::String(text) => Some(text.to_owned()),
            AnyValue::StringOwned(text) => Some(text.to_string()),
            _ => None,
        }
    }

    /// A real number, or a whole one as such; finite.
    pub fn real(self, column: &str, row: usize) -> Option<f64> {
        self.value(column, row)?.extract::<f64>().filter(|value| value.is_finite())
    }

    /// A whole number, not negative.
    pub fn whole(self, column: &str, row: usize) -> Option<u64> {
        match self.value(column, row)? {
            AnyValue::UInt32(value) => Some(value.into()),
            AnyValue::UInt64(value) => Some(value),
            AnyValue::Int64(value) => u64::try_from(value).ok(),
            _ => None,
        }
    }

    /// Whether it says yes.
    pub fn is_true(self, column: &str, row: usize) -> bool {
        matches!(self.value(column, row), Some(AnyValue::Boolean(true)))
    }

    /// A time: UTC in ms since 1970-01-01.
    pub fn ms(self, column: &str, row: usize) -> Option<i64> {
        match self.value(column, row)? {
            AnyValue::Datetime(ms, _, _) | AnyValue::DatetimeOwned(ms, _, _) => Some(ms),
            _ => None,
        }
    }

    /// A column of numbers of any kind as real ones, for many rows.
    pub fn reals_of(self, column: &str) -> Vec<Option<f64>> {
        let values = self.0.column(column).ok().and_then(|column| column.cast(&DataType::Float64).ok());
        let values = values.as_ref().and_then(|column| column.f64().ok());
        values.map_or_else(|| vec![None; self.rows()], |values| values.iter().collect())
    }

    /// A column of real numbers, for many rows.
    pub fn reals(self, column: &str) -> Vec<Option<f64>> {
        let values = self.0.column(column).ok().and_then(|column| column.f64().ok());
        values.map_or_else(
            || vec![None; self.rows()],
            |values| values.iter().map(|value| value.filter(|value| value.is_finite())).collect(),
        )
    }
}
