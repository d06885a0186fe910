//! The proving page of one upgrade: what the records of a bank show since it was commissioned, and what they do not.

mod frame;
mod proof;
mod values;

use super::Filter;
use super::cells::Cells;
use super::fleet::{FleetRow, State, fleet};
use super::operations::operations;
use crate::store::{BASELINES, Bank, DAY_MS, SETTINGS, Store, StoreError};
pub use frame::frame;
pub use values::Values;

/// Days of the soak.
pub const SOAK_DAYS: f64 = 7.0;
/// Part of the soak's time that must be known for it to count as done: the bank was in and the capacitance of all phases could be
/// told, or it was open. Our choice.
pub const SOAK_PART: f64 = 0.95;
/// Hours of these in which it must have been in: a bank that is out shows nothing. Our choice.
pub const SOAK_IN_HOURS: f64 = 24.0;

/// A setting that is not what it was.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Change {
    /// Name of the column in the table `settings`.
    pub setting: String,
    /// In the first record.
    pub found: String,
    /// In the last one.
    pub left: String,
}

/// The baseline that was last decided on.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Baseline {
    /// `provisional`, `confirmed`, `refused`, `invalid`.
    pub state: String,
    /// Why, or `sound`.
    pub reason: String,
    /// When it was learned and when confirmed: UTC ms.
    pub learned_ms: Option<i64>,
    /// `None`: never.
    pub confirmed_ms: Option<i64>,
    /// Connected over rated capacitance of A, B, C.
    pub connected: [Option<f64>; 3],
    /// Standard deviations of the differences and of the common part.
    pub sigmas: (Option<f64>, Option<f64>),
    /// What the common part rested on.
    pub basis: Option<String>,
    /// Whole hours watched, openings and closings since.
    pub watched: (u64, u64, u64),
}

/// The seven days from the commissioning on.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Soak {
    /// Where it ends, or the last interval before that: UTC ms.
    pub until_ms: Option<i64>,
    /// Days from the commissioning to there.
    pub days: f64,
    /// Hours with records, and those of the days so far.
    pub hours: (f64, f64),
    /// What was measured in it.
    pub values: Values,
    /// Openings and closings in it.
    pub operations: (usize, usize),
    /// Alarms that began in it, a sentence each.
    pub alarms: Vec<String>,
}

impl Soak {
    /// All seven days have passed.
    pub fn is_over(&self) -> bool {
        self.days >= SOAK_DAYS - 0.01
    }

    /// Hours in which it is known what the bank was like: in, with the capacitance of all phases, or open.
    pub fn known_hours(&self) -> f64 {
        self.values.known_hours + self.values.open_hours
    }

    /// All seven days have passed, and enough of them is known: [`SOAK_PART`], and [`SOAK_IN_HOURS`] with the bank in.
    pub fn is_done(&self) -> bool {
        self.is_over()
            && self.known_hours() >= SOAK_PART * SOAK_DAYS * 24.0
            && self.values.known_hours >= SOAK_IN_HOURS
    }
}

/// The page.
#[derive(Clone, Debug)]
pub struct Certificate {
    /// The bank's row of the fleet; of several loggers that with the latest records.
    pub row: FleetRow,
    /// Serial numbers of other loggers that hung on it.
    pub other_devices: Vec<String>,
    /// What people know of it.
    pub bank: Option<Bank>,
    /// Records from here on, to just before there, count: UTC ms; see [`certificate`].
    pub range: (Option<i64>, Option<i64>),
    /// When it was commissioned: UTC ms; when the baseline was learned, or else the first interval, in the range.
    pub commissioned_ms: Option<i64>,
    /// Whether a baseline says so.
    pub has_commissioning: bool,
    /// Settings that changed from the first record to the last.
    pub changes: Vec<Change>,
    /// How many records of settings there are.
    pub settings_records: usize,
    /// The first day from the commissioning on.
    pub found: Values,
    /// The last day.
    pub left: Values,
    /// The soak.
    pub soak: Soak,
    /// The baseline.
    pub baseline: Option<Baseline>,
    /// What was not proven, a sentence each.
    pub not_proven: Vec<String>,
    /// What is open, a sentence each.
    pub open: Vec<String>,
}

impl Certificate {
    /// Nothing is open, the soak is done and a baseline of the range is confirmed.
    pub fn is_proven(&self) -> bool {
        self.open.is_empty()
            && self.soak.is_done()
            && !self.has_older_baseline()
            && self.baseline.as_ref().is_some_and(|baseline| baseline.state == "confirmed")
    }

    /// The stretches of time with numbers of their own, by the names that tables give them.
    pub fn stretches(&self) -> [(&'static str, &Values); 3] {
        [("found", &self.found), ("left", &self.left), ("soak", &self.soak.values)]
    }

    /// The baseline was learned before the range: of what was there before the upgrade.
    pub fn has_older_baseline(&self) -> bool {
        let learned = self.baseline.as_ref().and_then(|baseline| baseline.learned_ms);
        learned.zip(self.range.0).is_some_and(|(learned, from)| learned < from)
    }

    /// In one line.
    pub fn headline(&self) -> String {
        let what = match (&self.baseline, self.soak.is_done(), self.open.len()) {
            _ if self.is_proven() => "proven, as far as records can prove it".to_owned(),
            (_, _, 1) => "one item open".to_owned(),
            (_, _, open) if open > 0 => format!("{open} items open"),
            (_, false, _) if self.soak.is_over() => "too little known of the soak".to_owned(),
            (_, false, _) => "soak not finished".to_owned(),
            _ if self.has_older_baseline() => "baseline older than the range".to_owned(),
            _ => "baseline not confirmed".to_owned(),
        };
        format!("{}: {what}", self.row.bank)
    }
}

/// Of the bank of this name; `None`: the store has none.
///
/// The range (UTC ms; from the first moment on, to just before the second) says which records the page rests on: of one
/// upgrade out of several, or as of a day. The soak begins with the baseline that was learned in the range, else with the
/// range's first interval; a baseline learned before the range is shown, but proves nothing. As found: the settings in force
/// when the range begins, and the first day of the soak; as left: those in force when it ends, and its last day. Alarms are
/// open that have not ended when the range ends, whenever they began.
///
/// # Errors
/// The store cannot be read.
pub fn certificate(
    store: &Store,
    name: &str,
    range: (Option<i64>, Option<i64>),
) -> Result<Option<Certificate>, StoreError> {
    let (from_ms, to_ms) = range;
    let filter = Filter { from_ms, to_ms, banks: vec![name.to_owned()], ..Filter::default() };
    let mut rows = fleet(store, &filter)?;
    rows.sort_by_key(|row| (row.last_ms, row.device.clone()));
    let Some(row) = rows.pop() else { return Ok(None) };
    let own = store.of_device(&row.device);
    let baseline = baseline(&own, &filter)?;
    let learned = baseline.as_ref().and_then(|baseline| baseline.learned_ms);
    let learned = learned.filter(|learned| from_ms.is_none_or(|from| *learned >= from));
    let commissioned_ms = learned.or(row.first_ms);
    let (changes, settings_records, settings) = settings(&own, &filter)?;
    let day = |from: Option<i64>, to: Option<i64>| -> Result<Values, StoreError> {
        match from.zip(to) {
            Some((from, to)) => values::values(&own, &filter, from, to),
            None => Ok(Values::default()),
        }
    };
    let end = row.last_ms.map(|last| last + 1);
    let found = day(commissioned_ms, commissioned_ms.map(|ms| ms + DAY_MS).min(end))?;
    let left = day(end.map(|end| end - DAY_MS).max(from_ms.filter(|_| end.is_some())), end)?;
    let mut page = Certificate {
        bank: store.banks().get(name).cloned(),
        other_devices: rows.iter().map(|row| row.device.clone()).collect(),
        has_commissioning: learned.is_some(),
        soak: Soak::default(),
        not_proven: Vec::new(),
        open: Vec::new(),
        range,
        commissioned_ms,
        changes,
        settings_records,
        found,
        left,
        baseline,
        row,
    };
    page.soak = soak(&own, &filter, &page)?;
    let all = operations(&own, &page.row.device, &Filter { from_ms: commissioned_ms, ..filter.clone() })?;
    let count = |action: &str| all.iter().filter(|operation| operation.action == action).count();
    page.not_proven = proof::not_proven(&page, Cells(&settings), (count("opened"), count("closed")));
    page.open = open(&page.row, page.commissioned_ms);
    Ok(Some(page))
}

fn soak(store: &Store, filter: &Filter, page: &Certificate) -> Result<Soak, StoreError> {
    let Some((from, last)) = page.commissioned_ms.zip(page.row.last_ms) else { return Ok(Soak::default()) };
    let until = last.min(from + (SOAK_DAYS * DAY_MS as f64) as i64);
    let days = (until - from).max(0) as f64 / DAY_MS as f64;
    // An interval that ends where the soak begins is before it.
    let values = values::values(store, filter, from + 1, until + 1)?;
    let range = Filter { from_ms: Some(from), to_ms: Some(until + 1), ..filter.clone() };
    let operations = operations(store, &page.row.device, &range)?;
    let count = |action: &str| operations.iter().filter(|operation| operation.action == action).count();
    let in_it = page.row.alarms.iter().filter(|alarm| {
        let begin = alarm.begin.utc_ms.and_then(|ms| i64::try_from(ms).ok());
        begin.is_some_and(|begin| begin >= from && begin <= until)
    });
    let sentence = |alarm: &super::fleet::AlarmRow| {
        let end = if alarm.is_open { "goes on" } else { "ended" };
        format!("{} at {} ({end})", alarm.in_short(), alarm.begin)
    };
    Ok(Soak {
        until_ms: Some(until),
        hours: (values.hours, days * 24.0),
        operations: (count("opened"), count("closed")),
        alarms: in_it.rev().map(sentence).collect(),
        values,
        days,
    })
}

fn baseline(store: &Store, filter: &Filter) -> Result<Option<Baseline>, StoreError> {
    // When it was learned may lie before the range.
    let until = Filter { from_ms: None, ..filter.clone() };
    let rows = until.scan(store, &BASELINES, "time")?.sort(["boot", "sequence"], Default::default());
    let frame = rows.collect()?;
    let cells = Cells(&frame);
    let in_range = |row: &usize| {
        let time = cells.ms("time", *row);
        filter.from_ms.is_none_or(|from| time.is_some_and(|time| time >= from))
    };
    let Some(last) = (0..cells.rows()).rev().find(in_range) else { return Ok(None) };
    let connected = |row: usize| ["a", "b", "c"].map(|phase| cells.real(&format!("connected_{phase}"), row));
    // The records of one baseline repeat what was learned.
    let same: Vec<usize> = (0..=last).filter(|row| connected(*row) == connected(last)).collect();
    let first = |state: Option<&str>| {
        let in_state =
            |row: &&usize| state.is_none_or(|state| cells.text("state", **row).as_deref() == Some(state));
        same.iter().filter(in_state).filter_map(|row| cells.ms("time", *row)).min()
    };
    let whole = |name: &str| cells.whole(name, last).unwrap_or(0);
    Ok(Some(Baseline {
        state: cells.text("state", last).unwrap_or_default(),
        reason: cells.text("reason", last).unwrap_or_default(),
        learned_ms: first(None),
        confirmed_ms: first(Some("confirmed")),
        connected: connected(last),
        sigmas: (cells.real("difference_sigma_pu", last), cells.real("common_sigma_pu", last)),
        basis: cells.text("common_basis", last),
        watched: (whole("hours"), whole("openings"), whole("closings")),
    }))
}

/// What changed, the number of records, and all of them in order: from the one in force when the range begins.
fn settings(
    store: &Store,
    filter: &Filter,
) -> Result<(Vec<Change>, usize, polars::prelude::DataFrame), StoreError> {
    let always = Filter { from_ms: None, to_ms: None, ..filter.clone() };
    let rows = always.scan(store, &SETTINGS, "time")?;
    let frame = rows.sort(["boot", "sequence"], Default::default()).collect()?;
    let cells = Cells(&frame);
    let is_after = |row: usize, limit: Option<i64>| limit.zip(cells.ms("time", row)).map(|(ms, at)| at >= ms);
    let end =
        (0..cells.rows()).find(|row| is_after(*row, filter.to_ms) == Some(true)).unwrap_or(cells.rows());
    let begin = (0..end).rev().find(|row| is_after(*row, filter.from_ms) == Some(false)).unwrap_or(0);
    let frame = frame.slice(begin as i64, end - begin);
    let shown = |name: &str, row: usize| {
        let value = frame.column(name).ok().and_then(|column| column.get(row).ok());
        value.map_or_else(String::new, |value| value.to_string().trim_matches('"').to_owned())
    };
    let mut changes = Vec::new();
    if let Some(last) = frame.height().checked_sub(1) {
        for (name, _) in SETTINGS.columns.iter().skip_while(|(name, _)| *name != "connection") {
            let (found, left) = (shown(name, 0), shown(name, last));
            if found != left {
                changes.push(Change { setting: (*name).to_owned(), found, left });
            }
        }
    }
    let count = frame.height();
    Ok((changes, count, frame))
}

/// What is pending, and what the numbers show. What was over before the bank was commissioned is no item of it.
fn open(row: &FleetRow, commissioned_ms: Option<i64>) -> Vec<String> {
    let counts = |alarm: &&super::fleet::AlarmRow| {
        let begin = alarm.begin.utc_ms.and_then(|ms| i64::try_from(ms).ok());
        alarm.is_open || commissioned_ms.is_none_or(|from| begin.is_none_or(|begin| begin >= from))
    };
    let alarms = row.pending().into_iter().filter(counts).map(|alarm| {
        let note = alarm.note.as_ref().map(|note| format!("; acknowledged: {note}")).unwrap_or_default();
        format!("{} {} (alarm {}{note})", alarm.in_short(), alarm.when(), alarm.id)
    });
    let observations = row.observations.iter().filter(|observation| observation.state() <= State::Engineer);
    alarms.chain(observations.map(|observation| observation.sentence())).collect()
}

#[cfg(test)]
mod tests;
