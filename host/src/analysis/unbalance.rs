//! Voltage unbalance of each bank, by every definition that the intervals allow.

mod long;
mod weeks;

use polars::lazy::dsl::{max_horizontal, min_horizontal};
use polars::prelude::{
    ChunkAgg, DataFrame, Expr, IntoLazy, JoinArgs, JoinType, LazyFrame, PolarsResult, SortMultipleOptions,
    col, lit,
};

use super::percentile::{listed, p95};
use super::slices::{MOST_ROWS, by_counted_banks};
use super::{Filter, days, hours, only};
use crate::store::{INTERVALS, Store, StoreError};

/// A definition: its column, and how it comes from an interval's columns.
///
/// - `u2_percent`, `u0_percent`: negative and zero over positive sequence (IEC 61000-4-30 5.7), measured by the logger;
/// - `nema_percent`: largest deviation of a line-to-line voltage from their mean (NEMA MG 1), measured by the logger;
/// - `pvur_percent`: the same of the phase voltages (IEEE 112); blind to angles;
/// - `ieee_936_percent`: (largest − smallest) over the mean of the phase voltages (IEEE 936); blind to angles.
fn definitions() -> PolarsResult<[(&'static str, Expr); 5]> {
    Ok([
        ("u2_percent", col("u2_percent")),
        ("u0_percent", col("u0_percent")),
        ("nema_percent", col("nema_percent")),
        ("pvur_percent", pvur()?),
        ("ieee_936_percent", ieee_936()?),
    ])
}

fn volts() -> [Expr; 3] {
    ["voltage_a_v", "voltage_b_v", "voltage_c_v"].map(col)
}

fn mean() -> Expr {
    let [a, b, c] = volts();
    (a + b + c) / lit(3.0)
}

pub(super) fn pvur() -> PolarsResult<Expr> {
    let deviations = volts().map(|volts| (volts - mean()).abs());
    Ok(lit(100.0) * max_horizontal(deviations)? / mean())
}

pub(super) fn ieee_936() -> PolarsResult<Expr> {
    Ok(lit(100.0) * (max_horizontal(volts())? - min_horizontal(volts())?) / mean())
}

/// One row a bank: hours, flagged intervals, and of each definition the mean (root of the mean of the squares, as
/// IEC 61000-4-30 combines values), the 95th percentile of the intervals (linear between ranks) and the largest.
///
/// # Errors
/// The store cannot be read.
pub fn unbalance(store: &Store, filter: &Filter) -> Result<DataFrame, StoreError> {
    by_bank(store, filter, &days::counts(store, filter)?, of_intervals)
}

/// Bank, logger, and `u2_p95_percent` as [`unbalance`] has it, without the rest of it.
pub(super) fn u2_p95(store: &Store, filter: &Filter) -> Result<DataFrame, StoreError> {
    let intervals = filter.rows(store, &INTERVALS, "time")?;
    let good = only(col("flagged").eq(lit(0)), col("u2_percent")).alias("u2_percent");
    let of = |rows: LazyFrame| {
        let rows =
            rows.select([col("bank"), col("device"), good.clone()]).group_by(["bank", "device"].map(col));
        Ok(rows.agg([listed("u2_percent", "u2_p95_percent")]).with_column(p95("u2_p95_percent")))
    };
    Ok(by_counted_banks(&intervals, &days::counts(store, filter)?, MOST_ROWS, of)?)
}

/// What `ask` says of the intervals, with the feeders; the worst u2 first.
fn by_bank(
    store: &Store,
    filter: &Filter,
    counts: &DataFrame,
    ask: impl Fn(LazyFrame) -> PolarsResult<LazyFrame>,
) -> Result<DataFrame, StoreError> {
    let intervals = filter.rows(store, &INTERVALS, "time")?;
    let rows = by_counted_banks(&intervals, counts, MOST_ROWS, ask)?;
    let rest = rows
        .get_column_names()
        .into_iter()
        .map(|name| name.as_str())
        .filter(|name| !["bank", "device"].contains(name));
    let order: Vec<Expr> = ["bank", "feeder", "device"].into_iter().chain(rest).map(col).collect();
    let rows = store.with_feeders(rows.clone().lazy()).select(order);
    // Banks of one value in the order of their names: neither groups nor joins keep one.
    let rows = rows.sort(["bank", "device"], SortMultipleOptions::default());
    Ok(rows.sort(["u2_p95_percent"], worst().with_maintain_order(true)).collect()?)
}

/// Negative over positive sequence in percent that 95 % of a week's ten-minute values may reach (EN 50160, from memory).
pub const EN_50160_U2_PERCENT: f64 = 2.0;

/// Fewest ten-minute values that make a week: half of it. Our choice: common practice, no source.
pub const LEAST_OF_WEEK: u32 = 504;

/// As [`unbalance`], and of u2, u0 and NEMA what their ten-minute values show (see
/// [`ten_minutes`](super::ten_minutes::ten_minutes)), flagged ones left out:
///
/// - `ten_minute_values`, `flagged_ten_minute_values`: how many there are, without the flagged ones, and how many those are;
/// - `x_over_hours`, `x_over_percent`: measured hours in which the value is above `limit_percent`, and the part of the values
///   that is;
/// - `weeks`: weeks (Monday to Monday, UTC) with at least [`LEAST_OF_WEEK`] values of u2;
/// - `x_week_p95_percent`, `x_week_begin`: the largest 95th percentile of such a week, and which one;
/// - `x_last_week_p95_percent`: that of the latest one, which begins at `last_week_begin`;
/// - `limit_percent`.
///
/// # Errors
/// The store cannot be read.
pub fn unbalance_by_weeks(
    store: &Store,
    filter: &Filter,
    limit_percent: f64,
) -> Result<DataFrame, StoreError> {
    let counts = days::counts(store, filter)?;
    let are_long = counts.column("short_rows")?.u64()?.sum().unwrap_or(0) == 0;
    by_bank(store, filter, &counts, |intervals| {
        let key = || [col("bank"), col("device")];
        let rows = if are_long {
            long::by_weeks(intervals, limit_percent)?
        } else {
            let weeks = weeks::weeks(intervals.clone(), limit_percent)?;
            of_intervals(intervals)?.join(weeks, key(), key(), JoinArgs::new(JoinType::Left))
        };
        Ok(rows.with_column(lit(limit_percent).alias("limit_percent")))
    })
}

fn worst() -> SortMultipleOptions {
    SortMultipleOptions::default().with_order_descending(true).with_nulls_last(true)
}

/// A row a bank and logger. What a group sums up stands in columns of its own first, null where an interval does not count:
/// filters within a group are made for each group and value anew.
fn of_intervals(intervals: LazyFrame) -> PolarsResult<LazyFrame> {
    let good = || col("flagged").eq(lit(0));
    let key = [col("bank"), col("device")];
    let mut values = vec![hours().alias("hours"), good().not().alias("is_flagged")];
    values.extend(key.clone());
    let mut columns = vec![col("hours").sum(), col("is_flagged").sum().alias("flagged_intervals")];
    let mut percentiles = Vec::new();
    for (name, value) in definitions()? {
        let stem = name.trim_end_matches("_percent");
        let named = |what: &str| format!("{stem}_{what}_percent");
        values.push(only(good(), value).alias(name));
        columns.push((col(name) * col(name)).mean().sqrt().alias(named("mean")));
        columns.push(listed(name, &named("p95")));
        columns.push(col(name).max().alias(named("max")));
        percentiles.push(p95(&named("p95")));
    }
    Ok(intervals.select(values).group_by(key).agg(columns).with_columns(percentiles))
}
