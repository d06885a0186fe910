//! What of a register makes sense.

use super::{Bank, Banks, Place, Problem, Stay};
use crate::time;

/// A bank as it stands in a file.
pub struct Entry {
    pub place: Place,
    pub bank: Bank,
    pub stays: Vec<RawStay>,
}

/// A logger on it.
pub struct RawStay {
    pub place: Place,
    pub device: String,
    pub from: Option<String>,
    pub to: Option<String>,
}

/// The entries that make sense, and what is wrong with the others.
pub fn check(entries: Vec<Entry>) -> Banks {
    let mut banks = Banks::default();
    // All that are in so far, with their banks.
    let mut stays: Vec<(String, Stay)> = Vec::new();
    for Entry { place, mut bank, stays: raw } in entries {
        if bank.name.is_empty() {
            banks.problem(place, "a bank without a name; give it the one on its nameplate".to_owned());
            continue;
        }
        if banks.banks.contains_key(&bank.name) {
            let what = format!("bank \"{}\" stands there twice; keep one: this one is left out", bank.name);
            banks.problem(place, what);
            continue;
        }
        for raw in raw {
            let place = raw.place.clone();
            match stay(raw).and_then(|stay| clash(&bank.name, &stay, &stays).map_or(Ok(stay), Err)) {
                Ok(stay) => {
                    stays.push((bank.name.clone(), stay.clone()));
                    bank.loggers.push(stay);
                }
                Err(what) => banks.problem(place, format!("{what}: this entry is left out")),
            }
        }
        bank.loggers.sort_by_key(|stay| stay.from_ms);
        banks.banks.insert(bank.name.clone(), bank);
    }
    banks
}

impl Banks {
    fn problem(&mut self, place: Place, what: String) {
        self.problems.push(Problem { place, what });
    }
}

fn stay(raw: RawStay) -> Result<Stay, String> {
    let RawStay { place, device, from, to } = raw;
    let moment = |text: Option<String>| match text {
        None => Ok(None),
        Some(text) => time::parse_utc(&text).map(Some).ok_or_else(|| {
            format!(
                "\"{text}\" is no day or moment in UTC, such as 2030-05-14 or 2030-05-14T06:30; correct it"
            )
        }),
    };
    let (from_ms, to_ms) = (moment(from)?, moment(to)?);
    if let (Some(from), Some(to)) = (from_ms, to_ms)
        && from >= to
    {
        return Err(format!("logger \"{device}\" leaves before it comes; correct `from` or `to`"));
    }
    Ok(Stay { device, from_ms, to_ms, place })
}

/// Why a stay cannot be beside those that are in.
fn clash(bank: &str, stay: &Stay, others: &[(String, Stay)]) -> Option<String> {
    let before = |to: Option<i64>, from: Option<i64>| to.zip(from).is_some_and(|(to, from)| to <= from);
    let at_once = |other: &Stay| !before(other.to_ms, stay.from_ms) && !before(stay.to_ms, other.from_ms);
    let line = |other: &Stay| other.place.line.map_or_else(String::new, |line| format!(" (line {line})"));
    others.iter().filter(|(_, other)| at_once(other)).find_map(|(at, other)| {
        if other.device == stay.device {
            let device = &stay.device;
            Some(format!(
                "logger \"{device}\" hangs on {at}{} at the same time; correct the dates",
                line(other)
            ))
        } else if at == bank {
            Some(format!(
                "loggers \"{}\" and \"{}\"{} hang on {bank} at the same time; correct the dates",
                stay.device,
                other.device,
                line(other)
            ))
        } else {
            None
        }
    })
}
