//! How far the records of each logger can be relied on: what is missing, flagged, guessed, damaged or silent.

mod marks;
mod unheard;

use std::collections::BTreeMap;

use polars::lazy::dsl::max_horizontal;
use polars::prelude::{
    DataFrame, DataType, Expr, IntoLazy, JoinArgs, JoinType, NamedFrom, Series, SortMultipleOptions,
    UnionArgs, col, concat, len, lit, when,
};

use super::cells::Cells;
use super::fleet::{SILENT_MS, end_of_store};
use super::slices::{MOST_ROWS, by_banks, collect};
use super::{Filter, days, or_zero};
use crate::clock::Quality;
use crate::intervals::longest_step;
use crate::store::{INTERVALS, STATUS, Store, StoreError, TABLES, is_one_of};
pub use unheard::{Unheard, never_heard};

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
///   that is more than a day;
/// - `heard`: `recently`, `silent`, or `never`: a logger that the register says to hang there, and of which there is no log. It has
///   no records and no times, and counts as silent.
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
    let intervals = of_intervals(store, filter)?;
    let end = end(store, filter, &intervals)?;
    let unheard = never_heard(store, filter, end);
    let spans = spans(store, filter, &intervals, &unheard)?;
    let spans = store.with_feeders(spans.lazy());
    let rows = spans.join(intervals.lazy(), key(), key(), JoinArgs::new(JoinType::Left));
    let uncovered = col("span_hours") - col("covered_hours");
    let zero = || lit(0.0);
    let gap = col("longest_step_ms") / lit(3_600_000.0) - col("interval_s").fill_null(zero()) / lit(3600.0);
    let mut shown = ["bank", "feeder", "device", "records", "first_time", "last_time"].map(col).to_vec();
    shown.extend(["intervals", "flagged_intervals", "flagged_percent", "covered_hours"].map(col));
    shown.push(at_least_zero(uncovered).alias("uncovered_hours"));
    shown.push(at_least_zero(gap).alias("longest_gap_hours"));
    shown.extend(Quality::ALL.map(|quality| col(format!("{}_percent", quality.name()))));
    shown.extend(["time_error_s", "unbounded_times"].map(col));
    let mut frame = rows.select(shown).collect()?;
    silence(end, &unheard, &mut frame)?;
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
fn spans(
    store: &Store,
    filter: &Filter,
    intervals: &DataFrame,
    unheard: &[Unheard],
) -> Result<DataFrame, StoreError> {
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
    tables.push(unheard::rows(unheard)?.lazy());
    let all = concat(tables, UnionArgs::default())?.group_by(key());
    let sums = [col("records").sum(), col("first_time").min(), col("last_time").max()];
    Ok(all.agg(sums).collect()?)
}

/// A row a bank and logger.
fn of_intervals(store: &Store, filter: &Filter) -> Result<DataFrame, StoreError> {
    let count = |name: &str| col(name).cast(DataType::UInt64);
    let mut shown = ["bank", "device", "first_time", "time", "begin_time", "longest_step_s", "interval_s"]
        .map(col)
        .to_vec();
    shown.extend(["intervals", "flagged_intervals", "unbounded_times"].map(count));
    shown.push(col("time_error_s"));
    shown.push(or_zero(col("time").is_not_null(), col("hours")).alias("covered_hours"));
    // What a group sums up stands in columns of its own first.
    shown.extend(Quality::ALL.map(|quality| {
        let is = col("time_quality").eq_missing(lit(quality.name()));
        when(is).then(count("intervals")).otherwise(lit(0_u64)).alias(quality.name())
    }));
    let order = ["bank", "device", "first_time", "time"];
    let rows =
        collect(days::days(store, filter)?.select(shown))?.sort(order, SortMultipleOptions::default())?;
    let ms = |name: &str| col(name).to_physical();
    let between = || ms("first_time") - ms("time").shift(lit(1));
    let mut sums = vec![
        col("first_time").min(),
        col("time").max().alias("last_time"),
        (ms("time").max() - ms("begin_time").min()).alias("span_ms"),
        (col("longest_step_s").max() * lit(1000.0)).alias("within_ms"),
        between().max().cast(DataType::Float64).alias("between_ms"),
        between().lt(lit(0)).any(true).alias("is_interlaced"),
        col("interval_s").max(),
        col("time_error_s").max(),
    ];
    let counts = ["intervals", "flagged_intervals", "covered_hours", "unbounded_times"];
    sums.extend(counts.into_iter().chain(Quality::ALL.map(Quality::name)).map(|name| col(name).sum()));
    let rows = rows.lazy().group_by_stable([col("bank"), col("device")]).agg(sums);
    let percent = |name: &str| lit(100.0) * col(name).cast(DataType::Float64) / col("intervals");
    let mut out = vec![
        (col("span_ms").cast(DataType::Float64) / lit(3_600_000.0)).alias("span_hours"),
        max_horizontal([col("within_ms"), col("between_ms")])?.alias("longest_step_ms"),
        percent("flagged_intervals").alias("flagged_percent"),
    ];
    out.extend(Quality::ALL.map(|of| percent(of.name()).alias(format!("{}_percent", of.name()))));
    let rows = rows.with_columns(out).collect()?;
    interlaced(store, filter, rows)
}

/// Where days of one logger overlap, since one log fills the gaps of another, the longest step is that of the intervals.
fn interlaced(store: &Store, filter: &Filter, rows: DataFrame) -> Result<DataFrame, StoreError> {
    let key = || [col("bank"), col("device")];
    let cells = Cells(&rows);
    let found: Vec<(String, String)> = (0..cells.rows())
        .filter(|row| cells.is_true("is_interlaced", *row))
        .filter_map(|row| Some((cells.text("bank", row)?, cells.text("device", row)?)))
        .collect();
    if found.is_empty() {
        return Ok(rows);
    }
    let (banks, devices): (Vec<String>, Vec<String>) = found.into_iter().unzip();
    let any = is_one_of("bank", &banks).and(is_one_of("device", &devices));
    let intervals = filter.rows(store, &INTERVALS, "time")?.filter(any);
    let steps = by_banks(&intervals, MOST_ROWS, |rows| {
        let times = rows.select([col("bank"), col("device"), col("time").to_physical().alias("step_ms")]);
        let lists = times.group_by(key()).agg([col("step_ms").implode(false)]);
        Ok(lists.with_column(col("step_ms").list().agg(longest_step())))
    })?;
    let rows = rows.lazy().join(steps.lazy(), key(), key(), JoinArgs::new(JoinType::Left));
    let longest = col("step_ms").cast(DataType::Float64).fill_null(col("longest_step_ms"));
    Ok(rows.with_column(longest.alias("longest_step_ms")).collect()?)
}

/// The end of the store's records, by all its banks.
fn end(store: &Store, filter: &Filter, intervals: &DataFrame) -> Result<Option<i64>, StoreError> {
    if filter.banks.is_empty() && filter.feeders.is_empty() {
        return Ok(last(intervals));
    }
    end_of_records(store, filter)
}

/// The same, asked of the store: where the records of all its banks end in the range of a filter, whichever banks that names.
///
/// # Errors
/// The store cannot be read.
pub fn end_of_records(store: &Store, filter: &Filter) -> Result<Option<i64>, StoreError> {
    let all = Filter { from_ms: filter.from_ms, to_ms: filter.to_ms, ..Filter::default() };
    let ends = days::days(store, &all)?.group_by([col("bank"), col("device")]);
    Ok(last(&collect(ends.agg([col("time").max().alias("last_time")]))?))
}

fn last(frame: &DataFrame) -> Option<i64> {
    let cells = Cells(frame);
    end_of_store((0..cells.rows()).filter_map(|row| cells.ms("last_time", row)).collect())
}

/// Adds how long each logger has been silent, measured by the end of the store's records.
fn silence(end: Option<i64>, unheard: &[Unheard], frame: &mut DataFrame) -> Result<(), StoreError> {
    let cells = Cells(frame);
    let silent_ms: Vec<Option<i64>> = (0..cells.rows())
        .map(|row| end.zip(cells.ms("last_time", row)).map(|(end, last)| end.saturating_sub(last).max(0)))
        .collect();
    let hours: Vec<Option<f64>> = silent_ms.iter().map(|ms| ms.map(|ms| ms as f64 / 3_600_000.0)).collect();
    let is_never = |row: usize| {
        let is = |device: String| unheard.iter().any(|logger| logger.device == device);
        cells.text("device", row).is_some_and(is)
    };
    let is_silent: Vec<Option<bool>> = (0..cells.rows())
        .zip(&silent_ms)
        .map(|(row, ms)| ms.map(|ms| ms > SILENT_MS).or_else(|| is_never(row).then_some(true)))
        .collect();
    let heard: Vec<Option<&str>> = (0..cells.rows())
        .zip(&is_silent)
        .map(|(row, is_silent)| match is_silent {
            Some(true) if is_never(row) => Some("never"),
            Some(true) => Some("silent"),
            Some(false) => Some("recently"),
            None => None,
        })
        .collect();
    frame.with_column(Series::new("silent_hours".into(), hours).into())?;
    frame.with_column(Series::new("is_silent".into(), is_silent).into())?;
    frame.with_column(Series::new("heard".into(), heard).into())?;
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
