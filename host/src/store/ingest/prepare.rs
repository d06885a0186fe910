//! A log as it will be in the store: everything but the writing.

use std::io;
use std::path::Path;
use std::sync::Mutex;
use std::thread;

use polars::prelude::DataFrame;

use super::files::{write_parquet, write_whole};
use super::owner::Owner;
use super::{Identity, Verdict};
use crate::clock::{Seen, Timeline};
use crate::log::{Log, Sequenced};
use crate::store::columns::Rows;
use crate::store::{Banks, Mark, Store, StoreError};
use crate::time::{self, EARLIEST_MS};

/// A log that can be written into the store, and what is to be told of it.
pub struct Prepared {
    /// Its mark.
    pub mark: Mark,
    /// Its tables, in the order of the mark's files.
    tables: Vec<DataFrame>,
    /// The log as it came.
    bytes: Vec<u8>,
    /// Records that another log of the same logger had brought already.
    known: u64,
    /// What a reader of the tables should know, a sentence each.
    notes: Vec<String>,
}

impl Prepared {
    /// Builds the rows of a log. Every log of the same logger that comes before it must be in the store.
    pub fn new(
        store: &Store,
        path: &Path,
        bytes: Vec<u8>,
        hash: String,
        log: &Log,
        owner: Owner,
    ) -> Result<Self, StoreError> {
        let source = path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned();
        let Owner { device, whose, note } = owner;
        let held = store.held(&device)?;
        let is_new = |kept: &Sequenced| !held.contains(&identity(kept));
        let sequences = ranges(log.records.iter().filter(|kept| is_new(kept)));
        let records: u64 = sequences.iter().map(|(from, to)| u64::from(to - from)).sum();
        let known = log.records.len() as u64 - records;
        let first = log.records.first().map_or(0, |kept| kept.sequence);
        let earlier = store.seen_before(&device, first, &held)?;
        let timeline = Timeline::new(earlier.into_iter().chain(log.records.iter().map(Seen::from)));
        let overruled = overruled(&timeline);
        let rows = Rows::new(&device, &log.records, is_new, store.settings_before(&device, first), timeline);
        let banks: Vec<String> = rows.banks.iter().cloned().collect();
        let mut notes: Vec<String> = note.into_iter().collect();
        if rows.clock_before_2000 > 0 {
            notes.push(format!(
                "{} records were written while the logger's clock stood before 2000: their time rests on other records",
                rows.clock_before_2000
            ));
        }
        if rows.time_after_2090 > 0 {
            notes.push(format!(
                "{} records have a time in 2090 or later, and no other record contradicts it: look at the logger's clock",
                rows.time_after_2090
            ));
        }
        notes.extend(overruled);
        notes.extend(log.end.filter(|end| end.refused > 0).map(|end| {
            format!(
                "the logger's flash has refused {} records since start {}: they are lost",
                end.refused, end.boot
            )
        }));
        let (mut tables, mut files) = (Vec::new(), Vec::new());
        for (table, month, frame) in rows.finish()? {
            let folder = match (table.by_month, month) {
                (true, Some(month)) => format!("{}/month={month}", table.name),
                _ => table.name.to_owned(),
            };
            files.push(format!("{folder}/{hash}.parquet"));
            tables.push(frame);
        }
        let unread = log.unread.sentences();
        let mark = Mark { hash, source, device, whose, banks, sequences, records, known, unread, files };
        Ok(Self { mark, tables, bytes, known, notes })
    }

    /// Writes it: tables, raw log, and the mark last. Gives what is left to be told.
    pub fn write(self, dir: &Path) -> Result<Written, StoreError> {
        let Self { mark, tables, bytes, known, notes } = self;
        // One waits for the disk while the other compresses.
        let tables = Mutex::new(mark.files.iter().zip(tables));
        let next = || tables.lock().ok().and_then(|mut tables| tables.next());
        let write_tables = || {
            while let Some((file, table)) = next() {
                write_parquet(&dir.join(file), table)?;
            }
            Ok(())
        };
        thread::scope(|scope| {
            let other = scope.spawn(write_tables);
            let raw = write_whole(&super::raw(dir, &mark.hash), &bytes);
            let own = raw.and_then(|()| write_tables());
            let other = other.join().unwrap_or_else(|_| Err(gone(dir)));
            own.and(other)
        })?;
        let text = toml::to_string(&mark).unwrap_or_default();
        write_whole(&super::mark(dir, &mark.hash), text.as_bytes())?;
        Ok(Written { mark, known, notes })
    }
}

/// A thread that ended without a word.
fn gone(dir: &Path) -> StoreError {
    StoreError::Write { path: dir.to_owned(), source: io::Error::other("the writing was given up") }
}

/// A log that is in, and what is to be told of it.
pub struct Written {
    /// Its mark.
    pub mark: Mark,
    known: u64,
    notes: Vec<String>,
}

impl Written {
    /// What became of it, beside the logs that were in before.
    pub fn verdict(self, before: &[Mark], banks: &Banks) -> Verdict {
        let Self { mark, known, mut notes } = self;
        // Where the register says which of them hung there when, the name is no question.
        let told = |device: &str| banks.knows(device) && banks.knows(&mark.device);
        let others = before.iter().filter(|other| other.device != mark.device && !told(&other.device));
        let shared = others.into_iter().find_map(|other| {
            let bank = other.banks.iter().find(|bank| mark.banks.contains(bank))?;
            Some(format!(
                "bank \"{bank}\" is also what logger {} says of itself ({}): two loggers, one name; say in banks.toml \
                 which hung there when",
                other.device, other.source
            ))
        });
        notes.extend(shared);
        Verdict::Taken { device: mark.device, records: mark.records, known, unread: mark.unread, notes }
    }
}

/// What the clock was set to and is not believed.
fn overruled(timeline: &Timeline) -> Option<String> {
    let (first, others) = timeline.overruled().split_first()?;
    let what = match others.len() {
        0 => String::new(),
        n => format!(" (and {n} more)"),
    };
    Some(format!(
        "the clock was set to {} in start {}{what}, which contradicts the other times: left out",
        time::utc(first.utc_ms),
        first.boot
    ))
}

fn identity(kept: &Sequenced) -> Identity {
    let stamp = kept.record.stamp();
    (kept.sequence, stamp.boot, stamp.frame, logger_ms(stamp.utc_ms))
}

/// A time as `time_logger` has it.
pub(super) fn logger_ms(utc_ms: Option<u64>) -> Option<i64> {
    utc_ms.filter(|ms| *ms >= EARLIEST_MS).and_then(|ms| i64::try_from(ms).ok())
}

/// Runs of consecutive numbers.
fn ranges<'r>(records: impl Iterator<Item = &'r Sequenced>) -> Vec<(u32, u32)> {
    let mut ranges: Vec<(u32, u32)> = Vec::new();
    for kept in records {
        match ranges.last_mut() {
            Some((_, end)) if *end == kept.sequence => *end = end.saturating_add(1),
            _ => ranges.push((kept.sequence, kept.sequence.saturating_add(1))),
        }
    }
    ranges
}
