//! Rows of cells into columns.

use polars::prelude::{
    Column, DataFrame, IntoSeries, NamedFrom, NewChunkedArray, PlSmallStr, PolarsResult, Series,
    StringChunked,
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
#[derive(Debug)]
pub struct Builder {
    table: &'static Table,
    columns: Vec<Values>,
}

#[derive(Debug)]
enum Values {
    Text(Vec<Option<PlSmallStr>>),
    U32(Vec<Option<u32>>),
    U64(Vec<Option<u64>>),
    F64(Vec<Option<f64>>),
    Time(Vec<Option<i64>>),
}

impl Builder {
    pub fn new(table: &'static Table) -> Self {
        let columns = table.columns.iter().map(|(_, kind)| match kind {
            Kind::Text => Values::Text(Vec::new()),
            Kind::U32 => Values::U32(Vec::new()),
            Kind::U64 => Values::U64(Vec::new()),
            Kind::F64 => Values::F64(Vec::new()),
            Kind::Time => Values::Time(Vec::new()),
        });
        Self { table, columns: columns.collect() }
    }

    /// Adds a row: a cell a column, in order. A cell of another kind than its column's becomes null.
    pub fn row(&mut self, cells: impl IntoIterator<Item = Cell>) {
        let mut cells = cells.into_iter();
        for column in &mut self.columns {
            let cell = cells.next();
            let whole = || if let Some(Cell::Whole(value)) = &cell { *value } else { None };
            match column {
                Values::Text(values) => {
                    values.push(if let Some(Cell::Text(text)) = cell { text } else { None })
                }
                Values::U32(values) => values.push(whole().and_then(|value| u32::try_from(value).ok())),
                Values::U64(values) => values.push(whole()),
                Values::F64(values) => {
                    values.push(if let Some(Cell::Real(value)) = cell { value } else { None });
                }
                Values::Time(values) => values.push(whole().and_then(|value| i64::try_from(value).ok())),
            }
        }
    }

    pub fn is_empty(&self) -> bool {
        self.columns.first().is_none_or(|column| match column {
            Values::Text(values) => values.is_empty(),
            Values::U32(values) => values.is_empty(),
            Values::U64(values) => values.is_empty(),
            Values::F64(values) => values.is_empty(),
            Values::Time(values) => values.is_empty(),
        })
    }

    pub fn finish(self) -> PolarsResult<DataFrame> {
        let columns = self.columns.into_iter().zip(self.table.columns).map(|(values, (name, kind))| {
            let name: PlSmallStr = (*name).into();
            let series = match values {
                Values::Text(values) => {
                    StringChunked::from_iter_options(name, values.into_iter()).into_series()
                }
                Values::U32(values) => Series::new(name, values),
                Values::U64(values) => Series::new(name, values),
                Values::F64(values) => Series::new(name, values),
                Values::Time(values) => Series::new(name, values).cast(&kind.data_type())?,
            };
            Ok(Column::from(series))
        });
        DataFrame::new_infer_height(columns.collect::<PolarsResult<Vec<Column>>>()?)
    }
}
