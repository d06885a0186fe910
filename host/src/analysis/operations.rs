//! What the switch of each bank did.

use polars::prelude::{SortMultipleOptions, col};

use super::Filter;
use super::cells::Cells;
use crate::store::{OPERATIONS, Store, StoreError};

/// An operation, as currents and voltages showed it.
#[derive(Clone, Debug, PartialEq)]
pub struct OperationRow {
    /// When the first phase changed: UTC ms; `None` while the logger's clock had not been set.
    pub begin_ms: Option<i64>,
    /// Number of the logger's start.
    pub boot: u32,
    /// The same moment in frames since that start.
    pub begin_frame: u64,
    /// "opened" or "closed".
    pub action: String,
    /// Whether the contact input had told it to; `None`: no contact is wired.
    pub told: Option<bool>,
    /// From `begin` to the current zeros at which the poles of A, B, C cleared, in µs.
    pub poles_us: [Option<u64>; 3],
    /// Largest instantaneous neutral current, in the band of the sampling, in A.
    pub neutral_peak_a: Option<f64>,
    /// Change of the positive-sequence voltage, of the rated voltage.
    pub voltage_step_pu: Option<f64>,
    /// Since the last opening, in s.
    pub since_opening_s: Option<f64>,
}

/// The operations of one bank and logger, the newest first.
///
/// # Errors
/// The store cannot be read.
pub fn operations(store: &Store, device: &str, filter: &Filter) -> Result<Vec<OperationRow>, StoreError> {
    let newest = SortMultipleOptions::default().with_order_descending(true);
    let frame = filter.apply(store.of_device(device).scan(&OPERATIONS)?, "begin_time");
    let frame = frame.sort_by_exprs([col("boot"), col("begin_frame")], newest).collect()?;
    let cells = Cells(&frame);
    let row = |index: usize| {
        Some(OperationRow {
            begin_ms: cells.ms("begin_time", index),
            boot: u32::try_from(cells.whole("boot", index)?).ok()?,
            begin_frame: cells.whole("begin_frame", index)?,
            action: cells.text("action", index)?,
            told: cells.whole("told", index).map(|told| told > 0),
            poles_us: ["a", "b", "c"].map(|phase| cells.whole(&format!("pole_{phase}_us"), index)),
            neutral_peak_a: cells.real("neutral_peak_a", index),
            voltage_step_pu: cells.real("voltage_step_pu", index),
            since_opening_s: cells.real("since_opening_s", index),
        })
    };
    Ok((0..cells.rows()).filter_map(row).collect())
}
