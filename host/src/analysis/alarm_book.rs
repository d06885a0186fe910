//! The alarms of a store as people work through them: open ones first, each explained, with what somebody noted beside it, and
//! what many banks of a feeder saw as one event.

use std::collections::BTreeMap;

use polars::prelude::{Column, DataFrame, IdxCa, NamedFrom, Series};
use wyelog_protocol::cause::Cause;
use wyelog_protocol::condition::Condition;

use super::Filter;
use super::alarm_history::alarm_history;
use super::cells::Cells;
use super::feeder_events::{FeederEvent, find};
use super::goes_on::phases;
use crate::explain::{Case, explain, in_short};
use crate::store::{Store, StoreError};

/// The [history](alarm_history) with the open alarms first, the most urgent of them before the others, and
///
/// - `in_short`, `explanation`: what probably happened, in the words of `wyelog explain`;
/// - `acknowledged_time`, `note`: that somebody has looked at it (see [`Store::acknowledge`]);
/// - `feeder_event`, `seen_by`: which event of the feeder it belongs to, and how many banks saw that (see
///   [`feeder_events`](super::feeder_events::feeder_events)); null for what is no event of the voltage.
///
/// # Errors
/// The store cannot be read.
pub fn alarm_book(store: &Store, filter: &Filter) -> Result<DataFrame, StoreError> {
    let history = alarm_history(store, filter)?;
    let acknowledged = store.acknowledged()?;
    let mut event_of: BTreeMap<usize, (String, f64)> = BTreeMap::new();
    for FeederEvent { id, rows, banks, .. } in find(store, filter, &history)? {
        for row in rows {
            event_of.insert(row, (id.clone(), banks.len() as f64));
        }
    }
    let cells = Cells(&history);
    let rows = 0..cells.rows();
    let cases: Vec<Option<Case>> = rows.clone().map(|row| case(cells, row)).collect();
    let marks: Vec<_> =
        rows.clone().map(|row| cells.text("id", row).and_then(|id| acknowledged.get(&id))).collect();
    let text =
        |name: &str, values: Vec<Option<String>>| -> Column { Series::new(name.into(), values).into() };
    let of_case = |of: &dyn Fn(&Case) -> String| cases.iter().map(|case| case.as_ref().map(of)).collect();
    let of_event: Vec<_> = rows.clone().map(|row| event_of.get(&row)).collect();
    let columns = [
        text("in_short", of_case(&|case| in_short(case.condition, case.phases))),
        text("explanation", of_case(&|case| explain(case).happened)),
        text(
            "acknowledged_time",
            marks.iter().map(|mark| mark.map(|mark| mark.acknowledged.clone())).collect(),
        ),
        text("note", marks.iter().map(|mark| mark.map(|mark| mark.note.clone())).collect()),
        text("feeder_event", of_event.iter().map(|event| event.map(|(id, _)| id.clone())).collect()),
        Series::new(
            "seen_by".into(),
            of_event.iter().map(|event| event.map(|(_, n)| *n)).collect::<Vec<_>>(),
        )
        .into(),
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

/// A [book](alarm_book) for people: an event of a feeder is one line, whatever the number of its banks and alarms. Columns
/// `who` and `what` are for the table.
///
/// # Errors
/// The table engine refuses.
pub fn folded(book: &DataFrame) -> Result<DataFrame, StoreError> {
    let cells = Cells(book);
    let mut lines: Vec<(usize, String, String)> = Vec::new();
    let mut line_of: BTreeMap<String, usize> = BTreeMap::new();
    for row in 0..cells.rows() {
        let bank = cells.text("bank", row).unwrap_or_default();
        let what = cells.text("condition", row).unwrap_or_default();
        let Some(event) = cells.text("feeder_event", row) else {
            lines.push((row, bank, what));
            continue;
        };
        if let Some((_, _, all)) = line_of.get(&event).and_then(|line| lines.get_mut(*line)) {
            if !all.split(", ").any(|one| one == what) {
                all.push_str(&format!(", {what}"));
            }
            continue;
        }
        let banks = cells.real("seen_by", row).unwrap_or(1.0);
        let who = if banks > 1.0 { format!("{banks} banks") } else { bank };
        line_of.insert(event, lines.len());
        lines.push((row, who, what));
    }
    let rows: Vec<usize> = lines.iter().map(|(row, _, _)| *row).collect();
    let column = |name: &str, texts: Vec<String>| -> Column { Series::new(name.into(), texts).into() };
    let (who, what) = lines.into_iter().map(|(_, who, what)| (who, what)).unzip();
    Ok(pick(book, &rows)?.hstack(&[column("who", who), column("what", what)])?)
}

#[cfg(test)]
pub(super) mod tests;
