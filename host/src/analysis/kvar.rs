//! Reactive power of each bank and phase: delivered against rated, what was lost, how sure that is and since when, and where
//! the differences between the phases go.

mod days;
mod drift;
mod proven;

use polars::prelude::{Column, DataFrame, NamedFrom, Series};
use wyelog_protocol::record::Basis;

use super::cells::Cells;
use super::{Filter, PHASES, times};
use crate::store::{Store, StoreError};
use drift::{Drift, Key};
pub use drift::{LEAST_DAYS, LEAST_HOURS};

/// Where the numbers come from, for every table that shows them; a bank's own row says what its logger knew better.
pub const BASIS: &str = "differences between phases: measured; what they have in common: nameplate";

/// Change of a difference between phases that counts as crossing, in per unit of a phase: the smallest step that one shorted
/// section makes in a unit of many (4 to 33 % of a phase).
pub const LIMIT_PU: f64 = 0.04;

/// Stands beside every change of what the phases have in common.
pub const UNCORRECTED: &str = "not corrected for temperature: the records have none";

/// The same, by the name of what the common part rests on.
pub fn basis_of(name: Option<&str>) -> &'static str {
    Basis::ALL.into_iter().find(|of| Some(of.name()) == name).map_or(BASIS, basis)
}

/// The same where the common part rests on something else.
const fn basis(of: Basis) -> &'static str {
    match of {
        Basis::Nameplate => BASIS,
        Basis::Opening => {
            "differences between phases: measured; what they have in common: openings of the bank"
        }
        Basis::Pole => {
            "differences between phases: measured; what they have in common: one or two phases that carried alone"
        }
        Basis::Harmonics => {
            "differences between phases: measured; what they have in common: zero-sequence harmonics"
        }
        Basis::Baseline => "differences between phases: measured; what they have in common: baseline",
    }
}

/// What was delivered and lost: one row a bank, the least available first. Hours with voltage known, rated kvar of a phase,
/// and of each phase
///
/// - `kvar_x`: mean delivered while the bank was in and its capacitance known, weighted by time; null if it never was;
/// - `kvarh_x`: delivered;
/// - `kvarh_lost_x`: what a whole phase would have delivered at the voltage and frequency there were, less what was
///   delivered; negative where units have more capacitance than rated;
/// - `available_percent`: delivered over that, of all phases, null where there is nothing of either;
///   `available_sigma_percent` is its standard deviation, that of the
///   common part: differences from the mean add up to nothing.
///
/// Only hours count in which the connected capacitance was known: `known_hours` of the `hours` that were measured; of an open
/// bank, or without the signal of the neutral current, it is not. `closed_hours` and `open_hours` are by the
/// state of the bank. `basis` says how, by the latest interval, `common_basis` in one word; `difference_sigma_pu` and
/// `common_sigma_pu` are standard deviations, means of the last day that has them.
///
/// # Errors
/// The store cannot be read.
pub fn delivered(store: &Store, filter: &Filter) -> Result<DataFrame, StoreError> {
    days::sums(days::by_day(store, filter)?)
}

/// As [`delivered`], and
///
/// - `last_proven_time`, `last_proven_by`: when what the phases have in common was last measured, and by what: `opening`,
///   `pole`, `harmonics` or `baseline`; a nameplate proves nothing;
/// - `trend_from_time`, `trend_days`: the days whose means make the trend: those since the last change of a phase, with at
///   least [`LEAST_HOURS`] good hours each; at least [`LEAST_DAYS`] of them, or there is none;
/// - `difference_x_pu`: connected capacitance of a phase less the mean of the phases, on the last of these days by the line
///   through them; `difference_slope_x_pu_per_year` and `…_sigma_…`: its slope and standard deviation, which is widened for
///   days that resemble their neighbours;
/// - `difference_change_x_pu`: the same since the baseline (`change_since`: `baseline`), or since the trend begins (`trend`);
/// - `crossing_time`, `crossing_phase`: when the first of these changes reaches `limit_pu`; null where no slope is twice its
///   standard deviation or it is a hundred years off; `crossing_earliest_time`, `crossing_latest_time`: with a slope two standard
///   deviations steeper, and flatter (null: never);
/// - `common_pu`, `common_slope_pu_per_year`, `common_slope_sigma_pu_per_year`: of the mean of the phases, with `common_note`.
///
/// # Errors
/// The store cannot be read.
pub fn kvar_with(store: &Store, filter: &Filter, limit_pu: f64) -> Result<DataFrame, StoreError> {
    let daily = days::by_day(store, filter)?;
    let rows = days::sums(daily.clone())?;
    let drifts = drift::drifts(store, filter, &daily, limit_pu)?;
    let proven = proven::proven(store, filter, &daily)?;
    let cells = Cells(&rows);
    let keys: Vec<Option<Key>> = (0..cells.rows()).map(|row| key(cells, row)).collect();
    let proofs: Vec<_> = keys.iter().map(|key| key.as_ref().and_then(|key| proven.get(key))).collect();
    let drifts: Vec<Option<&Drift>> =
        keys.iter().map(|key| key.as_ref().and_then(|key| drifts.get(key))).collect();
    let real = |name: &str, of: &dyn Fn(&Drift) -> Option<f64>| -> Column {
        let values: Vec<Option<f64>> = drifts.iter().map(|drift| drift.and_then(of)).collect();
        Series::new(name.into(), values).into()
    };
    let text = |name: &str, of: &dyn Fn(&Drift) -> Option<&'static str>| -> Column {
        let values: Vec<Option<&str>> = drifts.iter().map(|drift| drift.and_then(of)).collect();
        Series::new(name.into(), values).into()
    };
    let moment = |name: &str, of: &dyn Fn(&Drift) -> Option<i64>| {
        times(name, drifts.iter().map(|drift| drift.and_then(of)).collect())
    };
    let by: Vec<Option<&str>> = proofs.iter().map(|proof| proof.map(|(_, by)| *by)).collect();
    let mut columns = vec![
        times("last_proven_time", proofs.iter().map(|proof| proof.map(|(ms, _)| *ms)).collect())?,
        Series::new("last_proven_by".into(), by).into(),
        moment("trend_from_time", &|drift| Some(drift.from_ms))?,
        real("trend_days", &|drift| Some(drift.days as f64)),
    ];
    for (phase, letter) in PHASES.iter().enumerate() {
        let line = move |drift: &Drift| drift.lines.get(phase).copied().flatten();
        let name = |stem: &str, unit: &str| format!("{stem}_{letter}_{unit}");
        columns.push(real(&name("difference", "pu"), &|drift| Some(line(drift)?.last)));
        columns.push(real(&name("difference_slope", "pu_per_year"), &|drift| Some(line(drift)?.slope)));
        columns.push(real(&name("difference_slope_sigma", "pu_per_year"), &|drift| Some(line(drift)?.sigma)));
        columns.push(real(&name("difference_change", "pu"), &|drift| {
            drift.changes.get(phase).copied().flatten()
        }));
    }
    columns.push(text("change_since", &|drift| Some(if drift.has_baseline { "baseline" } else { "trend" })));
    columns.push(moment("crossing_time", &|drift| Some(drift.crossing?.ms))?);
    columns.push(text("crossing_phase", &|drift| ["A", "B", "C"].get(drift.crossing?.phase).copied()));
    columns.push(moment("crossing_earliest_time", &|drift| drift.crossing?.earliest_ms)?);
    columns.push(moment("crossing_latest_time", &|drift| drift.crossing?.latest_ms)?);
    columns.push(real("common_pu", &|drift| Some(drift.common?.last)));
    columns.push(real("common_slope_pu_per_year", &|drift| Some(drift.common?.slope)));
    columns.push(real("common_slope_sigma_pu_per_year", &|drift| Some(drift.common?.sigma)));
    columns.push(text("common_note", &|drift| drift.common.map(|_| UNCORRECTED)));
    Ok(rows.hstack(&columns)?)
}

/// As [`kvar_with`], with [`LIMIT_PU`].
///
/// # Errors
/// The store cannot be read.
pub fn kvar(store: &Store, filter: &Filter) -> Result<DataFrame, StoreError> {
    kvar_with(store, filter, LIMIT_PU)
}

fn key(cells: Cells<'_>, row: usize) -> Option<Key> {
    Some((cells.text("bank", row)?, cells.text("device", row)?))
}

#[cfg(test)]
mod tests;
