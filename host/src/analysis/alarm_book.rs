//! The alarms of a store as people work through them: open ones first, each explained, with what somebody noted beside it, and
//! what many banks of a feeder saw as one event.

mod find;
mod folded;

use std::collections::BTreeMap;

use polars::prelude::{Column, DataFrame, IdxCa, NamedFrom, Series};
use wyelog_protocol::cause::Cause;
use wyelog_protocol::condition::Condition;

use super::alarm_history::alarm_history;
use super::cells::Cells;
use super::feeder_events::{self, FeederEvent};
use super::goes_on::phases;
use super::{Filter, times};
use crate::explain::{Case, explain, in_short};
use crate::store::{Store, StoreError};

pub use find::{Found, find};
pub use folded::folded;

/// The [history](alarm_history) with the open alarms first, the most urgent of them before the others, and
///
/// - `in_short`, `explanation`: what probably happened, in the words of `wyelog explain`;
/// - `acknowledged_time`, `note`: that somebody has looked at it (see [`Store::acknowledge`]);
/// - `feeder_event`, `seen_by`, `feeder_event_time`, `feeder_event_duration_s`: which event of the feeder it belongs to, how many
///   banks saw that, when it began and how long it lasted (see
///   [`feeder_events`](super::feeder_events::feeder_events)); null for what is no event of the voltage.
///
/// # Errors
/// The store cannot be read.
pub fn alarm_book(store: &Store, filter: &Filter) -> Result<DataFrame, StoreError> {
    let history = alarm_history(store, filter)?;
    let acknowledged = store.acknowledged()?;
    let events = feeder_events::find(store, filter, &history)?;
    let mut event_of: BTreeMap<usize, &FeederEvent> = BTreeMap::new();
    for event in &events {
        event_of.extend(event.rows.iter().map(|row| (*row, event)));
    }
    let cells = Cells(&history);
    let rows = 0..cells.rows();
    let cases: Vec<Option<Case>> = rows.clone().map(|row| case(cells, row)).collect();
    let mark = |row: usize| acknowledged.get(&cells.text("noted_id", row)?);
    let marks: Vec<_> = rows.clone().map(mark).collect();
    let text =
        |name: &str, values: Vec<Option<String>>| -> Column { Series::new(name.into(), values).into() };
    let of_case = |of: &dyn Fn(&Case) -> String| cases.iter().map(|case| case.as_ref().map(of)).collect();
    let of_event: Vec<_> = rows.clone().map(|row| event_of.get(&row)).collect();
    let real = |name: &str, of: &dyn Fn(&FeederEvent) -> f64| -> Column {
        let values: Vec<_> = of_event.iter().map(|event| event.map(|event| of(event))).collect();
        Series::new(name.into(), values).into()
    };
    let columns = [
        text("in_short", of_case(&|case| in_short(case.condition, case.phases))),
        text("explanation", of_case(&|case| explain(case).happened)),
        text(
            "acknowledged_time",
            marks.iter().map(|mark| mark.map(|mark| mark.acknowledged.clone())).collect(),
        ),
        text("note", marks.iter().map(|mark| mark.map(|mark| mark.note.clone())).collect()),
        text("feeder_event", of_event.iter().map(|event| event.map(|event| event.id.clone())).collect()),
        real("seen_by", &|event| event.banks.len() as f64),
        times(
            "feeder_event_time",
            of_event.iter().map(|event| event.and_then(|event| event.begin_ms)).collect(),
        )?,
        real("feeder_event_duration_s", &|event| event.duration_s),
    ];
    let mut order: Vec<usize> = rows.collect();
    // The history has the newest first; of the open ones the most urgent stand before the others.
    let urgency = |row: usize| {
        let route = cases.get(row).and_then(Option::as_ref).map(|case| case.condition.route());
        (!cells.is_true("is_open", row), route.filter(|_| cells.is_true("is_open", row)))
    };
    order.sort_by_key(|row| urgency(*row));
    Ok(pick(&history.hstack(&columns)?, &order)?)
}

/// Rows of a frame in an order.
fn pick(frame: &DataFrame, rows: &[usize]) -> polars::prelude::PolarsResult<DataFrame> {
    let places: Vec<_> = rows.iter().filter_map(|row| (*row).try_into().ok()).collect();
    frame.take(&IdxCa::from_vec("".into(), places))
}

/// What there is to explain; `None` for a condition of a newer logger.
pub(super) fn case(cells: Cells<'_>, row: usize) -> Option<Case> {
    let name = cells.text("condition", row)?;
    let causes = cells.text("causes", row).unwrap_or_default();
    let known = |name: &str| Cause::ALL.into_iter().find(|cause| cause.name() == name);
    Some(Case {
        condition: Condition::ALL.into_iter().find(|condition| condition.name() == name)?,
        phases: phases(&cells.text("phases", row).unwrap_or_default()),
        fraction: cells.real("fraction", row),
        causes: causes.split(", ").filter_map(known).collect(),
    })
}

#[cfg(test)]
pub(super) mod tests;
