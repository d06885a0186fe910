//! The page as one row of a table.

use polars::prelude::{Column, DataFrame, NamedFrom, Series};

use super::Certificate;
use crate::analysis::{PHASES, times};
use crate::store::StoreError;

/// What stands between sentences in one cell; sentences have semicolons.
const BETWEEN: &str = " | ";

/// One row: what the page says in numbers and words. `found_…` is of the first day, `left_…` of the last, `soak_…`
/// of the soak; `soak_known_hours` are those in which it is known what the bank was like, `soak_known_in_hours` those of them with
/// the bank in.
///
/// # Errors
/// The table engine refuses.
pub fn frame(page: &Certificate) -> Result<DataFrame, StoreError> {
    let baseline = page.baseline.as_ref();
    let mut columns = vec![
        text("bank", Some(page.row.bank.clone())),
        text("feeder", page.row.feeder.clone()),
        text("device", Some(page.row.device.clone())),
        yes("is_proven", page.is_proven()),
        times("range_from_time", vec![page.range.0])?,
        times("range_to_time", vec![page.range.1])?,
        times("commissioned_time", vec![page.commissioned_ms])?,
        real("soak_days", Some(page.soak.days)),
        real("soak_hours", Some(page.soak.hours.0)),
        real("soak_passed_hours", Some(page.soak.hours.1)),
        real("soak_known_hours", Some(page.soak.known_hours())),
        real("soak_known_in_hours", Some(page.soak.values.known_hours)),
        real("soak_open_hours", Some(page.soak.values.open_hours)),
        real("soak_closed_hours", Some(page.soak.values.closed_hours)),
        real("soak_flagged_hours", Some(page.soak.values.flagged_hours)),
        real("soak_openings", Some(page.soak.operations.0 as f64)),
        real("soak_closings", Some(page.soak.operations.1 as f64)),
        yes("soak_is_done", page.soak.is_done()),
        listed("soak_alarms", &page.soak.alarms),
    ];
    let of = |out: &mut Vec<Column>, stem: &str, unit: &str, values: [Option<f64>; 3]| {
        out.extend(
            PHASES.iter().zip(values).map(|(phase, value)| real(&format!("{stem}_{phase}{unit}"), value)),
        );
    };
    for (name, values) in page.stretches() {
        of(&mut columns, &format!("{name}_voltage"), "_v", values.voltage_v);
        of(&mut columns, &format!("{name}_connected"), "", values.connected);
        of(&mut columns, &format!("{name}_kvar"), "", values.kvar);
        columns.extend([
            real(&format!("{name}_neutral_a"), values.neutral_a),
            real(&format!("{name}_residual_pu"), values.residual_pu),
            real(&format!("{name}_u2_percent"), values.u2_percent),
        ]);
    }
    columns.extend([
        text("baseline_state", baseline.map(|baseline| baseline.state.clone())),
        text("baseline_reason", baseline.map(|baseline| baseline.reason.clone())),
        times("baseline_learned_time", vec![baseline.and_then(|baseline| baseline.learned_ms)])?,
        times("baseline_confirmed_time", vec![baseline.and_then(|baseline| baseline.confirmed_ms)])?,
    ]);
    let connected = baseline.map(|baseline| baseline.connected).unwrap_or_default();
    of(&mut columns, "baseline_connected", "", connected);
    let sigmas = baseline.map(|baseline| baseline.sigmas).unwrap_or_default();
    let changes = page.changes.iter().map(|one| format!("{}: {}, {}", one.setting, one.found, one.left));
    columns.extend([
        real("baseline_watched_hours", baseline.map(|baseline| baseline.watched.0 as f64)),
        real("baseline_openings", baseline.map(|baseline| baseline.watched.1 as f64)),
        real("baseline_closings", baseline.map(|baseline| baseline.watched.2 as f64)),
        real("settings_records", Some(page.settings_records as f64)),
        real("difference_sigma_pu", sigmas.0),
        real("common_sigma_pu", sigmas.1),
        text("common_basis", baseline.and_then(|baseline| baseline.basis.clone())),
        listed("changes", &changes.collect::<Vec<_>>()),
        listed("open", &page.open),
        listed("not_proven", &page.not_proven),
    ]);
    Ok(DataFrame::new_infer_height(columns)?)
}

fn text(name: &str, value: Option<String>) -> Column {
    Series::new(name.into(), [value]).into()
}

fn listed(name: &str, texts: &[String]) -> Column {
    text(name, Some(texts.join(BETWEEN)).filter(|text| !text.is_empty()))
}

fn real(name: &str, value: Option<f64>) -> Column {
    Series::new(name.into(), [value]).into()
}

fn yes(name: &str, is_so: bool) -> Column {
    Series::new(name.into(), [is_so]).into()
}
