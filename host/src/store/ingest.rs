//! Logs into the store: each wholly, or not at all.

mod files;
mod order;
mod owner;
mod prepare;
mod read;

pub use files::collect_files;
pub(super) use files::write_whole;

use std::collections::{HashSet, VecDeque};
use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, mpsc};
use std::thread;

use polars::prelude::{col, lit};
use wyelog_protocol::bank::Settings;
use wyelog_protocol::record::{ClockSource, Record};

use super::columns::{ALL_TABLES, STATUS, TABLES};
use super::lock::{self, Reading};
use super::manifest::{self, Live};
use super::{Banks, FORMAT, Mark, NEWEST, Store, StoreError};
use crate::clock::Seen;
use crate::log::{Log, LogError};
use owner::Owner;
use prepare::{Prepared, Written};
use read::{Content, Read};

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
    /// It is a log and nobody knows of which logger: it is kept, and in no table. Why, in a sentence.
    Unclaimed(String),
    /// It is no log.
    NotALog(LogError),
}

/// Folder of the logs of which nobody knows whose they are.
const UNCLAIMED: &str = "unclaimed";

/// What makes a record the same record: its number, start, frame and time. The number alone would do, had not a logger
/// whose flash was replaced a first record again.
type Identity = (u32, u32, u64, Option<i64>);

/// A store that only this program may write to, until dropped.
#[derive(Debug)]
pub struct Writer<'s> {
    pub(super) store: &'s mut Store,
    /// The logger of logs that do not say theirs.
    said: Option<String>,
    /// Locked while it lives.
    _lock: File,
}

impl Drop for Writer<'_> {
    fn drop(&mut self) {
        // From now on another one may remove files.
        self.store.reading = Reading::of(&self.store.dir).map(Arc::new);
    }
}

impl Store {
    /// Opens the store for writing, and removes what a killed ingest left behind.
    ///
    /// # Errors
    /// Another program writes to it, or the folder cannot be read.
    pub fn writer(&mut self) -> Result<Writer<'_>, StoreError> {
        let lock = lock::writing(&self.dir)?;
        self.reading = None;
        // What another writer has brought since we opened it.
        *self = Self::read(&self.dir, Banks::read_what_can_be(&self.dir)?)?;
        if super::format(&self.dir)? < NEWEST {
            // What is in it stays as it is: a column more is null where it is not, and a file more is not there.
            write_whole(&self.dir.join("store.toml"), FORMAT.as_bytes())?;
        }
        self.sweep()?;
        Ok(Writer { store: self, said: None, _lock: lock })
    }

    /// The logs that were kept and of which nobody knows whose they are.
    pub fn unclaimed(&self) -> Vec<PathBuf> {
        let mut files = Vec::new();
        collect_files(&self.dir.join(UNCLAIMED), &mut files);
        let is_claimed = |path: &PathBuf| {
            path.file_stem().is_none_or(|name| self.marks.iter().any(|mark| mark.hash.as_str() == name))
        };
        files.retain(|path| !is_claimed(path));
        files
    }

    /// Removes every file that belongs to no mark and no manifest, and what was replaced.
    fn sweep(&mut self) -> Result<(), StoreError> {
        let mut known: HashSet<PathBuf> = HashSet::new();
        for mark in &self.marks {
            known.extend(mark.files.iter().map(|file| self.dir.join(file)));
            known.insert(raw(&self.dir, &mark.hash));
            known.insert(self::mark(&self.dir, &mark.hash));
        }
        for manifest in self.manifests.current().chain(&self.manifests.outdated) {
            known.extend(manifest.files.iter().chain(&manifest.replaces).map(|file| self.dir.join(file)));
            known.insert(self.dir.join(manifest.name()));
        }
        let folders = ALL_TABLES.iter().map(|table| table.name).chain(["raw", "logs", manifest::FOLDER]);
        for folder in folders {
            let mut files = Vec::new();
            collect_files(&self.dir.join(folder), &mut files);
            for path in files.into_iter().filter(|path| !known.contains(path)) {
                fs::remove_file(&path).map_err(|source| StoreError::Write { path, source })?;
            }
        }
        // What somebody has claimed since, and half a file.
        let mut unclaimed = Vec::new();
        collect_files(&self.dir.join(UNCLAIMED), &mut unclaimed);
        for path in unclaimed {
            let name = path.file_stem().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
            if name.starts_with('_') || self.marks.iter().any(|mark| mark.hash == name) {
                fs::remove_file(&path).map_err(|source| StoreError::Write { path, source })?;
            }
        }
        self.remove_replaced()
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
            let log = Log::read(&raw(&self.dir, &mark.hash)).ok()?;
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
        let of_device = self.of_device(device);
        for table in TABLES {
            let frame = of_device.scan(table)?;
            let wanted = [col("sequence"), col("boot"), col("frame"), col("time_logger").to_physical()];
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

    /// What the store knows of a logger's time before its record `sequence`: a log that goes on where another ended has no word of when
    /// the clock was set.
    fn seen_before(
        &self,
        device: &str,
        sequence: u32,
        held: &HashSet<Identity>,
    ) -> Result<Vec<Seen>, StoreError> {
        let earlier = held.iter().filter(|record| record.0 < sequence);
        let mut seen: Vec<Seen> = earlier
            .map(|(_, boot, frame, time)| {
                let utc_ms = time.and_then(|ms| u64::try_from(ms).ok());
                Seen { boot: *boot, frame: *frame, utc_ms, set: None }
            })
            .collect();
        if seen.is_empty() {
            return Ok(seen);
        }
        let settings = col("status").eq(lit("clock_set")).and(col("sequence").lt(lit(sequence)));
        let frame = self.of_device(device).scan(&STATUS)?.filter(settings);
        let frame = frame.select([col("boot"), col("frame"), col("detail")]).collect()?;
        let [boots, frames, details] = frame.columns() else { return Ok(seen) };
        let rows = boots.u32()?.iter().zip(frames.u64()?.iter()).zip(details.str()?.iter());
        for ((boot, frame), detail) in rows {
            let detail = detail.and_then(|text| serde_json::from_str::<serde_json::Value>(text).ok());
            let set = detail.and_then(|detail| {
                let name = detail.get("source")?.as_str()?;
                let source = ClockSource::ALL.into_iter().find(|source| source.name() == name)?;
                Some((detail.get("after_ms")?.as_u64()?, source))
            });
            if let (Some(boot), Some(frame)) = (boot, frame) {
                seen.push(Seen { boot, frame, utc_ms: set.map(|set| set.0), set });
            }
        }
        Ok(seen)
    }
}

impl Writer<'_> {
    /// From now on logs that do not say whose they are, and whose records are in no other log, are of this logger.
    pub fn say_device(&mut self, serial: &str) {
        self.said = Some(serial.to_owned());
    }

    /// Takes logs in, one after the other: one is read, the one before it made into tables and the one before that written at
    /// the same time. Those of one logger go in by their first records, in whatever order they are named. Whatever happens, each
    /// is in wholly or not at all. `each` is told what became of a file.
    ///
    /// # Errors
    /// The store cannot be written or read: what was taken before is in. A file that cannot be read or is no log is no error but
    /// a verdict.
    pub fn ingest_all(
        &mut self,
        paths: &[PathBuf],
        each: &mut dyn FnMut(Ingested),
    ) -> Result<(), StoreError> {
        let known: HashSet<String> = self.store.marks.iter().map(|mark| mark.hash.clone()).collect();
        let dir = self.store.dir.clone();
        let paths = order::in_order(paths);
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
            let (prepared, to_write) = mpsc::sync_channel::<Prepared>(1);
            let (done, written) = mpsc::channel();
            scope.spawn(move || {
                for log in to_write {
                    let result = log.write(&dir);
                    let has_failed = result.is_err();
                    // Behind one that failed none is written.
                    if done.send(result).is_err() || has_failed {
                        return;
                    }
                }
            });
            let mut line = Line {
                store: self.store,
                said: self.said.as_deref(),
                prepared: Some(prepared),
                written,
                waiting: VecDeque::new(),
            };
            for file in read {
                line.take(file, each)?;
            }
            line.prepared = None;
            line.settle(&|_| true, each)
        })
    }

    /// Takes one log in.
    ///
    /// # Errors
    /// As [`Writer::ingest_all`].
    pub fn ingest(&mut self, path: &Path) -> Result<Ingested, StoreError> {
        let mut told = None;
        self.ingest_all(&[path.to_owned()], &mut |ingested| told = Some(ingested))?;
        told.ok_or_else(|| StoreError::Read {
            path: path.to_owned(),
            source: io::Error::other("the reading was given up"),
        })
    }
}

/// What is on its way into the store.
struct Line<'s> {
    store: &'s mut Store,
    said: Option<&'s str>,
    /// To the thread that writes.
    prepared: Option<mpsc::SyncSender<Prepared>>,
    /// From it, in the same order.
    written: mpsc::Receiver<Result<Written, StoreError>>,
    /// What has not been told yet, in order.
    waiting: VecDeque<Waiting>,
}

struct Waiting {
    path: PathBuf,
    state: State,
}

enum State {
    /// It is being written: hash and logger.
    Writing(String, String),
    /// What became of it is known.
    Judged(Verdict),
}

impl Line<'_> {
    fn take(&mut self, file: Read, each: &mut dyn FnMut(Ingested)) -> Result<(), StoreError> {
        let Read { path, content } = file;
        let state = match content {
            Content::Known => State::Judged(Verdict::Known),
            Content::NotALog(error) => State::Judged(Verdict::NotALog(error)),
            Content::Log { bytes, hash, log } => {
                // What is known of the same logger, or the same file twice among the paths, has to be in first; of any logger
                // where the log does not say of which it is.
                let serial = log.identity.as_ref().map(|identity| identity.serial.clone());
                self.settle(
                    &|state| {
                        matches!(state, State::Writing(h, d)
                            if *h == hash || serial.as_ref().is_none_or(|serial| d == serial))
                    },
                    each,
                )?;
                if self.store.marks.iter().any(|mark| mark.hash == hash) {
                    State::Judged(Verdict::Known)
                } else {
                    let owner = match serial {
                        Some(serial) => Ok(Owner::of_log(&serial, self.said)),
                        None => Owner::found(self.store, &path, &hash, &log, self.said)?,
                    };
                    match owner {
                        Ok(owner) => {
                            let device = owner.device.clone();
                            let log = Prepared::new(self.store, &path, bytes, hash.clone(), &log, owner)?;
                            // Nobody takes it when an earlier one has failed: settling tells.
                            if let Some(line) = &self.prepared {
                                drop(line.send(log));
                            }
                            State::Writing(hash, device)
                        }
                        Err(why) => {
                            let kept = self.store.dir.join(UNCLAIMED).join(&hash).with_extension("log");
                            write_whole(&kept, &bytes)?;
                            State::Judged(Verdict::Unclaimed(why))
                        }
                    }
                }
            }
        };
        self.waiting.push_back(Waiting { path, state });
        self.settle(&|_| false, each)
    }

    /// Waits until nothing is being written of which `matters` says so, and tells what is known by then.
    fn settle(
        &mut self,
        matters: &dyn Fn(&State) -> bool,
        each: &mut dyn FnMut(Ingested),
    ) -> Result<(), StoreError> {
        while let Some(first) = self.waiting.front() {
            let must_wait = self.waiting.iter().any(|waiting| matters(&waiting.state));
            let verdict = match &first.state {
                State::Judged(_) => None,
                State::Writing(..) => {
                    let result =
                        if must_wait { self.written.recv().ok() } else { self.written.try_recv().ok() };
                    let Some(result) = result else { return Ok(()) };
                    let written = result?;
                    let mark = written.mark.clone();
                    let verdict = written.verdict(&self.store.marks, &self.store.banks);
                    self.store.live.extend(mark.files.iter().map(|file| Live::of_log(file, &mark)));
                    self.store.marks.push(mark);
                    Some(verdict)
                }
            };
            let Some(Waiting { path, state }) = self.waiting.pop_front() else { return Ok(()) };
            let verdict = match (verdict, state) {
                (Some(verdict), _) | (None, State::Judged(verdict)) => verdict,
                (None, State::Writing(..)) => continue,
            };
            each(Ingested { path, verdict });
        }
        Ok(())
    }
}

fn raw(dir: &Path, hash: &str) -> PathBuf {
    dir.join("raw").join(hash).with_extension("log")
}

fn mark(dir: &Path, hash: &str) -> PathBuf {
    dir.join("logs").join(hash).with_extension("toml")
}
