//! The waveforms of a store as COMTRADE, out of its raw logs.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

use polars::prelude::col;

use super::{ExportError, folder_of, for_others};
use crate::analysis::Filter;
use crate::captures::{Capture, Captures, Ending};
use crate::log::Log;
use crate::store::{CAPTURES, Mark, Store, StoreError};

/// What was written.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Waveforms {
    /// Pairs of files.
    pub captures: u64,
    /// Of them, those that the logger broke off or of which samples are lost.
    pub in_part: u64,
    /// What could not be written, a sentence each.
    pub unread: Vec<String>,
}

/// A piece of a capture: the logger, its start, the first frame.
type Piece = (String, u32, u64);

/// Writes the captures whose first sample `filter` picks into `folder`: pairs of `.cfg` and `.dat`, IEEE C37.111-2013, in primary V
/// and A, named by logger, start and frame. A capture that several logs hold is written once, out of the log that holds
/// most of it. Their times are those of the store.
///
/// # Errors
/// As [`ExportError`]; `folder` is as it was then. It must be new or empty, unless `replace` is set: files of the same names are
/// replaced then, others stay.
pub fn waveforms(
    store: &Store,
    filter: &Filter,
    folder: &Path,
    replace: bool,
) -> Result<Waveforms, ExportError> {
    let is_taken =
        folder.exists() && fs::read_dir(folder).map_or(true, |mut entries| entries.next().is_some());
    if is_taken && !replace {
        return Err(ExportError::Exists { path: folder.to_owned() });
    }
    let wanted = wanted(store, filter)?;
    let mut found = Waveforms::default();
    let best = best(store, &wanted, &mut found);

    let cannot = |path: &Path| {
        let path = path.to_owned();
        move |source| StoreError::WriteOut { path, source }
    };
    let draft = tempfile::Builder::new().prefix(".wyelog-export-").tempdir_in(folder_of(folder));
    let draft = draft.map_err(cannot(folder))?;
    let mut files = Vec::new();
    for (log, pieces) in by_log(best) {
        let Some(mark) = store.marks().get(log) else { continue };
        for mut capture in read(store, mark).map(|captures| captures.captures).unwrap_or_default() {
            let piece = piece(&capture);
            if !pieces.contains(&piece) {
                continue;
            }
            capture.begin.utc_ms = wanted.get(&piece).copied().flatten().or(capture.begin.utc_ms);
            let name = file_name(&capture);
            capture.to_comtrade().write(&draft.path().join(format!("{name}.cfg")))?;
            files.extend([format!("{name}.cfg"), format!("{name}.dat")]);
            found.captures += 1;
            found.in_part += u64::from(capture.missing() > 0 || capture.ending != Ending::Whole);
        }
    }
    if is_taken {
        for file in files {
            let to = folder.join(&file);
            fs::rename(draft.path().join(file), &to).map_err(cannot(&to))?;
        }
    } else {
        let draft = draft.keep();
        fs::File::open(&draft).and_then(|made| for_others(&made, 0o755)).map_err(cannot(folder))?;
        fs::rename(&draft, folder).map_err(cannot(folder))?;
    }
    Ok(found)
}

/// The pieces that are asked for, and when their first samples were.
fn wanted(store: &Store, filter: &Filter) -> Result<BTreeMap<Piece, Option<u64>>, StoreError> {
    let columns = ["device", "boot", "frame", "time"].map(col);
    let rows = filter.scan(store, &CAPTURES, "time")?.select(columns).collect()?;
    let [devices, boots, frames, times] = rows.columns() else { return Ok(BTreeMap::new()) };
    let times = times.datetime()?.phys.iter().map(|ms| ms.and_then(|ms| u64::try_from(ms).ok()));
    let rows = devices.str()?.iter().zip(boots.u32()?.iter()).zip(frames.u64()?.iter()).zip(times);
    let piece = |(((device, boot), frame), time): (((Option<&str>, _), _), _)| {
        Some(((device?.to_owned(), boot?, frame?), time))
    };
    Ok(rows.filter_map(piece).collect())
}

/// The captures of a log; or why there are none, in a sentence.
fn read(store: &Store, mark: &Mark) -> Result<Captures, String> {
    let path = store.dir().join("raw").join(&mark.hash).with_extension("log");
    let log = Log::read(&path).map_err(|error| error.to_string())?;
    let mut captures = Captures::of(&log).map_err(|error| format!("{}: {error}", mark.source))?;
    // A log without its logger's name goes by its file's.
    captures.captures.iter_mut().for_each(|capture| capture.device.clone_from(&mark.device));
    Ok(captures)
}

/// Which log, by its place among the marks, holds most of each capture.
fn best(
    store: &Store,
    wanted: &BTreeMap<Piece, Option<u64>>,
    found: &mut Waveforms,
) -> BTreeMap<Piece, (u64, usize)> {
    let devices: BTreeSet<&str> = wanted.keys().map(|(device, ..)| device.as_str()).collect();
    let mut best: BTreeMap<Piece, (u64, usize)> = BTreeMap::new();
    let marks = store.marks().iter().enumerate();
    for (log, mark) in marks.filter(|(_, mark)| devices.contains(mark.device.as_str())) {
        let captures = match read(store, mark) {
            Ok(captures) => captures,
            Err(sentence) => {
                found.unread.push(sentence);
                continue;
            }
        };
        if captures.damaged_records > 0 {
            found.unread.push(format!(
                "{}: the samples of {} make no sense and are missing",
                mark.source,
                crate::number::count(captures.damaged_records, "record")
            ));
        }
        for capture in captures.captures.iter().filter(|capture| wanted.contains_key(&piece(capture))) {
            let samples = capture.samples.len() as u64 - capture.missing();
            let entry = best.entry(piece(capture)).or_default();
            if samples > entry.0 {
                *entry = (samples, log);
            }
        }
    }
    best
}

fn by_log(best: BTreeMap<Piece, (u64, usize)>) -> BTreeMap<usize, BTreeSet<Piece>> {
    let mut logs: BTreeMap<usize, BTreeSet<Piece>> = BTreeMap::new();
    for (piece, (_, log)) in best {
        logs.entry(log).or_default().insert(piece);
    }
    logs
}

fn piece(capture: &Capture) -> Piece {
    (capture.device.clone(), capture.begin.boot, capture.begin.frame)
}

/// Logger, start and first frame; what is no letter or digit of a serial number could end a path.
fn file_name(capture: &Capture) -> String {
    let device: String =
        capture.device.chars().map(|c| if c.is_ascii_alphanumeric() || c == '-' { c } else { '_' }).collect();
    format!("{device}-{}", capture.file_name())
}
