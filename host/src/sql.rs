//! SQL over a store, for the curious: every table by its name, each with the feeder of its bank, and the register of the banks.
//!
//! Queries stay lazy until rows are asked for: only the columns and files that a question needs are read.

use polars::prelude::{DataType, Expr, LazyFrame, PolarsError, PolarsResult, TimeUnit, TimeZone, col, lit};
use polars::sql::{SQLContext, extract_table_identifiers};
use thiserror::Error;

use crate::analysis::{Filter, days};
use crate::store::{ALL_TABLES, Kind, Store, StoreError};

/// The register of the banks, as a table.
pub const REGISTER: &str = "banks";

/// Why a question has no answer.
#[derive(Debug, Error)]
pub enum SqlError {
    /// It would change something, or is no SQL question at all.
    #[error("\"{0}\" is no question; ask with SELECT or WITH: a store is read, never changed, with SQL")]
    NoQuestion(String),
    /// A table that is not there.
    #[error("there is no table \"{name}\" in a store; there are {there}")]
    NoTable {
        /// As it was asked for.
        name: String,
        /// Those that there are.
        there: String,
    },
    /// A column that is not there.
    #[error("there is no column \"{name}\"; {there}")]
    NoColumn {
        /// As it was asked for.
        name: String,
        /// Those that there are.
        there: String,
    },
    /// It cannot be understood or computed.
    #[error(
        "{0}; tables and columns: wyelog sql --tables, what SQL it takes: the user guide of polars, \"SQL\""
    )]
    Refused(String),
    /// The store cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// A column: its name, and what it holds.
pub type Column = (String, &'static str);

/// Every table with its columns.
///
/// # Errors
/// The register makes no sense to the table engine: never, as far as we know.
pub fn tables(store: &Store) -> Result<Vec<(&'static str, Vec<Column>)>, StoreError> {
    let mut tables = Vec::new();
    for table in ALL_TABLES {
        let own = table.columns.iter().map(|(name, kind)| ((*name).to_owned(), words(*kind)));
        tables.push((table.name, own.chain([("feeder".to_owned(), words(Kind::Text))]).collect()));
    }
    let schema = store.register().collect_schema()?;
    tables.push((REGISTER, schema.iter().map(|(name, kind)| (name.to_string(), said(kind))).collect()));
    Ok(tables)
}

const fn words(kind: Kind) -> &'static str {
    match kind {
        Kind::Text => "text",
        Kind::U32 | Kind::U64 => "whole number",
        Kind::F64 => "real number",
        Kind::Time => "time, UTC",
    }
}

fn said(kind: &DataType) -> &'static str {
    match kind {
        DataType::String => words(Kind::Text),
        DataType::Datetime(..) => words(Kind::Time),
        kind if kind.is_integer() => words(Kind::U64),
        _ => words(Kind::F64),
    }
}

/// The rows that a question asks for; nothing is read before they are.
///
/// # Errors
/// The question makes no sense, or the store cannot be read.
pub fn question(store: &Store, text: &str) -> Result<LazyFrame, SqlError> {
    let first: String = text.trim_start().chars().take_while(|c| c.is_ascii_alphabetic()).collect();
    let is_question = ["SELECT", "WITH"].iter().any(|word| first.eq_ignore_ascii_case(word));
    if !is_question && !text.trim_start().starts_with('(') {
        return Err(SqlError::NoQuestion(text.split_whitespace().next().unwrap_or_default().to_owned()));
    }
    let mut context = SQLContext::new();
    for table in ALL_TABLES {
        // Days that no ingest summed up are summed up now.
        context.register(table.name, days::rows(store, table, &Filter::default())?);
    }
    context.register(REGISTER, store.register());
    let frame = context.execute(text).map_err(|error| refused(store, text, &error))?;
    plain(frame).map_err(|error| refused(store, text, &error))
}

/// Rows of which every cell is a text, a whole or real number, true or false, or a time in UTC to the millisecond.
fn plain(mut frame: LazyFrame) -> PolarsResult<LazyFrame> {
    let schema = frame.collect_schema()?;
    let utc = DataType::Datetime(TimeUnit::Milliseconds, Some(TimeZone::UTC));
    let columns = schema.iter().filter_map(|(name, kind)| {
        let column = || col(name.clone());
        let cast: Expr = match kind {
            DataType::String | DataType::Float64 | DataType::Int64 | DataType::Boolean => return None,
            DataType::UInt32 | DataType::UInt64 => return None,
            kind if *kind == utc => return None,
            // A time without a zone is UTC: there are no others in a store.
            DataType::Datetime(_, None) => {
                column().cast(DataType::Datetime(TimeUnit::Milliseconds, None)).cast(utc.clone())
            }
            DataType::Datetime(..) => column().cast(utc.clone()),
            DataType::Duration(_) => {
                let ms = column().cast(DataType::Duration(TimeUnit::Milliseconds)).cast(DataType::Int64);
                ms.cast(DataType::Float64) / lit(1000.0)
            }
            kind if kind.is_integer() => column().cast(DataType::Int64),
            kind if kind.is_primitive_numeric() => column().cast(DataType::Float64),
            DataType::Null => column().cast(DataType::Float64),
            _ => column().cast(DataType::String),
        };
        Some(cast.alias(name.clone()))
    });
    let columns: Vec<Expr> = columns.collect();
    Ok(if columns.is_empty() { frame } else { frame.with_columns(columns) })
}

/// What the table engine says, in our words where we know what it is about.
pub fn refused(store: &Store, text: &str, error: &PolarsError) -> SqlError {
    let said = match error {
        PolarsError::Context { error, .. } | PolarsError::ExprContext { error, .. } => {
            return refused(store, text, error);
        }
        PolarsError::ColumnNotFound(said)
        | PolarsError::SchemaFieldNotFound(said)
        | PolarsError::SQLInterface(said)
        | PolarsError::SQLSyntax(said) => said.to_string(),
        error => error.to_string(),
    };
    let said = said.split("\n\nResolved plan").next().unwrap_or_default().trim().to_owned();
    let named = || said.split(['\'', '"']).nth(1).map(str::to_owned);
    let Ok(tables) = tables(store) else { return SqlError::Refused(said) };
    if said.starts_with("relation") && said.contains("was not found") {
        let there: Vec<&str> = tables.iter().map(|(name, _)| *name).collect();
        return SqlError::NoTable { name: named().unwrap_or_default(), there: there.join(", ") };
    }
    if let (PolarsError::ColumnNotFound(_) | PolarsError::SchemaFieldNotFound(_), Some(name)) =
        (error, named().or_else(|| said.split(':').next().map(str::to_owned)))
    {
        // The table engine's name for a column that it found twice.
        if let Some((column, _)) = name.split_once(':') {
            return SqlError::Refused(format!(
                "column \"{column}\" stands in several of the joined tables; give one of them another name in a subquery, with AS"
            ));
        }
        let asked = extract_table_identifiers(text, false, true).unwrap_or_default();
        let of = |(table, columns): &(&str, Vec<Column>)| {
            let names: Vec<&str> = columns.iter().map(|(name, _)| name.as_str()).collect();
            asked.iter().any(|name| name == table).then(|| format!("{table} has {}", names.join(", ")))
        };
        let there: Vec<String> = tables.iter().filter_map(of).collect();
        return SqlError::NoColumn { name, there: there.join("; ") };
    }
    SqlError::Refused(said)
}

#[cfg(test)]
mod tests;
