//! `banks.csv`: a row a bank and logger.

use std::collections::BTreeMap;
use std::path::Path;

use super::check::{Entry, RawStay};
use super::{Bank, Place};
use crate::store::StoreError;

const COLUMNS: [&str; 9] =
    ["bank", "feeder", "asset", "pole", "position", "fuse_link", "device", "from", "to"];

/// What `wyelog banks --csv` says beside: it comes from the logs, and is not read from here.
const OF_THE_LOGS: [&str; 12] = [
    "source",
    "first_time",
    "last_time",
    "phases",
    "rated_kvar",
    "system_voltage_v",
    "unit_voltage_v",
    "rated_hz",
    "units_per_phase",
    "connection",
    "baseline",
    "baseline_time",
];

/// The entries of the file; rows of one bank are one entry.
pub fn entries(path: &Path, text: &str) -> Result<Vec<Entry>, StoreError> {
    let edited = |reason: String| StoreError::Edited { path: path.to_owned(), reason };
    let mut reader =
        csv::ReaderBuilder::new().trim(csv::Trim::All).comment(Some(b'#')).from_reader(text.as_bytes());
    let heads = reader.headers().map_err(|error| edited(error.to_string()))?.clone();
    if let Some(unknown) = heads.iter().find(|head| !COLUMNS.contains(head) && !OF_THE_LOGS.contains(head)) {
        return Err(edited(format!(
            "line 1: no column \"{unknown}\" is known; there are {}",
            COLUMNS.join(", ")
        )));
    }
    if !heads.iter().any(|head| head == "bank") {
        return Err(edited("line 1: the column \"bank\" is missing".to_owned()));
    }
    let mut entries: Vec<Entry> = Vec::new();
    let mut by_name: BTreeMap<String, usize> = BTreeMap::new();
    for row in reader.records() {
        let row = row.map_err(|error| edited(error.to_string()))?;
        let line = row.position().and_then(|position| usize::try_from(position.line()).ok());
        let place = Place { path: path.to_owned(), line };
        let cell = |name: &str| {
            let index = heads.iter().position(|head| head == name)?;
            row.get(index).filter(|cell| !cell.is_empty()).map(str::to_owned)
        };
        let bank = Bank {
            name: cell("bank").unwrap_or_default(),
            feeder: cell("feeder").unwrap_or_default(),
            asset: cell("asset"),
            pole: cell("pole"),
            position: cell("position"),
            fuse_link: cell("fuse_link"),
            loggers: Vec::new(),
        };
        // As the logs say it: no statement of the register, until somebody dates it.
        let is_of_the_logs =
            cell("source").as_deref() == Some("nameplate") && cell("from").or_else(|| cell("to")).is_none();
        let stay = cell("device").filter(|_| !is_of_the_logs).map(|device| RawStay {
            place: place.clone(),
            device,
            from: cell("from"),
            to: cell("to"),
        });
        let same = by_name.get(&bank.name).and_then(|index| entries.get_mut(*index));
        match same.filter(|entry| (stay.is_some() || is_of_the_logs) && agree(&entry.bank, &bank)) {
            Some(entry) => entry.stays.extend(stay),
            // The check says that a bank is there twice.
            None => {
                by_name.entry(bank.name.clone()).or_insert(entries.len());
                entries.push(Entry { place, bank, stays: stay.into_iter().collect() });
            }
        }
    }
    Ok(entries)
}

/// Whether a further row of the same bank says nothing else of it; it need not say it again.
fn agree(first: &Bank, further: &Bank) -> bool {
    let same = |a: &Option<String>, b: &Option<String>| b.is_none() || a == b;
    (further.feeder.is_empty() || first.feeder == further.feeder)
        && same(&first.asset, &further.asset)
        && same(&first.pole, &further.pole)
        && same(&first.position, &further.position)
        && same(&first.fuse_link, &further.fuse_link)
}
