//! Which alarms go on.

use std::collections::BTreeMap;

use polars::prelude::{
    Column, DataFrame, DataType, Expr, IntoLazy, JoinArgs, JoinType, NamedFrom, Series, col, lit,
};
use wyelog_protocol::condition::Condition;

use super::{Place, place};
use crate::analysis::cells::Cells;
use crate::analysis::goes_on::{Standing, phases};
use crate::analysis::slices::collect;
use crate::analysis::{Filter, PHASES};
use crate::store::{INTERVALS, Store, StoreError};

/// Frames of a day.
const DAY_FRAMES: f64 = 86_400.0 * wyelog_protocol::FRAMES_PER_SECOND as f64;

/// Of each row of the history whether it [goes on](Standing::goes_on). `last` has the last frame of each start.
///
/// `until` ends the range that is asked for.
pub(super) fn open(
    store: &Store,
    until: &Filter,
    cells: Cells<'_>,
    last: Cells<'_>,
) -> Result<Vec<bool>, StoreError> {
    let starts = last_starts(last);
    // Most have ended: there is nothing more to look up.
    let standing = |row: usize| {
        let has_ended = cells.whole("end_frame", row).is_some();
        let place = place(cells, row).filter(|_| !has_ended)?;
        let name = cells.text("condition", row).unwrap_or_default();
        let standing = Standing {
            condition: Condition::ALL.into_iter().find(|condition| condition.name() == name),
            phases: phases(&cells.text("phases", row).unwrap_or_default()),
            has_ended,
            boot: cells.whole("boot", row).unwrap_or(0),
            last_boot: starts.get(&place).map_or(0, |(boot, _)| *boot),
        };
        Some((place, standing))
    };
    let standing: Vec<Option<(Place, Standing)>> = (0..cells.rows()).map(standing).collect();
    let asked = standing.iter().flatten().filter(|(_, standing)| standing.depends_on_connected());
    let asked = asked.filter_map(|(place, _)| Some((place, *starts.get(place)?))).collect();
    let connected = connected_now(store, until, &asked)?;
    let goes_on = |of: &Option<(Place, Standing)>| {
        let connected = |place| connected.get(place).copied().unwrap_or_default();
        of.as_ref().is_some_and(|(place, standing)| standing.goes_on(connected(place)))
    };
    Ok(standing.iter().map(goes_on).collect())
}

/// Number of the last start of each logger at each bank that has intervals, and its last frame.
fn last_starts(last: Cells<'_>) -> BTreeMap<Place, (u64, f64)> {
    let mut starts: BTreeMap<Place, (u64, f64)> = BTreeMap::new();
    for row in 0..last.rows() {
        let (Some(place), Some(boot)) = (place(last, row), last.whole("boot", row)) else {
            continue;
        };
        let kept = starts.entry(place).or_insert((0, 0.0));
        if boot >= kept.0 {
            *kept = (boot, last.real("last_frame", row).unwrap_or(0.0));
        }
    }
    starts
}

/// Median connected capacitance of each phase over the last day of these starts: one query for all loggers.
fn connected_now(
    store: &Store,
    until: &Filter,
    starts: &BTreeMap<&Place, (u64, f64)>,
) -> Result<BTreeMap<Place, [Option<f64>; 3]>, StoreError> {
    if starts.is_empty() {
        return Ok(BTreeMap::new());
    }
    let devices: Vec<&str> = starts.keys().map(|(device, _)| device.as_str()).collect();
    let banks: Vec<&str> = starts.keys().map(|(_, bank)| bank.as_str()).collect();
    let boots: Vec<u64> = starts.values().map(|(boot, _)| *boot).collect();
    let after: Vec<f64> = starts.values().map(|(_, last)| last - DAY_FRAMES).collect();
    let keys: Vec<Column> = vec![
        Series::new("device".into(), devices.as_slice()).into(),
        Series::new("bank".into(), banks).into(),
        Series::new("last_boot".into(), boots).into(),
        Series::new("after".into(), after).into(),
    ];
    let keys = DataFrame::new_infer_height(keys)?.lazy();
    let names = PHASES.map(|phase| format!("connected_{phase}"));
    let any = lit(Series::new("device".into(), devices)).implode(true);
    let good = col("flagged").eq(lit(0)).and(col("device").is_in(any, false));
    let wanted = ["device", "bank", "boot", "frame"].into_iter().chain(names.iter().map(String::as_str));
    let intervals =
        until.rows(store, &INTERVALS, "time")?.filter(good).select(wanted.map(col).collect::<Vec<Expr>>());
    let by = || ["device", "bank"].map(col);
    let days = intervals.join(keys, by(), by(), JoinArgs::new(JoinType::Inner));
    let is_late = col("frame").cast(DataType::Float64).gt(col("after"));
    let days = days.filter(col("boot").cast(DataType::UInt64).eq(col("last_boot")).and(is_late));
    let medians: Vec<Expr> = names.iter().map(|name| col(name.as_str()).median()).collect();
    let medians = collect(days.group_by(by()).agg(medians))?;
    let cells = Cells(&medians);
    let of = |row: usize| {
        let connected = [0, 1, 2].map(|phase| cells.real(names.get(phase)?, row));
        Some((place(cells, row)?, connected))
    };
    Ok((0..cells.rows()).filter_map(of).collect())
}
