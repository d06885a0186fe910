//! Rows of cells into columns.

use std::fmt;

use polars::prelude::{
    ChunkedBuilder, DataFrame, Float64Type, Int64Type, IntoColumn, PlSmallStr, PolarsResult,
    PrimitiveChunkedBuilder, StringChunkedBuilder, TimeUnit, TimeZone, UInt32Type, UInt64Type,
};

use super::{Kind, Table};

/// One value; `None` is null.
#[derive(Clone, Debug)]
pub enum Cell {
    /// For a column of texts.
    Text(Option<PlSmallStr>),
    /// For a column of whole numbers, or of times in ms since 1970-01-01 UTC.
    Whole(Option<u64>),
    /// For a column of real numbers.
    Real(Option<f64>),
}

impl From<&str> for Cell {
    fn from(text: &str) -> Self {
        Self::Text(Some(text.into()))
    }
}

impl From<u64> for Cell {
    fn from(value: u64) -> Self {
        Self::Whole(Some(value))
    }
}

impl From<u32> for Cell {
    fn from(value: u32) -> Self {
        Self::Whole(Some(u64::from(value)))
    }
}

impl From<Option<f64>> for Cell {
    fn from(value: Option<f64>) -> Self {
        Self::Real(value)
    }
}

/// A table that grows by rows.
pub struct Builder {
    columns: Vec<Values>,
    rows: usize,
}

/// In the table engine's own form from the first row on: no second pass over them.
enum Values {
    Text(StringChunkedBuilder),
    U32(PrimitiveChunkedBuilder<UInt32Type>),
    U64(PrimitiveChunkedBuilder<UInt64Type>),
    F64(PrimitiveChunkedBuilder<Float64Type>),
    Time(PrimitiveChunkedBuilder<Int64Type>),
}

impl fmt::Debug for Builder {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.debug_struct("Builder").field("rows", &self.rows).finish_non_exhaustive()
    }
}

impl Builder {
    pub fn new(table: &'static Table) -> Self {
        let columns = table.columns.iter().map(|(name, kind)| {
            let name = PlSmallStr::from_static(name);
            match kind {
                Kind::Text => Values::Text(StringChunkedBuilder::new(name, 0)),
                Kind::U32 => Values::U32(PrimitiveChunkedBuilder::new(name, 0)),
                Kind::U64 => Values::U64(PrimitiveChunkedBuilder::new(name, 0)),
                Kind::F64 => Values::F64(PrimitiveChunkedBuilder::new(name, 0)),
                Kind::Time => Values::Time(PrimitiveChunkedBuilder::new(name, 0)),
            }
        });
        Self { columns: columns.collect(), rows: 0 }
    }

    /// Adds a row: a cell a column, in order. A cell of another kind than its column's becomes null.
    pub fn row(&mut self, cells: impl IntoIterator<Item = Cell>) {
        self.rows += 1;
        let mut cells = cells.into_iter();
        for column in &mut self.columns {
            let cell = cells.next();
            let whole = || if let Some(Cell::Whole(value)) = &cell { *value } else { None };
            match column {
                Values::Text(values) => {
                    values.append_option(if let Some(Cell::Text(text)) = &cell {
                        text.as_deref()
                    } else {
                        None
                    });
                }
                Values::U32(values) => {
                    values.append_option(whole().and_then(|value| u32::try_from(value).ok()))
                }
                Values::U64(values) => values.append_option(whole()),
                Values::F64(values) => {
                    values.append_option(if let Some(Cell::Real(value)) = cell { value } else { None });
                }
                Values::Time(values) => {
                    values.append_option(whole().and_then(|value| i64::try_from(value).ok()))
                }
            }
        }
    }

    pub const fn is_empty(&self) -> bool {
        self.rows == 0
    }

    pub fn finish(self) -> PolarsResult<DataFrame> {
        let columns = self.columns.into_iter().map(|values| match values {
            Values::Text(values) => values.finish().into_column(),
            Values::U32(values) => values.finish().into_column(),
            Values::U64(values) => values.finish().into_column(),
            Values::F64(values) => values.finish().into_column(),
            Values::Time(values) => {
                values.finish().into_datetime(TimeUnit::Milliseconds, Some(TimeZone::UTC)).into_column()
            }
        });
        DataFrame::new_infer_height(columns.collect())
    }
}
