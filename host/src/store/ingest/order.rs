//! The order in which files go in.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::path::{Path, PathBuf};

use crate::log::{Content, Reader};

/// What the beginning of a file says.
enum Beginning {
    /// It is of this logger and begins with this record.
    Of(String, u32),
    /// It is a log that begins with this record, and nothing in it says of which logger.
    OfNobody(u32),
    /// It is no log, or cannot be read: that is told when its turn comes.
    NoLog,
}

/// The files, those of each logger in the order of their first records: a log rests on what came before it. They change places
/// among themselves only, so that logs of different loggers stay as mixed as they were: one is written while the next is made
/// into tables. Logs that do not say whose they are come last: their records may be in one of the others. Those are in the order of their first
/// records too, whosever they are.
pub fn in_order(paths: &[PathBuf]) -> Vec<&Path> {
    if paths.len() < 2 {
        return paths.iter().map(PathBuf::as_path).collect();
    }
    let mut of_logger: BTreeMap<String, Vec<(u32, usize)>> = BTreeMap::new();
    let mut ordered: Vec<&Path> = paths.iter().map(PathBuf::as_path).collect();
    let mut last = Vec::new();
    for (place, path) in paths.iter().enumerate() {
        match beginning(path) {
            Beginning::Of(device, first) => of_logger.entry(device).or_default().push((first, place)),
            Beginning::OfNobody(first) => last.push((first, place)),
            Beginning::NoLog => {}
        }
    }
    for logs in of_logger.into_values() {
        let mut sorted = logs.clone();
        sorted.sort_unstable();
        for ((_, place), (_, from)) in logs.into_iter().zip(sorted) {
            if let (Some(slot), Some(path)) = (ordered.get_mut(place), paths.get(from)) {
                *slot = path;
            }
        }
    }
    last.sort_unstable();
    let of_nobody: BTreeSet<usize> = last.iter().map(|(_, place)| *place).collect();
    let others = ordered.into_iter().enumerate().filter(|(place, _)| !of_nobody.contains(place));
    let last = last.iter().filter_map(|(_, place)| Some(paths.get(*place)?.as_path()));
    others.map(|(_, path)| path).chain(last).collect()
}

/// Two frames of an undamaged log; of one whose first piece is damaged as many as it takes to find another such piece.
fn beginning(path: &Path) -> Beginning {
    let Ok(file) = File::open(path) else { return Beginning::NoLog };
    let mut reader = Reader::new(file);
    let (mut device, mut first, mut is_log) = (None, None, false);
    while let Ok(Some(entry)) = reader.entry() {
        is_log |= !matches!(entry.content, Content::Damage(_));
        match entry.content {
            Content::Identity(identity) => device = Some(identity.serial),
            Content::Records { first: number, .. } => first = first.or(Some(number)),
            Content::Missing { .. } | Content::End(_) | Content::Damage(_) => {}
        }
        if let (Some(device), Some(first)) = (&device, first) {
            return Beginning::Of(device.clone(), first);
        }
    }
    match device {
        Some(device) => Beginning::Of(device, u32::MAX),
        None if is_log => Beginning::OfNobody(first.unwrap_or(u32::MAX)),
        None => Beginning::NoLog,
    }
}
