//! Logs into the store: each wholly, or not at all.

use std::collections::HashSet;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc;
use std::thread;

use polars::prelude::{DataFrame, ParquetCompression, ParquetWriter, col};
use sha2::{Digest, Sha256};
use wyelog_protocol::bank::Settings;
use wyelog_protocol::record::Record;

use super::columns::{Rows, TABLES};
use super::{Mark, Store, StoreError};
use crate::log::{Log, LogError, Sequenced};

/// What became of a file.
#[derive(Debug)]
pub struct Ingested {
    /// The file.
    pub path: PathBuf,
    /// What became of it.
    pub verdict: Verdict,
}

/// What became of a file.
#[derive(Debug)]
pub enum Verdict {
    /// It is in.
    Taken {
        /// Serial number of the logger.
        device: String,
        /// Records that are new.
        records: u64,
        /// Records that another log of the same logger had brought already.
        known: u64,
        /// What of it could not be read, a sentence each.
        unread: Vec<String>,
        /// What a reader of the tables should know, a sentence each.
        notes: Vec<String>,
    },
    /// The same file was in already.
    Known,
    /// It is no log.
    NotALog(LogError),
}

/// What makes a record the same record: its number, start, frame and time. The number alone would do, had not a logger
/// whose flash was replaced a first record again.
type Identity = (u32, u32, u64, Option<i64>);

/// A store that only this program may write to, until dropped.
#[derive(Debug)]
pub struct Writer<'s> {
    store: &'s mut Store,
    /// Locked while it lives.
    _lock: File,
}

impl Store {
    /// Opens the store for writing, and removes what a killed ingest left behind.
    ///
    /// # Errors
    /// Another program writes to it, or the folder cannot be read.
    pub fn writer(&mut self) -> Result<Writer<'_>, StoreError> {
        let path = self.dir.join("_lock");
        let lock = OpenOptions::new().create(true).truncate(false).write(true).open(&path);
        let lock = lock.map_err(|source| StoreError::Write { path: path.clone(), source })?;
        lock.try_lock().map_err(|_| StoreError::Busy { path: self.dir.clone() })?;
        // What another writer has brought since we opened it.
        *self = Self::open(&self.dir)?;
        self.sweep()?;
        Ok(Writer { store: self, _lock: lock })
    }

    /// Removes every file that belongs to no mark.
    fn sweep(&self) -> Result<(), StoreError> {
        let mut known: HashSet<PathBuf> = HashSet::new();
        for mark in &self.marks {
            known.extend(mark.files.iter().map(|file| self.dir.join(file)));
            known.insert(self.raw(&mark.hash));
            known.insert(self.mark(&mark.hash));
        }
        let folders = TABLES.iter().map(|table| table.name).chain(["raw", "logs"]);
        for folder in folders {
            let mut files = Vec::new();
            collect_files(&self.dir.join(folder), &mut files);
            for path in files.into_iter().filter(|path| !known.contains(path)) {
                fs::remove_file(&path).map_err(|source| StoreError::Write { path, source })?;
            }
        }
        Ok(())
    }

    fn raw(&self, hash: &str) -> PathBuf {
        self.dir.join("raw").join(hash).with_extension("log")
    }

    fn mark(&self, hash: &str) -> PathBuf {
        self.dir.join("logs").join(hash).with_extension("toml")
    }

    /// The settings of a logger before its record `sequence`, by the logs that are in. They are read from the raw logs,
    /// which hold them whole.
    fn settings_before(&self, device: &str, sequence: u32) -> Option<Settings> {
        let earlier = |mark: &&Mark| {
            let first = mark.sequences.first().map(|(from, _)| *from);
            mark.device == device && first.is_some_and(|first| first < sequence)
        };
        let mut marks: Vec<&Mark> = self.marks.iter().filter(earlier).collect();
        marks.sort_by_key(|mark| std::cmp::Reverse(mark.sequences.first().copied()));
        marks.into_iter().find_map(|mark| {
            let log = Log::read(&self.raw(&mark.hash)).ok()?;
            log.records.into_iter().rev().find_map(|kept| match kept.record {
                Record::Settings(record) if kept.sequence < sequence => Some(record.settings),
                _ => None,
            })
        })
    }

    /// The records of a logger that are in.
    fn held(&self, device: &str) -> Result<HashSet<Identity>, StoreError> {
        let mut held = HashSet::new();
        if !self.marks.iter().any(|mark| mark.device == device) {
            return Ok(held);
        }
        for table in TABLES {
            let frame = self.scan(table)?.filter(col("device").eq(polars::prelude::lit(device)));
            let wanted = [col("sequence"), col("boot"), col("frame"), col("time").to_physical()];
            let frame = frame.select(wanted).collect()?;
            let [sequence, boot, number, time] = frame.columns() else { continue };
            let rows = sequence
                .u32()?
                .iter()
                .zip(boot.u32()?.iter())
                .zip(number.u64()?.iter())
                .zip(time.i64()?.iter());
            for (((sequence, boot), number), time) in rows {
                if let (Some(sequence), Some(boot), Some(number)) = (sequence, boot, number) {
                    held.insert((sequence, boot, number, time));
                }
            }
        }
        Ok(held)
    }
}

/// A file, as far as it can be judged without the store.
struct Read {
    path: PathBuf,
    content: Content,
}

enum Content {
    Log { bytes: Vec<u8>, hash: String, log: Box<Log> },
    Known,
    NotALog(LogError),
}

impl Read {
    /// Reads and decodes; a file whose hash is `known` is not decoded.
    fn of(path: &Path, known: &HashSet<String>) -> Self {
        Self { path: path.to_owned(), content: Self::content(path, known) }
    }

    fn content(path: &Path, known: &HashSet<String>) -> Content {
        let bytes = match fs::read(path) {
            Ok(bytes) => bytes,
            Err(source) => return Content::NotALog(LogError::File { path: path.to_owned(), source }),
        };
        let hash: String = Sha256::digest(&bytes).iter().map(|byte| format!("{byte:02x}")).collect();
        if known.contains(&hash) {
            return Content::Known;
        }
        match Log::of_file(path, bytes.as_slice()) {
            Ok(log) => Content::Log { bytes, hash, log: Box::new(log) },
            Err(error) => Content::NotALog(error),
        }
    }
}

impl Writer<'_> {
    /// Takes logs in, one after the other; the next is read while one is written. Whatever happens, each is in wholly or not
    /// at all. `each` is told what became of a file.
    ///
    /// # Errors
    /// The store cannot be written or read: what was taken before is in. A file that cannot be read or is no log is no error but
    /// a verdict.
    pub fn ingest_all(
        &mut self,
        paths: &[PathBuf],
        each: &mut dyn FnMut(&Ingested),
    ) -> Result<(), StoreError> {
        let known: HashSet<String> = self.store.marks.iter().map(|mark| mark.hash.clone()).collect();
        thread::scope(|scope| {
            let (sender, read) = mpsc::sync_channel(1);
            scope.spawn(move || {
                for path in paths {
                    // Nobody takes it when the writing has failed.
                    if sender.send(Read::of(path, &known)).is_err() {
                        return;
                    }
                }
            });
            for Read { path, content } in read {
                let verdict = self.judge(&path, content)?;
                each(&Ingested { path, verdict });
            }
            Ok(())
        })
    }

    /// Takes one log in.
    ///
    /// # Errors
    /// As [`Writer::ingest_all`].
    pub fn ingest(&mut self, path: &Path) -> Result<Ingested, StoreError> {
        let Read { path, content } = Read::of(path, &HashSet::new());
        let verdict = self.judge(&path, content)?;
        Ok(Ingested { path, verdict })
    }

    fn judge(&mut self, path: &Path, content: Content) -> Result<Verdict, StoreError> {
        let (bytes, hash, log) = match content {
            Content::Log { bytes, hash, log } => (bytes, hash, *log),
            Content::Known => return Ok(Verdict::Known),
            Content::NotALog(error) => return Ok(Verdict::NotALog(error)),
        };
        // The same file twice among the paths.
        if self.store.marks.iter().any(|mark| mark.hash == hash) {
            return Ok(Verdict::Known);
        }
        let source = path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned();
        let device = log.identity.as_ref().map_or_else(|| source.clone(), |identity| identity.serial.clone());
        let unread = log.unread.sentences();
        let held = self.store.held(&device)?;
        let is_new = |kept: &Sequenced| !held.contains(&identity(kept));
        let sequences = ranges(log.records.iter().filter(|kept| is_new(kept)));
        let records: u64 = sequences.iter().map(|(from, to)| u64::from(to - from)).sum();
        let known = log.records.len() as u64 - records;
        let first = log.records.first().map_or(0, |kept| kept.sequence);
        let rows = Rows::new(&device, &log.records, is_new, self.store.settings_before(&device, first));
        let banks: Vec<String> = rows.banks.iter().cloned().collect();
        let mut notes = self.notes(&device, &banks, rows.clock_before_2000);
        notes.extend(log.end.filter(|end| end.refused > 0).map(|end| {
            format!(
                "the logger's flash has refused {} records since start {}: they are lost",
                end.refused, end.boot
            )
        }));
        let mut files = Vec::new();
        for (table, month, frame) in rows.finish()? {
            let folder = match (table.by_month, month) {
                (true, Some(month)) => format!("{}/month={month}", table.name),
                _ => table.name.to_owned(),
            };
            let file = format!("{folder}/{hash}.parquet");
            write_parquet(&self.store.dir.join(&file), frame)?;
            files.push(file);
        }
        write_whole(&self.store.raw(&hash), &bytes)?;
        let mark = Mark {
            hash,
            source,
            device: device.clone(),
            banks,
            sequences,
            records,
            unread: unread.clone(),
            files,
        };
        let text = toml::to_string(&mark).unwrap_or_default();
        write_whole(&self.store.mark(&mark.hash), text.as_bytes())?;
        self.store.marks.push(mark);
        Ok(Verdict::Taken { device, records, known, unread, notes })
    }

    fn notes(&self, device: &str, banks: &[String], clock_before_2000: u64) -> Vec<String> {
        let mut notes = Vec::new();
        if clock_before_2000 > 0 {
            notes.push(format!(
                "{clock_before_2000} records were written while the logger's clock stood before 2000: their time is unknown"
            ));
        }
        let others = self.store.marks.iter().filter(|mark| mark.device != device);
        for mark in others {
            if let Some(bank) = mark.banks.iter().find(|bank| banks.contains(bank)) {
                notes.push(format!(
                    "bank \"{bank}\" is also what logger {} says of itself ({}): two loggers, one name",
                    mark.device, mark.source
                ));
                break;
            }
        }
        notes
    }
}

fn identity(kept: &Sequenced) -> Identity {
    let stamp = kept.record.stamp();
    let time =
        stamp.utc_ms.filter(|ms| *ms >= super::columns::EARLIEST_MS).and_then(|ms| i64::try_from(ms).ok());
    (kept.sequence, stamp.boot, stamp.frame, time)
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

/// Every file below `folder`, sorted; a folder that is not there has none.
pub fn collect_files(folder: &Path, files: &mut Vec<PathBuf>) {
    let Ok(entries) = fs::read_dir(folder) else { return };
    let mut paths: Vec<PathBuf> = entries.flatten().map(|entry| entry.path()).collect();
    paths.sort();
    for path in paths {
        if path.is_dir() {
            collect_files(&path, files);
        } else {
            files.push(path);
        }
    }
}

fn write_parquet(path: &Path, mut frame: DataFrame) -> Result<(), StoreError> {
    write_with(path, |file| {
        let zstd = ParquetCompression::Zstd(None);
        ParquetWriter::new(file).with_compression(zstd).finish(&mut frame).map(drop).map_err(io::Error::other)
    })
}

/// Writes a file wholly or not at all.
pub(super) fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    write_with(path, |file| file.write_all(bytes))
}

fn write_with(path: &Path, write: impl FnOnce(&mut File) -> io::Result<()>) -> Result<(), StoreError> {
    let fail = |source| StoreError::Write { path: path.to_owned(), source };
    let folder = path.parent().unwrap_or(path);
    fs::create_dir_all(folder).map_err(fail)?;
    let mut name = std::ffi::OsString::from("_");
    name.push(path.file_name().unwrap_or_default());
    let temporary = folder.join(name);
    let written = File::create(&temporary).and_then(|mut file| {
        write(&mut file)?;
        file.sync_all()
    });
    let placed = written.and_then(|()| fs::rename(&temporary, path));
    placed.map_err(|source| {
        // What is half written is no use to anybody; if it cannot be removed, the next ingest does.
        let _ = fs::remove_file(&temporary);
        fail(source)
    })
}
