//! Which alarms go on.

use std::collections::BTreeMap;

use polars::prelude::{DataType, col, lit};
use wyelog_protocol::condition::Condition;

use crate::analysis::PHASES;
use crate::analysis::cells::Cells;
use crate::store::{INTERVALS, Store, StoreError};

/// A phase with more than this connected has its fuse again.
const CARRIES: f64 = 0.5;

/// Frames of a day.
const DAY_FRAMES: f64 = 86_400.0 * wyelog_protocol::FRAMES_PER_SECOND as f64;

/// Of each row of the history: its end is not in the records; what is a statement about the feeder or an operation does not
/// outlast a restart of the logger, and a lost phase not that it carries again after one. `last` has the last frame of each
/// start.
pub(super) fn open(store: &Store, cells: Cells<'_>, last: Cells<'_>) -> Result<Vec<bool>, StoreError> {
    let starts = last_starts(last);
    let mut connected: BTreeMap<String, [Option<f64>; 3]> = BTreeMap::new();
    let mut open = Vec::with_capacity(cells.rows());
    for row in 0..cells.rows() {
        if cells.whole("end_frame", row).is_some() {
            open.push(false);
            continue;
        }
        let device = cells.text("device", row).unwrap_or_default();
        let boot = cells.whole("boot", row).unwrap_or(0);
        let last = starts.get(&device).copied().filter(|(last, _)| *last > boot);
        let name = cells.text("condition", row).unwrap_or_default();
        let condition = Condition::ALL.into_iter().find(|condition| condition.name() == name);
        let Some((last, frame)) = last else {
            open.push(true);
            continue;
        };
        let mut goes_on = condition.is_none_or(Condition::concerns_bank);
        if matches!(condition, Some(Condition::BlownFuse | Condition::PhaseMissingAtClose)) {
            if !connected.contains_key(&device) {
                connected.insert(device.clone(), connected_now(store, &device, last, frame)?);
            }
            let phases = cells.text("phases", row).unwrap_or_default();
            let now = connected.get(&device).copied().unwrap_or_default();
            let carries = PHASES
                .iter()
                .zip(now)
                .all(|(phase, y)| !phases.contains(&phase.to_uppercase()) || y.is_some_and(|y| y > CARRIES));
            goes_on &= !carries;
        }
        open.push(goes_on);
    }
    Ok(open)
}

/// Number of the last start of each logger that has intervals, and its last frame.
fn last_starts(last: Cells<'_>) -> BTreeMap<String, (u64, f64)> {
    let mut starts: BTreeMap<String, (u64, f64)> = BTreeMap::new();
    for row in 0..last.rows() {
        let (Some(device), Some(boot)) = (last.text("device", row), last.whole("boot", row)) else {
            continue;
        };
        let kept = starts.entry(device).or_insert((0, 0.0));
        if boot >= kept.0 {
            *kept = (boot, last.real("last_frame", row).unwrap_or(0.0));
        }
    }
    starts
}

/// Median connected capacitance of each phase over the last day of a start.
fn connected_now(
    store: &Store,
    device: &str,
    boot: u64,
    last_frame: f64,
) -> Result<[Option<f64>; 3], StoreError> {
    let recent = col("device")
        .eq(lit(device))
        .and(col("boot").eq(lit(boot)))
        .and(col("flagged").eq(lit(0)))
        .and(col("frame").cast(DataType::Float64).gt(lit(last_frame - DAY_FRAMES)));
    let names = PHASES.map(|phase| format!("connected_{phase}"));
    let medians: Vec<_> = names.iter().map(|name| col(name.as_str()).median()).collect();
    let frame = store.of_device(device).scan(&INTERVALS)?.filter(recent).select(medians).collect()?;
    let cells = Cells(&frame);
    Ok([0, 1, 2].map(|phase| cells.real(names.get(phase)?, 0)))
}
