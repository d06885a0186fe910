//! Rows of cells into columns.

use std::{fmt, slice};

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

    /// Begins a row.
    pub fn begin(&mut self) -> Row<'_> {
        self.rows += 1;
        Row(self.columns.iter_mut())
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

/// A row that is being written, a value a column, in order. A value of another kind than its column's becomes null, and so does
/// what is missing at the end.
pub struct Row<'b>(slice::IterMut<'b, Values>);

impl Row<'_> {
    pub fn text(&mut self, text: Option<&str>) {
        match self.0.next() {
            Some(Values::Text(values)) => values.append_option(text),
            other => absent(other),
        }
    }

    pub fn whole(&mut self, value: Option<u64>) {
        match self.0.next() {
            Some(Values::U32(values)) => values.append_option(value.and_then(|value| value.try_into().ok())),
            Some(Values::U64(values)) => values.append_option(value),
            Some(Values::Time(values)) => values.append_option(value.and_then(|value| value.try_into().ok())),
            other => absent(other),
        }
    }

    pub fn real(&mut self, value: Option<f64>) {
        match self.0.next() {
            Some(Values::F64(values)) => values.append_option(value),
            other => absent(other),
        }
    }

    pub fn reals(&mut self, values: impl IntoIterator<Item = Option<f64>>) {
        values.into_iter().for_each(|value| self.real(value));
    }

    /// Those behind the ones that are written.
    pub fn cells(&mut self, cells: impl IntoIterator<Item = Cell>) {
        for cell in cells {
            match cell {
                Cell::Text(text) => self.text(text.as_deref()),
                Cell::Whole(value) => self.whole(value),
                Cell::Real(value) => self.real(value),
            }
        }
    }
}

impl Drop for Row<'_> {
    fn drop(&mut self) {
        self.0.by_ref().for_each(|column| absent(Some(column)));
    }
}

fn absent(column: Option<&mut Values>) {
    match column {
        Some(Values::Text(values)) => values.append_option::<&str>(None),
        Some(Values::U32(values)) => values.append_option(None),
        Some(Values::U64(values)) => values.append_option(None),
        Some(Values::F64(values)) => values.append_option(None),
        Some(Values::Time(values)) => values.append_option(None),
        None => {}
    }
}
