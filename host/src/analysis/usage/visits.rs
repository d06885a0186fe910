//! When somebody was last at a logger, by what only somebody there can have done.

use std::collections::BTreeMap;

use polars::prelude::{
    DataFrame, DataType, NamedFrom, Series, SortMultipleOptions, TimeUnit, TimeZone, col, lit,
};
use wyelog_protocol::record::ClockSource;

use crate::analysis::Filter;
use crate::analysis::cells::Cells;
use crate::store::{BASELINES, SETTINGS, STATUS, Store, StoreError};

/// Columns of the settings in front of what was set.
const HEAD: [&str; 10] = [
    "device",
    "bank",
    "sequence",
    "boot",
    "frame",
    "time",
    "time_logger",
    "time_quality",
    "time_error_s",
    "feeder",
];

/// Latest visit of each logger: UTC ms, and what was done.
type Visits = BTreeMap<String, (i64, &'static str)>;

/// Adds `visit_time` and `visit`.
pub(super) fn columns(store: &Store, filter: &Filter, frame: &mut DataFrame) -> Result<(), StoreError> {
    let mut visits = Visits::new();
    let until = filter.to_ms.unwrap_or(i64::MAX);
    let mut visit = |device: String, ms: Option<i64>, what: &'static str| {
        let Some(ms) = ms.filter(|ms| *ms < until) else { return };
        let latest = visits.entry(device).or_insert((ms, what));
        if ms >= latest.0 {
            *latest = (ms, what);
        }
    };
    clocks(store, &mut visit)?;
    settings(store, &mut visit)?;
    baselines(store, &mut visit)?;
    let cells = Cells(frame);
    let of = |row: usize| visits.get(&cells.text("device", row)?).copied();
    let found: Vec<_> = (0..cells.rows()).map(of).collect();
    let times: Vec<Option<i64>> = found.iter().map(|visit| visit.map(|(ms, _)| ms)).collect();
    let what: Vec<Option<&str>> = found.iter().map(|visit| visit.map(|(_, what)| what)).collect();
    let utc = DataType::Datetime(TimeUnit::Milliseconds, Some(TimeZone::UTC));
    frame.with_column(Series::new("visit_time".into(), times).cast(&utc)?.into())?;
    frame.with_column(Series::new("visit".into(), what).into())?;
    Ok(())
}

/// A host has set the clock.
fn clocks(
    store: &Store,
    visit: &mut impl FnMut(String, Option<i64>, &'static str),
) -> Result<(), StoreError> {
    let by_host = format!("\"source\":\"{}\"", ClockSource::Host.name());
    let is_set = col("status").eq(lit("clock_set"));
    let is_host = col("detail").str().contains_literal(lit(by_host));
    let rows = store.scan(&STATUS)?.filter(is_set.and(is_host));
    let rows = rows.group_by([col("device")]).agg([col("time").max()]).collect()?;
    let cells = Cells(&rows);
    for row in 0..cells.rows() {
        if let Some(device) = cells.text("device", row) {
            visit(device, cells.ms("time", row), "clock_set");
        }
    }
    Ok(())
}

/// Settings that are others than before: they are written at every start. The first ones of all are somebody's too.
fn settings(
    store: &Store,
    visit: &mut impl FnMut(String, Option<i64>, &'static str),
) -> Result<(), StoreError> {
    let order = SortMultipleOptions::default();
    let rows = store.scan(&SETTINGS)?.sort(["device", "boot", "sequence"], order).collect()?;
    let cells = Cells(&rows);
    let set: Vec<_> =
        rows.columns().iter().filter(|column| !HEAD.contains(&column.name().as_str())).collect();
    let bank = |row: usize| cells.text("bank", row);
    for row in 0..cells.rows() {
        let Some(device) = cells.text("device", row) else { continue };
        let before =
            row.checked_sub(1).filter(|before| cells.text("device", *before).as_ref() == Some(&device));
        let is_visit = match before {
            None => cells.whole("boot", row) == Some(1),
            Some(before) => {
                let same = |column: &&polars::prelude::Column| {
                    column.get(before).ok().zip(column.get(row).ok()).is_some_and(|(a, b)| a == b)
                };
                bank(before) != bank(row) || !set.iter().all(same)
            }
        };
        if is_visit {
            visit(device, cells.ms("time", row), "settings_changed");
        }
    }
    Ok(())
}

/// Somebody has had a baseline learned, or has discarded one. What becomes of it later is the logger's own doing.
fn baselines(
    store: &Store,
    visit: &mut impl FnMut(String, Option<i64>, &'static str),
) -> Result<(), StoreError> {
    const COLUMNS: [&str; 7] = ["device", "boot", "sequence", "time", "state", "reason", "hours"];
    let order = SortMultipleOptions::default();
    let rows = store.scan(&BASELINES)?.select(COLUMNS.map(col));
    let rows = rows.sort(["device", "boot", "sequence"], order).collect()?;
    let cells = Cells(&rows);
    let all = |row: usize| ["device", "state", "reason"].map(|name| cells.text(name, row));
    for row in 0..cells.rows() {
        if row.checked_sub(1).is_some_and(|before| all(before) == all(row)) {
            continue;
        }
        let [Some(device), state, reason] = all(row) else { continue };
        let is_discarded = reason.is_some_and(|reason| reason.ends_with("_replaced"));
        if is_discarded {
            visit(device, cells.ms("time", row), "baseline_discarded");
        } else if state.as_deref() == Some("provisional") && cells.whole("hours", row) == Some(0) {
            visit(device, cells.ms("time", row), "baseline_learned");
        }
    }
    Ok(())
}
