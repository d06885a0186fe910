//! Loggers of which the register says that they hang somewhere, and of which there is no log at all.

use std::collections::HashSet;

use polars::prelude::{Column, DataFrame, DataType, NamedFrom, PolarsResult, Series};

use crate::analysis::{Filter, times};
use crate::store::Store;

/// A logger never heard from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unheard {
    /// The bank on which it hangs by the register.
    pub bank: String,
    /// The feeder of that bank.
    pub feeder: String,
    /// Its serial number.
    pub device: String,
}

/// Those that hung on the banks that are asked for at some time of the range, and that had come before the store's records end: one
/// that came later can have no log here yet.
pub fn never_heard(store: &Store, filter: &Filter, end_ms: Option<i64>) -> Vec<Unheard> {
    let heard: HashSet<&str> = store.marks().iter().map(|mark| mark.device.as_str()).collect();
    let is_one = |names: &[String], name: &String| names.is_empty() || names.contains(name);
    let before = |a: Option<i64>, b: Option<i64>| a.zip(b).is_none_or(|(a, b)| a < b);
    let has_come = |from_ms: Option<i64>| match end_ms {
        Some(end) => from_ms.is_none_or(|from| from < end),
        None => from_ms.is_none() || store.marks().is_empty(),
    };
    let mut found: Vec<Unheard> = Vec::new();
    for bank in store.banks().all() {
        if !is_one(&filter.banks, &bank.name) || !is_one(&filter.feeders, &bank.feeder) {
            continue;
        }
        for stay in bank.loggers.iter().filter(|stay| !heard.contains(stay.device.as_str())) {
            let is_asked = before(stay.from_ms, filter.to_ms) && before(filter.from_ms, stay.to_ms);
            let one =
                Unheard { bank: bank.name.clone(), feeder: bank.feeder.clone(), device: stay.device.clone() };
            if is_asked && has_come(stay.from_ms) && !found.contains(&one) {
                found.push(one);
            }
        }
    }
    found
}

/// The same as rows of no record.
pub(super) fn rows(loggers: &[Unheard]) -> PolarsResult<DataFrame> {
    let banks: Vec<&str> = loggers.iter().map(|logger| logger.bank.as_str()).collect();
    let devices: Vec<&str> = loggers.iter().map(|logger| logger.device.as_str()).collect();
    let none = || vec![None; loggers.len()];
    let columns: Vec<Column> = vec![
        Series::new("bank".into(), banks).into(),
        Series::new("device".into(), devices).into(),
        Series::new("records".into(), vec![0_u64; loggers.len()]).cast(&DataType::UInt64)?.into(),
        times("first_time", none())?,
        times("last_time", none())?,
    ];
    DataFrame::new_infer_height(columns)
}
