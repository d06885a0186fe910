//! The whole way with nothing attached: an invented fleet through the shipped firmware into logs, a store and a report.

mod fleet;

pub use fleet::{Member, fleet};

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};
use std::{fs, io, thread};

use thiserror::Error;
use wyelog_firmware::meter::Buffers;
use wyelog_simulator::board::{Board, Pace};
use wyelog_simulator::flash::NorMemory;
use wyelog_simulator::levels::Levels;

use crate::store::{Banks, Store, StoreError, Verdict};
use crate::trial::{self, TrialError};

/// Days that a demo can have: what a journal of 16 MiB holds, at some 110 kB a day, and more.
pub const DAYS: std::ops::RangeInclusive<u16> = 1..=60;

/// Why there is no demo.
#[derive(Debug, Error)]
pub enum DemoError {
    /// A scenario of the fleet makes no sense: never in a released version.
    #[error(transparent)]
    Scenario(#[from] wyelog_simulator::scenario::Error),
    /// A logger of the fleet did not answer.
    #[error(transparent)]
    Trial(#[from] TrialError),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A file of the demo cannot be written.
    #[error("{}: {source}; check the folder, its rights and the room on the disk", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// What is in the folder is not a demo's.
    #[error("{}: there is something in it that no demo wrote; choose another folder", .0.display())]
    Taken(PathBuf),
}

/// What the loggers of the fleet went through.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Played {
    /// Seconds of signal of all loggers together, sample by sample: around everything that happens.
    pub sampled_s: f64,
    /// Seconds of it window by window: where nothing happens.
    pub windowed_s: f64,
    /// Bytes of their logs.
    pub log_bytes: u64,
    /// Records that the store took.
    pub records: u64,
}

/// The mark of a folder that a demo may write over.
const MARK: &str = "demo.txt";
const MARK_TEXT: &str =
    "Everything in this folder was made by `wyelog demo`, which may replace it: an invented fleet.\n";

/// Flash of a logger of the demo, in sectors of 4 KiB: what this many days need, and as much again.
fn sectors(days: u16) -> usize {
    64 + usize::from(days) * 56
}

/// Makes `folder` that of a demo, and empty.
///
/// # Errors
/// [`DemoError::Taken`], [`DemoError::File`].
pub fn clear(folder: &Path) -> Result<(), DemoError> {
    let file = |path: &Path| {
        let path = path.to_owned();
        move |source| DemoError::File { path, source }
    };
    let mark = folder.join(MARK);
    let is_empty = fs::read_dir(folder).map_or(true, |mut entries| entries.next().is_none());
    if folder.exists() && !is_empty {
        if !mark.is_file() {
            return Err(DemoError::Taken(folder.to_owned()));
        }
        fs::remove_dir_all(folder).map_err(file(folder))?;
    }
    fs::create_dir_all(folder).map_err(file(folder))?;
    fs::write(&mark, MARK_TEXT).map_err(file(&mark))
}

/// Lets every logger of `fleet` live through its time, downloads its log as over a serial line into `folder/logs`, and takes
/// the logs into the store `folder/store`. `progress` is told the part of the signal that is done.
///
/// # Errors
/// See [`DemoError`].
pub fn play(
    fleet: &[Member],
    days: u16,
    folder: &Path,
    progress: &(dyn Fn(f64) + Sync),
) -> Result<Played, DemoError> {
    let logs = folder.join("logs");
    fs::create_dir_all(&logs).map_err(|source| DemoError::File { path: logs.clone(), source })?;
    let (next, done) = (AtomicUsize::new(0), AtomicU64::new(0));
    let results = Mutex::new(Vec::new());
    let frames = |member: &Member| (member.scenario.duration_s * 4800.0) as u64;
    let all: u64 = fleet.iter().map(frames).sum();
    let told = |frames: u64| {
        let before = done.fetch_add(frames, Ordering::Relaxed);
        progress((before + frames) as f64 / all.max(1) as f64);
    };
    let work = || {
        while let Some(member) = fleet.get(next.fetch_add(1, Ordering::Relaxed)) {
            let result = live(member, days, &logs, &told);
            results.lock().unwrap_or_else(PoisonError::into_inner).push(result);
        }
    };
    thread::scope(|scope| {
        for _ in 1..thread::available_parallelism().map_or(1, Into::into) {
            scope.spawn(work);
        }
        work();
    });
    let mut played = Played::default();
    for result in results.into_inner().unwrap_or_else(PoisonError::into_inner) {
        let one = result?;
        played.sampled_s += one.sampled_s;
        played.windowed_s += one.windowed_s;
        played.log_bytes += one.log_bytes;
    }
    played.records = ingest(fleet, &logs, &folder.join("store"))?;
    Ok(played)
}

/// One logger, from its start to its log file.
fn live(member: &Member, days: u16, logs: &Path, told: &dyn Fn(u64)) -> Result<Played, DemoError> {
    let levels = Levels::new(&member.scenario);
    let (sampled_s, windowed_s) = levels.seconds();
    let mut buffers = Box::new(Buffers::new());
    let flash = NorMemory::new(sectors(days));
    let mut board =
        Board::start(&mut buffers, levels, flash, &member.serial, Pace::Free).map_err(TrialError::Board)?;
    let mut before = 0;
    board.play(&mut |frames| {
        // Not at each of a million steps.
        if frames - before > 4800 * 3600 {
            told(frames - before);
            before = frames;
        }
    });
    let kept = trial::read_back(&mut board)?;
    let path = logs.join(format!("{}.log", member.serial));
    fs::write(&path, &kept.file).map_err(|source| DemoError::File { path, source })?;
    Ok(Played { sampled_s, windowed_s, log_bytes: kept.file.len() as u64, records: 0 })
}

fn ingest(fleet: &[Member], logs: &Path, folder: &Path) -> Result<u64, DemoError> {
    Store::open_or_create(folder)?;
    let feeders =
        fleet.iter().map(|member| (member.scenario.bank.nameplate.name.clone(), member.feeder.to_owned()));
    let path = folder.join("banks.toml");
    let text = Banks::new(feeders).text().map_err(io::Error::other);
    text.and_then(|text| fs::write(&path, text)).map_err(|source| DemoError::File { path, source })?;
    let mut store = Store::open(folder)?;
    let mut writer = store.writer()?;
    let paths: Vec<PathBuf> =
        fleet.iter().map(|member| logs.join(format!("{}.log", member.serial))).collect();
    let mut taken = 0;
    writer.ingest_all(&paths, &mut |ingested| {
        if let Verdict::Taken { records, .. } = ingested.verdict {
            taken += records;
        }
    })?;
    Ok(taken)
}
