//! What an id of the book names.

use std::collections::BTreeMap;

use super::alarm_book;
use crate::analysis::Filter;
use crate::analysis::cells::Cells;
use crate::store::{Store, StoreError};

/// An alarm or an event of a feeder that was looked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Found {
    /// Its id, as the table of alarms shows it.
    pub id: String,
    /// The ids of the alarms that it stands for: of an event those of all banks. A note is written beside these.
    pub alarms: Vec<String>,
    /// Ids under which later starts of a logger had found the same again. A note beside one of them is older, or goes too.
    pub later: Vec<String>,
    /// "Quillmere 3: blown_fuse B, 2030-05-05T22:36:00.000Z".
    pub words: String,
}

/// What has an id that begins with `prefix`; nothing for an empty one. An alarm that goes on over restarts of its logger is one, by
/// whichever of its ids. The id of the first alarm of an event that several banks saw names the event.
///
/// # Errors
/// The store cannot be read.
pub fn find(store: &Store, filter: &Filter, prefix: &str) -> Result<Vec<Found>, StoreError> {
    let book = alarm_book(store, filter)?;
    let cells = Cells(&book);
    let mut events: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    let mut later: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for row in 0..cells.rows() {
        if let Some(event) = cells.text("feeder_event", row) {
            events.entry(event).or_default().push(row);
        }
        if let Some((id, first)) = cells.text("id", row).zip(cells.text("since_id", row))
            && id != first
        {
            later.entry(first).or_default().push(id);
        }
    }
    let mut found: BTreeMap<String, Found> = BTreeMap::new();
    for row in 0..cells.rows() {
        let own = cells.text("id", row).filter(|id| !prefix.is_empty() && id.starts_with(prefix));
        let Some(id) = own.and_then(|_| cells.text("since_id", row)) else { continue };
        let rows = events.get(&id).map_or(&[][..], Vec::as_slice);
        let banks = cells.real("seen_by", row).unwrap_or(1.0);
        let name = |name: &str| cells.text(name, row).unwrap_or_default();
        let [condition, phases] = ["condition", "phases"].map(name);
        let when = cells.ms("since_time", row).and_then(|ms| u64::try_from(ms).ok());
        let when = when.map_or_else(String::new, |ms| format!(", {}", crate::time::utc(ms)));
        let (alarms, words) = if rows.len() > 1 {
            let all: Vec<String> = rows.iter().filter_map(|row| cells.text("since_id", *row)).collect();
            let seen = if banks > 1.0 { format!("{banks} banks") } else { name("bank") };
            let words = format!("{seen}: {condition} {phases}{when}, {} alarms of one event", all.len());
            (all, words)
        } else {
            (vec![id.clone()], format!("{}: {condition} {phases}{when}", name("bank")))
        };
        let later = alarms.iter().filter_map(|id| later.get(id)).flatten().cloned().collect();
        found.insert(id.clone(), Found { id, alarms, later, words });
    }
    Ok(found.into_values().collect())
}
