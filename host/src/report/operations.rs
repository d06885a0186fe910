//! The table of what a bank's switch did.

use super::text::{or_dash, second};
use crate::analysis::Filter;
use crate::analysis::fleet::FleetRow;
use crate::analysis::operations::{OperationRow, operations};
use crate::number::{count, plain};
use crate::store::{Store, StoreError};
use crate::time;

/// Operations in the table of a page, the newest.
const MOST_OPERATIONS: usize = 24;

/// The operations of a bank up to its last interval, or nothing where there are none.
pub fn table(store: &Store, row: &FleetRow) -> Result<String, StoreError> {
    let interval_ms = (row.interval_s * 1000.0) as i64;
    let filter = Filter {
        to_ms: row.last_ms.map(|last| last.saturating_add(interval_ms)),
        banks: vec![row.bank.clone()],
        ..Filter::default()
    };
    let rows = operations(store, &row.device, &filter)?;
    if rows.is_empty() {
        return Ok(String::new());
    }
    let heads = [
        "Switch",
        "Began (UTC)",
        "Told",
        "Current zeros A, B, C",
        "Neutral peak, A",
        "Voltage step, %",
        "Since the last opening",
    ];
    let heads: String = heads.iter().map(|head| format!("<th scope=\"col\">{head}</th>")).collect();
    let lines: String = rows.iter().take(MOST_OPERATIONS).map(line).collect();
    let rest = match rows.len().saturating_sub(MOST_OPERATIONS) {
        0 => String::new(),
        older => format!(" {} older ones are in the store.", count(older as u64, "operation")),
    };
    Ok(format!(
        "<div class=\"wide\"><table class=\"alarms\"><thead><tr>{heads}</tr></thead><tbody>{lines}</tbody></table></div>\
         <p class=\"hint\">Operations as currents and voltages show them. Current zeros: when each pole cleared, from the \
         first one on, not when its contacts parted. Neutral peak: in the band of the sampling, the crest of an inrush is \
         higher.{rest}</p>"
    ))
}

fn line(operation: &OperationRow) -> String {
    let poles: Vec<String> = operation
        .poles_us
        .iter()
        .map(|us| us.map_or_else(|| "–".to_owned(), |us| plain(us as f64 / 1000.0, 1)))
        .collect();
    let poles =
        if operation.poles_us == [None; 3] { "–".to_owned() } else { format!("{} ms", poles.join(", ")) };
    let cells = [
        operation.action.clone(),
        operation.begin_ms.map_or_else(
            || {
                format!(
                    "{} after start {}",
                    time::duration(time::frames_to_seconds(operation.begin_frame)),
                    operation.boot
                )
            },
            second,
        ),
        operation.told.map_or("–", |told| if told { "yes" } else { "no" }).to_owned(),
        poles,
        or_dash(operation.neutral_peak_a, 1),
        or_dash(operation.voltage_step_pu.map(|step| 100.0 * step), 2),
        operation.since_opening_s.map_or_else(|| "–".to_owned(), time::duration),
    ];
    let cells: String = cells.iter().map(|cell| format!("<td>{cell}</td>")).collect();
    format!("<tr>{cells}</tr>")
}
