//! How far the records of each logger can be relied on: what is missing, flagged, guessed, damaged or silent.

mod marks;

use std::collections::BTreeMap;

use polars::prelude::{
    DataFrame, DataType, Expr, IntoLazy, JoinArgs, JoinType, LazyFrame, NamedFrom, Series,
    SortMultipleOptions, SortOptions, UnionArgs, col, concat, element, len, lit, when,
};

use polars::series::ops::NullBehavior;

use super::cells::Cells;
use super::fleet::{SILENT_MS, end_of_store};
use super::slices::{MOST_ROWS, by_banks, collect};
use super::{Filter, hours, or_zero};
use crate::clock::Quality;
use crate::store::{INTERVALS, STATUS, Store, StoreError, TABLES};

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
    let intervals =
        by_banks(&filter.rows(store, &INTERVALS, "time")?, MOST_ROWS, |rows| Ok(of_intervals(rows)))?;
    let spans = store.with_feeders(spans(store, filter, &intervals)?.lazy());
    let end = end(store, filter, &intervals)?;
    let rows = spans.join(intervals.lazy(), key(), key(), JoinArgs::new(JoinType::Left));
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
    silence(end, &mut frame)?;
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

/// Bank, logger, `records`, `first_time`, `last_time` of all tables together.
fn spans(store: &Store, filter: &Filter, intervals: &DataFrame) -> Result<DataFrame, StoreError> {
    const COLUMNS: [&str; 5] = ["bank", "device", "records", "first_time", "last_time"];
    let key = || [col("bank"), col("device")];
    let of_intervals = [col("intervals").alias("records"), col("first_time"), col("last_time")];
    let mut tables = vec![intervals.clone().lazy().select([key().to_vec(), of_intervals.to_vec()].concat())];
    for table in TABLES.iter().filter(|table| table.name != INTERVALS.name) {
        let rows = filter.rows(store, table, "time")?.group_by(key()).agg([
            len().cast(DataType::UInt64).alias("records"),
            col("time").min().alias("first_time"),
            col("time").max().alias("last_time"),
        ]);
        tables.push(collect(rows.select(COLUMNS.map(col)))?.lazy());
    }
    let all = concat(tables, UnionArgs::default())?.group_by(key());
    let sums = [col("records").sum(), col("first_time").min(), col("last_time").max()];
    Ok(all.agg(sums).collect()?)
}

/// A row a bank and logger. What a group sums up stands in columns of its own first.
fn of_intervals(rows: LazyFrame) -> LazyFrame {
    let timed = || col("time").is_not_null();
    let count = |is: Expr| is.fill_null(lit(false)).cast(DataType::UInt32);
    let times = || col("time").to_physical();
    let is = |quality: &Quality| count(col("time_quality").eq(lit(quality.name()))).alias(quality.name());
    let length_ms = (col("interval_s").fill_null(lit(0.0)) * lit(1000.0)).cast(DataType::Int64);
    let mut prepared = vec![
        col("bank"),
        col("device"),
        col("time"),
        times().alias("ms"),
        (times() - length_ms).alias("begin_ms"),
        count(col("flagged").gt(lit(0))).alias("flagged_intervals"),
        or_zero(timed(), hours()).alias("covered_hours"),
        col("interval_s"),
        col("time_error_s"),
        count(timed().and(col("time_error_s").is_null())).alias("unbounded_times"),
    ];
    prepared.extend(Quality::ALL.iter().map(is));
    let mut sums = vec![
        len().cast(DataType::UInt64).alias("intervals"),
        col("time").min().alias("first_time"),
        col("time").max().alias("last_time"),
        (col("ms").max() - col("begin_ms").min()).alias("span_ms"),
        col("ms").implode(false).alias("longest_step_ms"),
        col("interval_s").max(),
        col("time_error_s").max(),
    ];
    let counts = ["flagged_intervals", "covered_hours", "unbounded_times"];
    sums.extend(counts.into_iter().chain(Quality::ALL.map(Quality::name)).map(|name| col(name).sum()));
    let rows = rows.select(prepared).group_by([col("bank"), col("device")]).agg(sums);
    let percent = |name: &str| lit(100.0) * col(name).cast(DataType::Float64) / col("intervals");
    // In the order of time, whatever the files say.
    let step = element().drop_nulls().sort(SortOptions::default()).diff(lit(1), NullBehavior::Ignore).max();
    let mut out = vec![
        (col("span_ms").cast(DataType::Float64) / lit(3_600_000.0)).alias("span_hours"),
        col("longest_step_ms").list().agg(step),
        percent("flagged_intervals").alias("flagged_percent"),
    ];
    let shares = Quality::ALL.map(|of| percent(of.name()).alias(format!("{}_percent", of.name())));
    out.extend(shares);
    rows.with_columns(out)
}

/// The end of the store's records, by all its banks.
fn end(store: &Store, filter: &Filter, intervals: &DataFrame) -> Result<Option<i64>, StoreError> {
    let last = |frame: &DataFrame| {
        let cells = Cells(frame);
        end_of_store((0..cells.rows()).filter_map(|row| cells.ms("last_time", row)).collect())
    };
    if filter.banks.is_empty() && filter.feeders.is_empty() {
        return Ok(last(intervals));
    }
    let all = Filter { from_ms: filter.from_ms, to_ms: filter.to_ms, ..Filter::default() };
    let ends = all.rows(store, &INTERVALS, "time")?.group_by([col("bank"), col("device")]);
    Ok(last(&collect(ends.agg([col("time").max().alias("last_time")]))?))
}

/// Adds how long each logger has been silent, measured by the end of the store's records.
fn silence(end: Option<i64>, frame: &mut DataFrame) -> Result<(), StoreError> {
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
    let status = filter.scan(store, &STATUS, "time")?.filter(named);
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
