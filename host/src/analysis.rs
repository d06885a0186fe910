//! Questions to a store, one file each: lazy queries, so that only what is asked for is read.
//!
//! Values of flagged intervals (touched by an interruption, a clipped channel or lost frames) are left out of means and
//! percentiles and counted (IEC 61000-4-30 4.7: flagged data are kept, not used unawares).

pub mod alarm_book;
pub mod alarm_history;
pub mod alarm_rates;
pub(crate) mod cells;
pub mod certificate;
pub(crate) mod days;
pub mod feeder_events;
pub mod fleet;
mod goes_on;
pub mod kvar;
mod names;
pub mod operations;
mod percentile;
pub mod quality;
pub mod register;
mod runs;
mod samples;
pub mod series;
mod slices;
pub mod slope;
pub mod stress;
pub mod switching;
pub mod ten_minutes;
pub mod trend;
pub mod unbalance;
pub mod usage;
pub mod whatif;
pub mod worklist;

use polars::prelude::{
    Column, DataType, Expr, LazyFrame, NamedFrom, PolarsResult, Series, TimeUnit, TimeZone, col, lit,
};

pub use names::Unknown;

use crate::intervals::{PHASES, expected_kvar, has_phase, hours, only, or_zero};
use crate::store::{Bank, Store, StoreError, Table, is_one_of};

/// What to look at.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Filter {
    /// From this moment on: UTC in ms since 1970-01-01.
    pub from_ms: Option<i64>,
    /// To just before this moment.
    pub to_ms: Option<i64>,
    /// These banks only; none: all.
    pub banks: Vec<String>,
    /// Banks on these feeders only; none: all.
    pub feeders: Vec<String>,
}

impl Filter {
    /// The rows of `frame` that are asked for, by its columns `bank` and `feeder` and by its time column `time`. A row without a
    /// time is left out when a range is asked for.
    pub fn apply(&self, frame: LazyFrame, time: &str) -> LazyFrame {
        let mut wanted = lit(true);
        if let Some(from) = self.from_ms {
            wanted = wanted.and(col(time).gt_eq(moment(from)));
        }
        if let Some(to) = self.to_ms {
            wanted = wanted.and(col(time).lt(moment(to)));
        }
        for (column, names) in [("bank", &self.banks), ("feeder", &self.feeders)] {
            if !names.is_empty() {
                wanted = wanted.and(is_one_of(column, names));
            }
        }
        frame.filter(wanted)
    }

    /// The rows of a table that are asked for, without their feeders: those are a join of every row, which who sums rows up
    /// does behind that ([`Store::with_feeders`]).
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn rows(&self, store: &Store, table: &Table, time: &str) -> Result<LazyFrame, StoreError> {
        let range = Self { from_ms: self.from_ms, to_ms: self.to_ms, ..Self::default() };
        let rows = match self.banks_of(store) {
            Some(banks) => store.scan_banks(table, &banks)?,
            None => store.scan_rows(table)?,
        };
        Ok(range.apply(rows, time))
    }

    /// The same with their feeders: what [`Filter::apply`] leaves of [`Store::scan`], but only the files and row groups are
    /// read that can hold it.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn scan(&self, store: &Store, table: &Table, time: &str) -> Result<LazyFrame, StoreError> {
        Ok(store.with_feeders(self.rows(store, table, time)?))
    }

    /// The banks that are asked for, by their names and by their feeders; `None`: all.
    fn banks_of(&self, store: &Store) -> Option<Vec<String>> {
        if self.feeders.is_empty() {
            return Some(self.banks.clone()).filter(|banks| !banks.is_empty());
        }
        let is_wanted = |bank: &&Bank| {
            (!bank.feeder.is_empty() && self.feeders.contains(&bank.feeder))
                && (self.banks.is_empty() || self.banks.contains(&bank.name))
        };
        Some(store.banks().all().filter(is_wanted).map(|bank| bank.name.clone()).collect())
    }
}

fn moment(ms: i64) -> Expr {
    lit(ms).cast(DataType::Datetime(TimeUnit::Milliseconds, Some(TimeZone::UTC)))
}

/// A column of times out of UTC ms.
fn times(name: &str, ms: Vec<Option<i64>>) -> PolarsResult<Column> {
    let utc = DataType::Datetime(TimeUnit::Milliseconds, Some(TimeZone::UTC));
    Ok(Series::new(name.into(), ms).cast(&utc)?.into())
}

#[cfg(test)]
mod tests;
