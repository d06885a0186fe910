//! How far the records of each logger can be relied on: what is missing, flagged, guessed, damaged or silent.

mod marks;

use std::collections::BTreeMap;

use polars::prelude::{
    DataFrame, DataType, Expr, IntoLazy, JoinArgs, JoinType, NamedFrom, Series, SortMultipleOptions,
    SortOptions, UnionArgs, col, concat, len, lit, when,
};

use polars::series::ops::NullBehavior;

use super::cells::Cells;
use super::fleet::{SILENT_MS, end_of_store};
use super::{Filter, hours, or_zero};
use crate::clock::Quality;
use crate::store::{INTERVALS, STATUS, Store, StoreError, TABLES, Table};

/// One row a bank and logger. Of the range that is asked for:
///
/// - `records`, `first_time`, `last_time`: of all tables;
/// - `intervals`, `flagged_intervals`, `flagged_percent`: intervals that an interruption, a clipped channel or lost frames
///   touched;
/// - `covered_hours`, `uncovered_hours`: measured hours with a time, and what is missing to the hours from the beginning of the
///   first interval to the end of the last;
/// - `longest_gap_hours`: the longest time without an interval between two of them;
/// - `synced_percent`, `corrected_percent`, `rtc_percent`, `guessed_percent`, `unknown_percent`: intervals by how their time is
///   known; `time_error_s`: its largest error, where there is a bound; `unbounded_times`: intervals that have a time and no bound;
/// - `crashes`, `lost_frames`, `lost_records`: what happened to the logger itself, as it says;
/// - `silent_hours`: from its last record to the end of the store's records (see [`fleet`](super::fleet::fleet)); `is_silent` if
///   that is more than a day.
///
/// Of all of its logs, whatever the range:
///
/// - `logs`, `logs_in_part`, `unread`: how many, how many were not read whole, and why;
/// - `missing_records`, `gaps`: numbers of records that no log has, from the first interval on, and in how many runs;
///   `overwritten_records`: those before, which loggers overwrite earlier than the events between them;
/// - `known_again`: records that another log had brought already, which are in once; `double_numbers`: numbers that two records
///   have (a flash that was replaced, or two loggers with one serial number);
/// - `other_loggers`: of other loggers, those that say the same bank's name of themselves.
///
/// The most suspicious first: silent, then by what is missing.
///
/// # Errors
/// The store cannot be read.
pub fn quality(store: &Store, filter: &Filter) -> Result<DataFrame, StoreError> {
    let key = || [col("bank"), col("device")];
    let spans = spans(store, filter)?.lazy();
    let intervals = filter.apply(store.scan(&INTERVALS)?, "time");
    let intervals = intervals.group_by(key()).agg(of_intervals());
    let rows = spans.join(intervals, key(), key(), JoinArgs::new(JoinType::Left));
    let uncovered = col("span_hours") - col("covered_hours");
    let zero = || lit(0.0);
    let gap = col("longest_step_ms").cast(DataType::Float64) / lit(3_600_000.0)
        - col("interval_s").fill_null(zero()) / lit(3600.0);
    let mut shown = ["bank", "feeder", "device", "records", "first_time", "last_time"].map(col).to_vec();
    shown.extend(["intervals", "flagged_intervals", "flagged_percent", "covered_hours"].map(col));
    shown.push(at_least_zero(uncovered).alias("uncovered_hours"));
    shown.push(at_least_zero(gap).alias("longest_gap_hours"));
    shown.extend(Quality::ALL.map(|quality| col(format!("{}_percent", quality.name()))));
    shown.extend(["time_error_s", "unbounded_times"].map(col));
    let mut frame = rows.select(shown).collect()?;
    silence(store, filter, &mut frame)?;
    logger_itself(store, filter, &mut frame)?;
    marks::columns(store, &mut frame)?;
    let order = SortMultipleOptions::default()
        .with_order_descending_multi([true, true, true, false])
        .with_nulls_last(true);
    Ok(frame.sort(["is_silent", "missing_records", "uncovered_hours", "bank"], order)?)
}

fn at_least_zero(value: Expr) -> Expr {
    when(value.clone().lt(lit(0.0))).then(lit(0.0)).otherwise(value)
}

/// Bank, feeder, logger, `records`, `first_time`, `last_time` of all tables together.
fn spans(store: &Store, filter: &Filter) -> Result<DataFrame, StoreError> {
    let by = || ["bank", "feeder", "device"].map(col);
    let of = |table: &&Table| {
        let rows = filter.apply(store.scan(table)?, "time").group_by(by());
        Ok(rows.agg([
            len().cast(DataType::UInt64).alias("records"),
            col("time").min().alias("first_time"),
            col("time").max().alias("last_time"),
        ]))
    };
    let tables: Vec<_> = TABLES.iter().map(of).collect::<Result<_, StoreError>>()?;
    let all = concat(tables, UnionArgs::default())?.group_by(by());
    let sums = [col("records").sum(), col("first_time").min(), col("last_time").max()];
    Ok(all.agg(sums).collect()?)
}

fn of_intervals() -> Vec<Expr> {
    let timed = || col("time").is_not_null();
    let flagged = || col("flagged").gt(lit(0)).cast(DataType::UInt32);
    let count = || col("windows").count().cast(DataType::Float64);
    let times = || col("time").drop_nulls().to_physical();
    let span = (times().max() - times().min()).cast(DataType::Float64) / lit(3_600_000.0);
    let first = col("interval_s").filter(timed()).first() / lit(3600.0);
    let mut out = vec![
        len().cast(DataType::UInt64).alias("intervals"),
        flagged().sum().alias("flagged_intervals"),
        (lit(100.0) * flagged().sum().cast(DataType::Float64) / count()).alias("flagged_percent"),
        or_zero(timed(), hours()).sum().alias("covered_hours"),
        (span + first).alias("span_hours"),
        times()
            .sort(SortOptions::default())
            .diff(lit(1), NullBehavior::Ignore)
            .max()
            .alias("longest_step_ms"),
        col("interval_s").max().alias("interval_s"),
        col("time_error_s").max().alias("time_error_s"),
        timed().and(col("time_error_s").is_null()).cast(DataType::UInt32).sum().alias("unbounded_times"),
    ];
    out.extend(Quality::ALL.map(|quality| {
        let is = col("time_quality").eq(lit(quality.name())).cast(DataType::Float64);
        (lit(100.0) * is.sum() / count()).alias(format!("{}_percent", quality.name()))
    }));
    out
}

/// Adds how long each logger has been silent, measured by all banks of the store.
fn silence(store: &Store, filter: &Filter, frame: &mut DataFrame) -> Result<(), StoreError> {
    let all = Filter { from_ms: filter.from_ms, to_ms: filter.to_ms, ..Filter::default() };
    let ends = all.apply(store.scan(&INTERVALS)?, "time").group_by([col("bank"), col("device")]);
    let ends = ends.agg([col("time").max()]).collect()?;
    let cells = Cells(&ends);
    let end = end_of_store((0..cells.rows()).filter_map(|row| cells.ms("time", row)).collect());
    let cells = Cells(frame);
    let silent_ms: Vec<Option<i64>> = (0..cells.rows())
        .map(|row| end.zip(cells.ms("last_time", row)).map(|(end, last)| end.saturating_sub(last).max(0)))
        .collect();
    let hours: Vec<Option<f64>> = silent_ms.iter().map(|ms| ms.map(|ms| ms as f64 / 3_600_000.0)).collect();
    let is_silent: Vec<Option<bool>> = silent_ms.iter().map(|ms| ms.map(|ms| ms > SILENT_MS)).collect();
    frame.with_column(Series::new("silent_hours".into(), hours).into())?;
    frame.with_column(Series::new("is_silent".into(), is_silent).into())?;
    Ok(())
}

/// Adds what each logger says of itself.
fn logger_itself(store: &Store, filter: &Filter, frame: &mut DataFrame) -> Result<(), StoreError> {
    const NAMES: [&str; 3] = ["crash", "frames_lost", "records_lost"];
    let named = NAMES.iter().map(|name| col("status").eq(lit(*name))).fold(lit(false), Expr::or);
    let status = filter.apply(store.scan(&STATUS)?, "time").filter(named);
    let status = status.select(["bank", "device", "status", "detail"].map(col)).collect()?;
    let cells = Cells(&status);
    let mut counts: BTreeMap<(String, String, usize), u64> = BTreeMap::new();
    for row in 0..cells.rows() {
        let (Some(bank), Some(device), Some(name)) =
            (cells.text("bank", row), cells.text("device", row), cells.text("status", row))
        else {
            continue;
        };
        let Some(which) = NAMES.iter().position(|other| *other == name) else { continue };
        let detail = cells.text("detail", row);
        let detail = detail.and_then(|text| serde_json::from_str::<serde_json::Value>(&text).ok());
        let count = detail.and_then(|detail| detail.get("count")?.as_u64()).unwrap_or(1);
        *counts.entry((bank, device, which)).or_default() += count;
    }
    for (which, name) in ["crashes", "lost_frames", "lost_records"].iter().enumerate() {
        let cells = Cells(frame);
        let of = |row: usize| {
            let key = (cells.text("bank", row)?, cells.text("device", row)?, which);
            Some(counts.get(&key).copied().unwrap_or(0))
        };
        let values: Vec<Option<u64>> = (0..cells.rows()).map(of).collect();
        frame.with_column(Series::new((*name).into(), values).into())?;
    }
    Ok(())
}
