//! Who reads and who writes. A reader keeps every file that it may want in place; it holds up nobody but who would
//! remove one.

use std::fs::{File, OpenOptions};
use std::path::Path;

use super::StoreError;

/// Locked by whoever writes.
const WRITING: &str = "_lock";

/// Locked, shared, by everybody who reads.
const READING: &str = "_readers";

/// That a store is being read: no file is removed meanwhile.
#[derive(Debug)]
pub struct Reading {
    _lock: File,
}

impl Reading {
    /// `None` where that cannot be said, as on some network folders: a query then may find a file gone, and says so.
    pub fn of(dir: &Path) -> Option<Self> {
        let lock = File::open(dir.join(READING)).ok()?;
        lock.lock_shared().ok()?;
        Some(Self { _lock: lock })
    }
}

/// The only program that may write.
pub fn writing(dir: &Path) -> Result<File, StoreError> {
    let lock = open(dir, WRITING)?;
    lock.try_lock().map_err(|_| StoreError::Busy { path: dir.to_owned() })?;
    // For those who read from now on.
    drop(open(dir, READING)?);
    Ok(lock)
}

/// That nobody reads, as long as it is held; `None` if somebody does.
pub fn nobody_reads(dir: &Path) -> Result<Option<File>, StoreError> {
    let lock = open(dir, READING)?;
    Ok(lock.try_lock().is_ok().then_some(lock))
}

fn open(dir: &Path, name: &str) -> Result<File, StoreError> {
    let path = dir.join(name);
    let file = OpenOptions::new().create(true).truncate(false).write(true).open(&path);
    file.map_err(|source| StoreError::Write { path, source })
}
