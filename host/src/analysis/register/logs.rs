//! What the logs say of loggers on banks, stay by stay.

use std::collections::BTreeMap;

use polars::prelude::{DataFrame, LazyFrame, SortMultipleOptions, col};

use super::{OfLogs, REALS, TEXTS};
use crate::analysis::Filter;
use crate::analysis::cells::Cells;
use crate::store::{BASELINES, INTERVALS, SETTINGS, Stay, Store, StoreError, Table};

/// Bank and logger.
pub type Key = (String, String);

/// All that the logs say of a logger on a bank.
#[derive(Debug, Default)]
pub struct Logs {
    /// First and last interval of each of its stays there, by its number among the bank's; `None`: outside of all of them, by
    /// the nameplate.
    spans: BTreeMap<Option<usize>, (Option<i64>, Option<i64>)>,
    /// In order.
    settings: Vec<Said>,
    /// In order.
    baselines: Vec<Said>,
}

/// What a record said, and when.
#[derive(Debug)]
struct Said {
    ms: Option<i64>,
    texts: BTreeMap<&'static str, Option<String>>,
    reals: BTreeMap<&'static str, Option<f64>>,
}

impl Logs {
    /// Whether it sent intervals from there while the register does not have it there.
    pub fn is_outside(&self) -> bool {
        self.spans.contains_key(&None)
    }

    /// Of one stay, by its number among the bank's; `None`: outside of all of them. Settings and baseline are the last ones by its end:
    /// who comes back may find its settings as it left them.
    pub fn of_stay(&self, stay: Option<(usize, &Stay)>) -> OfLogs {
        let (first_ms, last_ms) =
            self.spans.get(&stay.map(|(number, _)| number)).copied().unwrap_or_default();
        let end = stay.and_then(|(_, stay)| stay.to_ms);
        let last = |said: &'_ [Said]| -> Option<usize> {
            said.iter().rposition(|said| said.ms.zip(end).is_none_or(|(ms, end)| ms < end))
        };
        let mut of = OfLogs { first_ms, last_ms, ..OfLogs::default() };
        if let Some(said) = last(&self.settings).and_then(|index| self.settings.get(index)) {
            of.texts.extend(said.texts.clone());
            of.reals.extend(said.reals.clone());
        }
        if let Some(said) = last(&self.baselines).and_then(|index| self.baselines.get(index)) {
            of.texts.extend(said.texts.clone());
            of.baseline_ms = said.ms;
        }
        of
    }
}

/// By bank and logger. A range of time is one of the intervals: the nameplate and the baseline of a bank do not come and go with it.
pub fn read(store: &Store, filter: &Filter) -> Result<BTreeMap<Key, Logs>, StoreError> {
    let mut logs: BTreeMap<Key, Logs> = BTreeMap::new();
    let key = |cells: Cells<'_>, row: usize| Some((cells.text("bank", row)?, cells.text("device", row)?));
    let all = spans(filter.rows(store, &INTERVALS, "time")?, &["bank", "device"])?;
    let cells = Cells(&all);
    for row in 0..cells.rows() {
        let Some(key) = key(cells, row) else { continue };
        let span = (cells.ms("first", row), cells.ms("last", row));
        // Who is there since ever and until now has one stay.
        let only = store
            .banks()
            .get(&key.0)
            .and_then(|bank| bank.loggers.iter().position(|stay| stay.device == key.1 && !stay.is_bounded()));
        logs.entry(key).or_default().spans.insert(only, span);
    }
    let is_dated = |(bank, device): &&Key| {
        let stays = store.banks().get(bank).map(|bank| bank.loggers.as_slice()).unwrap_or_default();
        stays.iter().any(|stay| stay.device == *device && stay.is_bounded())
    };
    let dated: Vec<Key> = logs.keys().filter(is_dated).cloned().collect();
    if !dated.is_empty() {
        let mut banks: Vec<String> = dated.iter().map(|(bank, _)| bank.clone()).collect();
        banks.dedup();
        for key in &dated {
            logs.entry(key.clone()).or_default().spans.clear();
        }
        let of_them = Filter { banks, feeders: Vec::new(), ..filter.clone() };
        let rows = store.with_stays(of_them.rows(store, &INTERVALS, "time")?)?;
        let each = spans(rows, &["bank", "device", "stay"])?;
        let cells = Cells(&each);
        for row in 0..cells.rows() {
            let Some(key) = key(cells, row).filter(|key| dated.contains(key)) else { continue };
            let number = cells.whole("stay", row).and_then(|number| usize::try_from(number).ok());
            let span = (cells.ms("first", row), cells.ms("last", row));
            logs.entry(key).or_default().spans.insert(number, span);
        }
    }
    let always = Filter { from_ms: None, to_ms: None, ..filter.clone() };
    let in_order = |table: &Table| -> Result<DataFrame, StoreError> {
        let frame = always.rows(store, table, "time")?;
        Ok(frame.sort(["boot", "sequence"], SortMultipleOptions::default()).collect()?)
    };
    let settings = in_order(&SETTINGS)?;
    let cells = Cells(&settings);
    for row in 0..cells.rows() {
        let Some(key) = key(cells, row) else { continue };
        logs.entry(key).or_default().settings.push(Said {
            ms: cells.ms("time", row),
            texts: TEXTS.map(|name| (name, cells.text(name, row))).into(),
            reals: REALS.map(|name| (name, cells.real(name, row))).into(),
        });
    }
    let baselines = in_order(&BASELINES)?;
    let cells = Cells(&baselines);
    for row in 0..cells.rows() {
        let Some(key) = key(cells, row) else { continue };
        logs.entry(key).or_default().baselines.push(Said {
            ms: cells.ms("time", row),
            texts: [("baseline", cells.text("state", row))].into(),
            reals: BTreeMap::new(),
        });
    }
    Ok(logs)
}

fn spans(rows: LazyFrame, by: &[&str]) -> Result<DataFrame, StoreError> {
    let by: Vec<_> = by.iter().map(|name| col(*name)).collect();
    let of = [col("time").min().alias("first"), col("time").max().alias("last")];
    Ok(rows.group_by(by).agg(of).collect()?)
}
