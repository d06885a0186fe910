//! The sums of days that questions begin with: those that were summed up when their logs came in, and the rest from the
//! intervals.

use std::collections::BTreeSet;

use polars::prelude::{DataFrame, DataType, Expr, LazyFrame, UnionArgs, col, concat, lit, when};

use super::Filter;
use super::slices::collect;
use super::ten_minutes::is_long;
use crate::store::{DAY_MS, DAYS, INTERVALS, Store, StoreError, Table, days_of, is_one_of};

/// Rows of [`DAYS`] of the intervals that are asked for. A range that cuts a day gets its part of that day from the intervals, as
/// loggers do whose days nobody has summed up ([`Store::devices_without_days`]).
///
/// # Errors
/// The store cannot be read.
pub(super) fn days(store: &Store, filter: &Filter) -> Result<LazyFrame, StoreError> {
    let others = store.devices_without_days();
    let intervals = |from_ms, to_ms| {
        let filter = Filter { from_ms, to_ms, ..filter.clone() };
        filter.rows(store, &INTERVALS, "time")
    };
    let mut parts = Vec::new();
    match whole(filter.from_ms, filter.to_ms) {
        None => parts.push(days_of(intervals(filter.from_ms, filter.to_ms)?)),
        Some([from, to]) => {
            let inner = Filter { from_ms: from, to_ms: to, ..filter.clone() };
            parts.push(among(inner.rows(store, &DAYS, "time")?, &others, false));
            for (from, to) in [(filter.from_ms, from), (to, filter.to_ms)] {
                if from != to {
                    parts.push(days_of(among(intervals(from, to)?, &others, false)));
                }
            }
            if !others.is_empty() {
                parts.push(days_of(among(intervals(filter.from_ms, filter.to_ms)?, &others, true)));
            }
        }
    }
    Ok(concat(parts, UnionArgs::default())?)
}

/// The rows of a table that are asked for, with their feeders, for who reads tables as they are: of [`DAYS`] those of [`days`].
///
/// # Errors
/// The store cannot be read.
pub(crate) fn rows(store: &Store, table: &Table, filter: &Filter) -> Result<LazyFrame, StoreError> {
    if table.name != DAYS.name {
        return filter.scan(store, table, "time");
    }
    let columns: Vec<Expr> = DAYS.columns.iter().map(|(name, _)| col(*name)).collect();
    Ok(store.with_feeders(days(store, filter)?.select(columns)))
}

/// Whole days since 1970-01-01; null while the time is not known.
pub(super) fn day() -> Expr {
    col("time").to_physical().floor_div(lit(DAY_MS))
}

/// Beginning and end of the days that lie wholly in a range, if it has an end; `None`: no day does.
fn whole(from_ms: Option<i64>, to_ms: Option<i64>) -> Option<[Option<i64>; 2]> {
    let from = from_ms.map(|ms| ms.saturating_add(DAY_MS - 1).div_euclid(DAY_MS).saturating_mul(DAY_MS));
    let to = to_ms.map(|ms| ms.div_euclid(DAY_MS).saturating_mul(DAY_MS));
    from.zip(to).is_none_or(|(from, to)| from < to).then_some([from, to])
}

/// Rows of these loggers, or of all others.
fn among(rows: LazyFrame, devices: &BTreeSet<String>, wanted: bool) -> LazyFrame {
    if devices.is_empty() {
        return rows;
    }
    let devices: Vec<String> = devices.iter().cloned().collect();
    let is_one = is_one_of("device", &devices);
    rows.filter(if wanted { is_one } else { is_one.not() })
}

/// How many intervals each bank has: `bank`, `rows`, and `short_rows` of less than ten minutes.
pub(super) fn counts(store: &Store, filter: &Filter) -> Result<DataFrame, StoreError> {
    let rows = || col("intervals").cast(DataType::UInt64);
    let short = when(is_long().fill_null(lit(false))).then(lit(0_u64)).otherwise(rows());
    let days = days(store, filter)?.select([col("bank"), rows().alias("rows"), short.alias("short_rows")]);
    Ok(collect(days.group_by([col("bank")]).agg([col("rows").sum(), col("short_rows").sum()]))?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_in_a_range_by_hand() {
        let day = DAY_MS;
        assert_eq!(whole(None, None), Some([None, None]));
        assert_eq!(whole(Some(3 * day), Some(5 * day)), Some([Some(3 * day), Some(5 * day)]));
        assert_eq!(whole(Some(3 * day + 1), Some(6 * day - 1)), Some([Some(4 * day), Some(5 * day)]));
        assert_eq!(whole(Some(3 * day + 1), None), Some([Some(4 * day), None]));
        assert_eq!(whole(None, Some(3 * day + 1)), Some([None, Some(3 * day)]));
        // Within a day, or over one midnight.
        assert_eq!(whole(Some(3 * day + 1), Some(3 * day + 2)), None);
        assert_eq!(whole(Some(3 * day + 1), Some(4 * day + 2)), None);
        assert_eq!(whole(Some(i64::MAX), Some(i64::MIN)), None);
    }
}
