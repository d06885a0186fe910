//! What the marks of the logs say of a logger: cheap, and of the whole of it.

use std::collections::BTreeMap;

use polars::prelude::{DataFrame, NamedFrom, Series, col};

use crate::analysis::cells::Cells;
use crate::analysis::{Filter, days};
use crate::store::{Mark, Store, StoreError};

/// Sentences of what could not be read that are shown.
const MOST_SENTENCES: usize = 3;

/// What is known of the numbers of a logger's records.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Numbers {
    /// Missing behind the first interval.
    pub missing: u64,
    /// Runs of these.
    pub gaps: u64,
    /// Missing before it.
    pub overwritten: u64,
    /// Held by more than one record.
    pub double: u64,
}

impl Numbers {
    /// Of runs (first number, first one behind), in any order, and the number of the first interval.
    pub fn of(mut runs: Vec<(u32, u32)>, first_interval: Option<u32>) -> Self {
        runs.sort_unstable();
        let mut numbers = Self::default();
        let mut next = runs.first().map_or(0, |run| run.0);
        for (from, to) in runs {
            if from > next {
                let behind = first_interval.map_or(from, |first| first.clamp(next, from));
                numbers.overwritten += u64::from(behind - next);
                numbers.missing += u64::from(from - behind);
                numbers.gaps += u64::from(behind < from);
            }
            numbers.double += u64::from(next.min(to).saturating_sub(from));
            next = next.max(to);
        }
        numbers
    }
}

/// Adds to the rows of `frame` what the marks say of their loggers.
pub(super) fn columns(store: &Store, frame: &mut DataFrame) -> Result<(), StoreError> {
    let first = days::days(store, &Filter::default())?.group_by([col("device")]);
    let first = first.agg([col("first_sequence").min()]).collect()?;
    let cells = Cells(&first);
    let first: BTreeMap<String, u32> = (0..cells.rows())
        .filter_map(|row| {
            Some((cells.text("device", row)?, u32::try_from(cells.whole("first_sequence", row)?).ok()?))
        })
        .collect();
    let mut marks: BTreeMap<&str, Vec<&Mark>> = BTreeMap::new();
    for mark in store.marks() {
        marks.entry(mark.device.as_str()).or_default().push(mark);
    }
    let cells = Cells(frame);
    let rows: Vec<(Option<String>, String)> = (0..cells.rows())
        .map(|row| (cells.text("bank", row), cells.text("device", row).unwrap_or_default()))
        .collect();
    let of = |device: &str| marks.get(device).map_or(&[][..], Vec::as_slice);
    let numbers: Vec<Numbers> = rows
        .iter()
        .map(|(_, device)| {
            let runs = of(device).iter().flat_map(|mark| mark.sequences.iter().copied()).collect();
            Numbers::of(runs, first.get(device).copied())
        })
        .collect();
    let count = |of_logger: &dyn Fn(&[&Mark]) -> u64| {
        rows.iter().map(|(_, device)| of_logger(of(device))).collect::<Vec<u64>>()
    };
    let sentences = |device: &str| {
        let all: Vec<&str> =
            of(device).iter().flat_map(|mark| mark.unread.iter().map(String::as_str)).collect();
        let shown = all.iter().take(MOST_SENTENCES).copied().collect::<Vec<_>>().join("; ");
        match all.len().saturating_sub(MOST_SENTENCES) {
            0 => shown,
            more => format!("{shown}; and {more} more"),
        }
    };
    let unread: Vec<Option<String>> =
        rows.iter().map(|(_, device)| Some(sentences(device)).filter(|text| !text.is_empty())).collect();
    let others: Vec<u64> = rows
        .iter()
        .map(|(bank, device)| {
            let same = |marks: &&Vec<&Mark>| {
                marks.iter().any(|mark| {
                    mark.device != *device && bank.as_ref().is_some_and(|bank| mark.banks.contains(bank))
                })
            };
            marks.values().filter(same).count() as u64
        })
        .collect();
    let counts = [
        ("logs", count(&|marks| marks.len() as u64)),
        ("logs_in_part", count(&|marks| marks.iter().filter(|mark| !mark.unread.is_empty()).count() as u64)),
        ("missing_records", numbers.iter().map(|numbers| numbers.missing).collect()),
        ("gaps", numbers.iter().map(|numbers| numbers.gaps).collect()),
        ("overwritten_records", numbers.iter().map(|numbers| numbers.overwritten).collect()),
        ("known_again", count(&|marks| marks.iter().map(|mark| mark.known).sum())),
        ("double_numbers", numbers.iter().map(|numbers| numbers.double).collect()),
        ("other_loggers", others),
    ];
    for (name, values) in counts {
        frame.with_column(Series::new(name.into(), values).into())?;
    }
    frame.with_column(Series::new("unread".into(), unread).into())?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::Numbers;

    #[test]
    fn numbers_by_hand() {
        let of = |runs: &[(u32, u32)], first| Numbers::of(runs.to_vec(), first);
        let none = Numbers::default();
        assert_eq!(of(&[], None), none);
        assert_eq!(of(&[(10, 20), (20, 25)], Some(10)), none);
        // 25 to 29 and 40 are lost; in any order.
        let gaps = Numbers { missing: 6, gaps: 2, ..none };
        assert_eq!(of(&[(41, 50), (10, 25), (30, 40)], Some(10)), gaps);
        // The first interval is 33: what is missing before it has been overwritten.
        assert_eq!(of(&[(10, 25), (30, 31), (31, 40)], Some(33)), Numbers { overwritten: 5, ..none });
        let both = Numbers { overwritten: 8, missing: 7, gaps: 1, ..none };
        assert_eq!(of(&[(10, 25), (40, 41)], Some(33)), both);
        // No interval at all: nothing of it is a loss of what was measured.
        assert_eq!(of(&[(1, 2), (9, 10)], None), Numbers { overwritten: 7, ..none });
        // A flash that was replaced: 10 to 19 again.
        assert_eq!(of(&[(10, 30), (10, 20)], Some(10)), Numbers { double: 10, ..none });
    }
}
