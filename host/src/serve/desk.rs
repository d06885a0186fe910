//! The store as it is shown, and the watching of it: what is new is read behind the pages that are shown.

use std::collections::{BTreeSet, HashSet};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, RwLock, RwLockReadGuard, RwLockWriteGuard};
use std::thread;
use std::time::{Duration, UNIX_EPOCH};

use axum::http::StatusCode;
use sha2::{Digest, Sha256};

use super::page::{self, Page};
use crate::analysis::Filter;
use crate::analysis::fleet::{FleetRow, fleet, fleet_after};
use crate::analysis::series::Series;
use crate::report::bank::span;
use crate::store::{Store, StoreError};

/// How often the store is looked at.
const LOOK: Duration = Duration::from_secs(1);
/// The same after it could not be read.
const LOOK_AGAIN: Duration = Duration::from_secs(10);
/// Fleets of a range of time that are kept.
const MOST_RANGES: usize = 4;
/// Loggers with new logs of which only their own rows are read; of more all is.
const MOST_LOGGERS: usize = 20;
/// Intervals of banks that are kept in memory: four years of minutes are 190 MB.
const MOST_INTERVALS: usize = 4 * 525_600;

/// A store at one moment.
#[derive(Debug)]
pub struct Content {
    /// Tells it from what the store held at another moment.
    pub version: String,
    /// The same of what people edit.
    edited: String,
    /// The store.
    pub store: Store,
    /// All banks over all times.
    pub rows: Arc<Vec<FleetRow>>,
}

/// Why there is no page.
#[derive(Debug)]
pub enum Found {
    /// What was asked for makes no sense, or is not there.
    Nothing(StatusCode, String),
    /// The store cannot be read.
    Trouble(StoreError),
}

impl From<StoreError> for Found {
    fn from(error: StoreError) -> Self {
        Self::Trouble(error)
    }
}

/// The store as it is shown.
#[derive(Debug)]
pub struct Desk {
    dir: PathBuf,
    now: RwLock<Option<Arc<Content>>>,
    trouble: RwLock<Option<String>>,
    is_reading: AtomicBool,
    ranges: Mutex<Vec<Ranged>>,
    series: Mutex<Vec<Held>>,
    /// Held by who reads the store for one of the two above, so that no two read the same.
    reading: Mutex<()>,
}

#[derive(Debug)]
struct Ranged {
    key: (String, Option<i64>, Option<i64>),
    rows: Arc<Vec<FleetRow>>,
}

#[derive(Debug)]
struct Held {
    key: SeriesKey,
    series: Arc<Series>,
}

/// Bank, logger, and the logs of the logger.
type SeriesKey = (String, String, Vec<String>);

impl Desk {
    /// Of the store in `dir`; it is read by [`watch`].
    pub fn open(dir: &Path) -> Result<Self, StoreError> {
        Store::open(dir)?;
        Ok(Self {
            dir: dir.to_owned(),
            now: RwLock::default(),
            trouble: RwLock::default(),
            is_reading: AtomicBool::new(true),
            ranges: Mutex::default(),
            series: Mutex::default(),
            reading: Mutex::default(),
        })
    }

    /// What is shown; nothing until it has been read.
    pub fn content(&self) -> Option<Arc<Content>> {
        read(&self.now).clone()
    }

    /// Why the store cannot be read any more.
    pub fn trouble(&self) -> Option<String> {
        read(&self.trouble).clone()
    }

    /// The same for the page that asks whether something is new.
    pub fn version_json(&self) -> String {
        serde_json::json!({
            "version": self.content().map(|content| content.version.clone()),
            "reading": self.is_reading.load(Ordering::Relaxed),
            "trouble": self.trouble(),
        })
        .to_string()
    }

    /// Makes a page; once more where files went while it was made, as they do when many become one.
    pub fn try_twice(&self, work: impl Fn(&Self) -> Result<Page, Found>) -> Page {
        let mut result = work(self);
        if matches!(result, Err(Found::Trouble(_))) {
            self.open_again();
            result = work(self);
        }
        match result {
            Ok(page) => page,
            Err(Found::Nothing(status, words)) => Page::words(status, &words),
            Err(Found::Trouble(error)) => {
                Page::words(StatusCode::INTERNAL_SERVER_ERROR, &format!("The store cannot be read: {error}."))
            }
        }
    }

    /// All banks over a range of time.
    pub fn fleet(&self, content: &Content, filter: &Filter) -> Result<Arc<Vec<FleetRow>>, StoreError> {
        if (filter.from_ms, filter.to_ms) == (None, None) {
            return Ok(Arc::clone(&content.rows));
        }
        let key = (content.version.clone(), filter.from_ms, filter.to_ms);
        let kept =
            || lock(&self.ranges).iter().find(|kept| kept.key == key).map(|kept| Arc::clone(&kept.rows));
        if let Some(rows) = kept() {
            return Ok(rows);
        }
        let _reading = lock(&self.reading);
        if let Some(rows) = kept() {
            return Ok(rows);
        }
        let rows = Arc::new(fleet(&content.store, filter)?);
        let mut ranges = lock(&self.ranges);
        ranges.insert(0, Ranged { key, rows: Arc::clone(&rows) });
        ranges.truncate(MOST_RANGES);
        Ok(rows)
    }

    /// The values of a bank; `None`: no interval has a time.
    pub fn series(&self, content: &Content, row: &FleetRow) -> Result<Option<Arc<Series>>, StoreError> {
        let Some(span) = span(row) else { return Ok(None) };
        let marks = content.store.marks().iter().filter(|mark| mark.device == row.device);
        let logs = marks.map(|mark| mark.hash.clone()).collect();
        let key: SeriesKey = (row.bank.clone(), row.device.clone(), logs);
        let kept = || {
            let mut all = lock(&self.series);
            let at = all.iter().position(|kept| kept.key == key)?;
            // The one that was asked for last stands first.
            all.get_mut(..=at)?.rotate_right(1);
            all.first().map(|kept| Arc::clone(&kept.series))
        };
        if let Some(series) = kept() {
            return Ok(Some(series));
        }
        let _reading = lock(&self.reading);
        if let Some(series) = kept() {
            return Ok(Some(series));
        }
        let series = Arc::new(Series::read(&content.store, &span)?);
        let mut all = lock(&self.series);
        // The same bank before its newest log is of no more use.
        all.retain(|kept| (&kept.key.0, &kept.key.1) != (&key.0, &key.1));
        all.insert(0, Held { key, series: Arc::clone(&series) });
        let mut intervals = 0;
        all.retain(|kept| {
            // The first one stays, however large it is.
            let is_first = intervals == 0;
            intervals += kept.series.len().max(1);
            is_first || intervals <= MOST_INTERVALS
        });
        Ok(Some(series))
    }

    /// Reads the store if it has changed. Says whether it could.
    fn look(&self) -> bool {
        let (version, edited) = match version(&self.dir) {
            Ok(versions) => versions,
            Err(error) => {
                *write(&self.trouble) =
                    Some(StoreError::Read { path: self.dir.clone(), source: error }.to_string());
                return false;
            }
        };
        let shown = self.content();
        if shown.as_ref().is_some_and(|content| content.version == version) {
            *write(&self.trouble) = None;
            return true;
        }
        self.is_reading.store(true, Ordering::Relaxed);
        let read = content(&self.dir, version, edited, shown.as_deref());
        let is_read = read.is_ok();
        match read {
            Ok(content) => {
                lock(&self.ranges).clear();
                *write(&self.now) = Some(Arc::new(content));
                *write(&self.trouble) = None;
            }
            // What was read before is shown on.
            Err(error) => *write(&self.trouble) = Some(error.to_string()),
        }
        self.is_reading.store(false, Ordering::Relaxed);
        is_read
    }

    /// Opens the store anew, as it is now; what was computed of it stays until [`Desk::look`] finds it changed.
    fn open_again(&self) {
        let mut now = write(&self.now);
        if let (Some(shown), Ok(store)) = (now.as_ref(), Store::open(&self.dir)) {
            let (version, edited) = (shown.version.clone(), shown.edited.clone());
            let store = store.unheld();
            *now = Some(Arc::new(Content { version, edited, store, rows: Arc::clone(&shown.rows) }));
        }
    }
}

fn content(
    dir: &Path,
    version: String,
    edited: String,
    before: Option<&Content>,
) -> Result<Content, StoreError> {
    let store = Store::open(dir)?;
    let before = before.filter(|before| before.edited == edited);
    let rows = match before.and_then(|before| Some((before, new_loggers(&before.store, &store)?))) {
        Some((before, loggers)) => {
            let mut rows = before.rows.to_vec();
            for logger in loggers {
                rows = fleet_after(&store, rows, logger)?;
            }
            rows
        }
        None => fleet(&store, &Filter::default())?,
    };
    Ok(Content { version, edited, store: store.unheld(), rows: Arc::new(rows) })
}

/// The loggers with new logs, if that is all that is new, and they are few.
fn new_loggers<'s>(before: &Store, store: &'s Store) -> Option<BTreeSet<&'s str>> {
    let now: HashSet<&str> = store.marks().iter().map(|mark| mark.hash.as_str()).collect();
    let known: HashSet<&str> = before.marks().iter().map(|mark| mark.hash.as_str()).collect();
    let new = store.marks().iter().filter(|mark| !known.contains(mark.hash.as_str()));
    let loggers: BTreeSet<&str> = new.map(|mark| mark.device.as_str()).collect();
    (known.is_subset(&now) && (1..=MOST_LOGGERS).contains(&loggers.len())).then_some(loggers)
}

/// Tells one content of a store from another, without reading it: marks are never changed, so that their names will do;
/// of what people edit, size and time. Of all, and of what people edit.
fn version(dir: &Path) -> std::io::Result<(String, String)> {
    let mut names = Vec::new();
    for entry in std::fs::read_dir(dir)? {
        let entry = entry?;
        let (name, about) = (entry.file_name().to_string_lossy().into_owned(), entry.metadata()?);
        if about.is_file() && !name.starts_with('_') {
            let changed = about.modified().ok().and_then(|time| time.duration_since(UNIX_EPOCH).ok());
            names.push(format!("{name} {} {:?}", about.len(), changed));
        }
    }
    let edited = digest_of(&mut names);
    // A store that nothing was taken into has no such folder.
    if let Ok(marks) = std::fs::read_dir(dir.join("logs")) {
        for mark in marks {
            let name = mark?.file_name().to_string_lossy().into_owned();
            if !name.starts_with('_') {
                names.push(name);
            }
        }
    }
    Ok((digest_of(&mut names), edited))
}

fn digest_of(names: &mut [String]) -> String {
    names.sort_unstable();
    let mut digest = Sha256::new();
    for name in names.iter() {
        digest.update(name.as_bytes());
        digest.update([0]);
    }
    digest.finalize().iter().take(8).map(|byte| format!("{byte:02x}")).collect()
}

/// Ends the watching when it is dropped.
#[derive(Debug)]
pub struct Watch(#[expect(dead_code, reason = "its end is what is told")] Sender<()>);

/// Looks at the store from now on, on a thread of its own.
pub fn watch(desk: &Arc<Desk>) -> Watch {
    let (sender, ended) = channel();
    let desk = Arc::clone(desk);
    thread::spawn(move || {
        loop {
            let pause = if desk.look() { LOOK } else { LOOK_AGAIN };
            match ended.recv_timeout(pause) {
                Err(RecvTimeoutError::Timeout) => {}
                _ => return,
            }
        }
    });
    Watch(sender)
}

/// What is shown while nothing has been read yet.
pub fn not_yet(desk: &Desk) -> Page {
    match desk.trouble() {
        Some(trouble) => {
            Page::words(StatusCode::INTERNAL_SERVER_ERROR, &format!("The store cannot be read: {trouble}."))
        }
        None => page::wait("The store is being read."),
    }
}

// A thread that panicked has left nothing half done: what is in a lock is put there whole.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

fn read<T>(lock: &RwLock<T>) -> RwLockReadGuard<'_, T> {
    lock.read().unwrap_or_else(PoisonError::into_inner)
}

fn write<T>(lock: &RwLock<T>) -> RwLockWriteGuard<'_, T> {
    lock.write().unwrap_or_else(PoisonError::into_inner)
}
