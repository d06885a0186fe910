//! Questions to a store, one file each: lazy queries, so that only what is asked for is read.
//!
//! Values of flagged intervals (touched by an interruption, a clipped channel or lost frames) are left out of means and
//! percentiles and counted (IEC 61000-4-30 4.7: flagged data are kept, not used unawares).

pub mod alarm_book;
pub mod alarm_history;
pub mod alarm_rates;
pub(crate) mod cells;
pub mod certificate;
pub mod feeder_events;
pub mod fleet;
mod goes_on;
pub mod kvar;
pub mod operations;
mod percentile;
pub mod quality;
pub mod register;
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
    Column, DataType, Expr, LazyFrame, NULL, NamedFrom, PolarsResult, Series, TimeUnit, TimeZone, col, lit,
    when,
};

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

/// Length of an interval in hours: its windows are 10 or 12 cycles of the measured frequency, 200 ms at the rated one.
fn hours() -> Expr {
    let stretch = (col("rated_hz") / col("frequency_hz")).fill_null(lit(1.0));
    col("windows").cast(DataType::Float64) * lit(0.2 / 3600.0) * stretch
}

/// What a whole phase would give at the voltage and frequency of the interval, in kvar: Q_r·(V/V_r)²·f/f_r; nothing where the
/// bank has no such phase.
fn expected_kvar(phase: &str) -> Expr {
    let ratio = col(format!("voltage_{phase}_v").as_str()) / col("unit_voltage_v");
    let whole = col("rated_kvar_phase") * ratio.clone() * ratio * col("frequency_hz") / col("rated_hz");
    when(has_phase(phase)).then(whole).otherwise(lit(0.0))
}

/// Whether the bank of an interval has this phase; where its nameplate is not known, it has all. By comparison: to search in
/// each text takes ten times as long.
fn has_phase(phase: &str) -> Expr {
    const WITH: [&str; 7] = ["ABC", "A", "B", "C", "AB", "AC", "BC"];
    let letter = phase.to_uppercase();
    let with = WITH.iter().filter(|phases| phases.contains(&letter));
    let is_one = with.fold(lit(false), |any, phases| any.or(col("bank_phases").eq(lit(*phases))));
    is_one.or(col("bank_phases").is_null())
}

/// A column of times out of UTC ms.
fn times(name: &str, ms: Vec<Option<i64>>) -> PolarsResult<Column> {
    let utc = DataType::Datetime(TimeUnit::Milliseconds, Some(TimeZone::UTC));
    Ok(Series::new(name.into(), ms).cast(&utc)?.into())
}

/// The value where `is` holds, null elsewhere. Before a group-by: filters within groups cost many times as much.
fn only(is: Expr, value: Expr) -> Expr {
    when(is).then(value).otherwise(lit(NULL))
}

/// The same with zero elsewhere, for sums.
fn or_zero(is: Expr, value: Expr) -> Expr {
    when(is).then(value).otherwise(lit(0.0))
}

/// Phases as they stand in the names of columns.
const PHASES: [&str; 3] = ["a", "b", "c"];

#[cfg(test)]
mod tests;
