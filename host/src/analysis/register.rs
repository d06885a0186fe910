//! The register of the banks: what people say, and what the logs say, side by side.

mod logs;

use std::collections::BTreeMap;

use polars::prelude::{Column, DataFrame, DataType, NamedFrom, PolarsResult, Series, TimeUnit, TimeZone};

use super::Filter;
use crate::store::{Bank, Stay, Store, StoreError};

/// One row: a stay of a logger on a bank, or a bank without one.
#[derive(Clone, Debug, Default)]
struct Row {
    bank: Bank,
    device: Option<String>,
    from_ms: Option<i64>,
    to_ms: Option<i64>,
    is_registered: bool,
    logs: OfLogs,
}

/// What the logs say of a logger on a bank.
#[derive(Clone, Debug, Default)]
struct OfLogs {
    first_ms: Option<i64>,
    last_ms: Option<i64>,
    texts: BTreeMap<&'static str, Option<String>>,
    reals: BTreeMap<&'static str, Option<f64>>,
    baseline_ms: Option<i64>,
}

/// Columns of texts and of numbers that the settings last in force have.
const TEXTS: [&str; 2] = ["connection", "phases"];
const REALS: [&str; 5] = ["rated_kvar", "system_voltage_v", "unit_voltage_v", "rated_hz", "units_per_phase"];

/// Columns `bank`, `feeder`, `asset`, `pole`, `position`, `fuse_link`, `device`, `from`, `to`: as `banks.toml` or
/// `banks.csv` has them; `source`: `register` where it says which logger hung there, `nameplate` where the logs do, null
/// for a bank of which neither knows one; `first_time`, `last_time`: of the intervals of this logger on this bank during this
/// stay; of its last settings by the end of the stay `phases`, `rated_kvar`, `system_voltage_v`, `unit_voltage_v`, `rated_hz`, `units_per_phase`,
/// `connection`; `baseline`, `baseline_time`: what last became of its baseline by then, and
/// when. A logger that sent intervals by this bank's nameplate outside of its stays there has a row of these too. A range of time is one of the
/// intervals.
///
/// # Errors
/// The store cannot be read.
pub fn register(store: &Store, filter: &Filter) -> Result<DataFrame, StoreError> {
    let logs = logs::read(store, filter)?;
    let mut rows: Vec<Row> = Vec::new();
    for bank in store.banks().all().filter(|bank| is_wanted(filter, bank)) {
        let of_stay = |number: usize, stay: &Stay| {
            let logs = logs.get(&(bank.name.clone(), stay.device.clone()));
            logs.map(|logs| logs.of_stay(Some((number, stay)))).unwrap_or_default()
        };
        let registered = bank.loggers.iter().enumerate().map(|(number, stay)| Row {
            bank: bank.clone(),
            device: Some(stay.device.clone()),
            from_ms: stay.from_ms,
            to_ms: stay.to_ms,
            is_registered: true,
            logs: of_stay(number, stay),
        });
        let registered: Vec<Row> = registered.collect();
        let has_log = logs.keys().any(|(name, _)| *name == bank.name);
        if registered.is_empty() && !has_log {
            rows.push(Row { bank: bank.clone(), ..Row::default() });
        }
        rows.extend(registered);
    }
    for ((name, device), logs) in logs {
        let known = store.banks().get(&name).cloned();
        let bank = known.unwrap_or_else(|| Bank { name, ..Bank::default() });
        let is_registered = bank.loggers.iter().any(|stay| stay.device == device);
        if is_wanted(filter, &bank) && (!is_registered || logs.is_outside()) {
            rows.push(Row { bank, device: Some(device), logs: logs.of_stay(None), ..Row::default() });
        }
    }
    rows.sort_by(|a, b| {
        let key = |row: &Row| (row.bank.name.clone(), row.from_ms.or(row.logs.first_ms), row.device.clone());
        key(a).cmp(&key(b))
    });
    Ok(frame(&rows)?)
}

fn is_wanted(filter: &Filter, bank: &Bank) -> bool {
    (filter.banks.is_empty() || filter.banks.contains(&bank.name))
        && (filter.feeders.is_empty() || filter.feeders.contains(&bank.feeder))
}

fn frame(rows: &[Row]) -> PolarsResult<DataFrame> {
    let text = |name: &str, of: &dyn Fn(&Row) -> Option<String>| -> PolarsResult<Column> {
        Ok(Series::new(name.into(), rows.iter().map(of).collect::<Vec<_>>()).into())
    };
    let real = |name: &'static str| -> PolarsResult<Column> {
        let of = |row: &Row| row.logs.reals.get(name).copied().flatten();
        Ok(Series::new(name.into(), rows.iter().map(of).collect::<Vec<Option<f64>>>()).into())
    };
    let logged =
        |name: &'static str| text(name, &move |row: &Row| row.logs.texts.get(name).cloned().flatten());
    let time = |name: &str, of: &dyn Fn(&Row) -> Option<i64>| -> PolarsResult<Column> {
        let utc = DataType::Datetime(TimeUnit::Milliseconds, Some(TimeZone::UTC));
        Ok(Series::new(name.into(), rows.iter().map(of).collect::<Vec<_>>()).cast(&utc)?.into())
    };
    let source = |row: &Row| match (row.is_registered, &row.device) {
        (true, _) => Some("register".to_owned()),
        (false, Some(_)) => Some("nameplate".to_owned()),
        (false, None) => None,
    };
    let columns = [
        text("bank", &|row| Some(row.bank.name.clone())),
        text("feeder", &|row| Some(row.bank.feeder.clone()).filter(|feeder| !feeder.is_empty())),
        text("asset", &|row| row.bank.asset.clone()),
        text("pole", &|row| row.bank.pole.clone()),
        text("position", &|row| row.bank.position.clone()),
        text("fuse_link", &|row| row.bank.fuse_link.clone()),
        text("device", &|row| row.device.clone()),
        time("from", &|row| row.from_ms),
        time("to", &|row| row.to_ms),
        text("source", &source),
        time("first_time", &|row| row.logs.first_ms),
        time("last_time", &|row| row.logs.last_ms),
        logged("phases"),
        real("rated_kvar"),
        real("system_voltage_v"),
        real("unit_voltage_v"),
        real("rated_hz"),
        real("units_per_phase"),
        logged("connection"),
        logged("baseline"),
        time("baseline_time", &|row| row.logs.baseline_ms),
    ];
    DataFrame::new_infer_height(columns.into_iter().collect::<PolarsResult<Vec<_>>>()?)
}
