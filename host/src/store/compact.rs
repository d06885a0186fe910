//! Many small files become few, sorted by bank and time.
//!
//! Killed at any moment, the rows are there once: new files are written under other names; from the moment their manifest
//! is in place they count, and what they replace does not; what is replaced is removed behind that, or by the next writer.

mod merge;
mod sorted;

use std::fs::{self, File};
use std::path::Path;

use super::columns::ALL_TABLES;
use super::ingest::{Writer, write_whole};
use super::manifest::{Live, Manifest};
use super::{Store, StoreError, Table, lock};

/// When files are put together, and how large they become.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Compaction {
    /// Small files in a folder from which on it pays.
    pub least_files: usize,
    /// A file of so many bytes is small no more, and left as it is.
    pub small_bytes: u64,
    /// Size of the files made: about, and at most half as much again if there are several.
    pub target_bytes: u64,
    /// Bytes of rows that are in memory at a time, uncompressed; they are there three times while they are sorted and
    /// written.
    pub batch_bytes: u64,
}

impl Compaction {
    /// On demand: wherever there is more than one small file.
    pub const NOW: Self =
        Self { least_files: 2, small_bytes: 64 << 20, target_bytes: 160 << 20, batch_bytes: 128 << 20 };
    /// At the end of an ingest: from 16 small files in a folder on. A row is written anew once in 16 ingests of a log at
    /// most, until it is in a file that is not small.
    pub const WHEN_IT_PAYS: Self = Self { least_files: 16, ..Self::NOW };
}

/// What became of the files of one folder.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Compacted {
    /// The folder, from the store's.
    pub folder: String,
    /// Files that were put together, and their bytes.
    pub before: (usize, u64),
    /// Files that were made of them, and theirs.
    pub after: (usize, u64),
}

impl Writer<'_> {
    /// Puts small files together. `each` is told of each folder in which there were enough of them.
    ///
    /// # Errors
    /// The store cannot be read or written: what was put together before is so; nothing is lost.
    pub fn compact(&mut self, rule: &Compaction, each: &mut dyn FnMut(&Compacted)) -> Result<(), StoreError> {
        for table in ALL_TABLES {
            let of_table = self.store.live.iter().map(Live::folder);
            let mut folders: Vec<String> = of_table
                .filter(|folder| folder.split('/').next() == Some(table.name))
                .map(str::to_owned)
                .collect();
            folders.sort();
            folders.dedup();
            for folder in folders {
                if let Some(compacted) = self.store.compact_folder(table, &folder, rule)? {
                    each(&compacted);
                }
            }
        }
        self.store.remove_replaced()
    }
}

impl Store {
    fn compact_folder(
        &mut self,
        table: &'static Table,
        folder: &str,
        rule: &Compaction,
    ) -> Result<Option<Compacted>, StoreError> {
        let mut small: Vec<(Live, u64)> = Vec::new();
        for live in self.live.iter().filter(|live| live.folder() == folder) {
            let path = self.dir.join(&live.file);
            let bytes = fs::metadata(&path).map_err(|_| StoreError::Gone { path })?.len();
            if bytes < rule.small_bytes {
                small.push((live.clone(), bytes));
            }
        }
        if small.len() < rule.least_files.max(2) {
            return Ok(None);
        }
        let number = self.manifests.next_number();
        let made = merge::merge(&self.dir, table, folder, number, &small, rule)?;
        let after = made.iter().map(|(_, bytes)| bytes).sum();
        let made: Vec<String> = made.into_iter().map(|(file, _)| file).collect();
        let before = self.manifests.of(folder).cloned().unwrap_or_default();
        let gone: Vec<String> = small.iter().map(|(live, _)| live.file.clone()).collect();
        let kept = before.files.into_iter().filter(|file| !gone.contains(file));
        let manifest = Manifest {
            number,
            folder: folder.to_owned(),
            files: kept.chain(made.iter().cloned()).collect(),
            replaces: before.replaces.into_iter().chain(gone.iter().cloned()).collect(),
        };
        sync(&self.dir.join(folder))?;
        let text = toml::to_string(&manifest).unwrap_or_default();
        let path = self.dir.join(manifest.name());
        write_whole(&path, text.as_bytes())?;
        sync(path.parent().unwrap_or(&path))?;
        self.manifests.add(manifest);
        self.live.retain(|live| live.folder() != folder || !gone.contains(&live.file));
        let compacted = Compacted {
            folder: folder.to_owned(),
            before: (small.len(), small.iter().map(|(_, bytes)| bytes).sum()),
            after: (made.len(), after),
        };
        self.live.extend(made.into_iter().map(|file| Live { file, device: None, bank: None }));
        Ok(Some(compacted))
    }

    /// Removes what no longer counts, unless somebody reads: then the next writer does.
    pub(super) fn remove_replaced(&mut self) -> Result<(), StoreError> {
        let replaced = self.manifests.replaced();
        let replaced = replaced.iter().map(|file| self.dir.join(file));
        let outdated = self.manifests.outdated.iter().map(|manifest| self.dir.join(manifest.name()));
        // The files first: without its manifest, what an outdated one replaces is still said by the one that counts.
        let left: Vec<_> = replaced.chain(outdated).filter(|path| path.is_file()).collect();
        if left.is_empty() {
            return Ok(());
        }
        let Some(_nobody_reads) = lock::nobody_reads(&self.dir)? else { return Ok(()) };
        for path in left {
            fs::remove_file(&path).map_err(|source| StoreError::Write { path, source })?;
        }
        self.manifests.outdated.clear();
        Ok(())
    }
}

/// That a folder's names are on the disk before anything relies on them. Systems on which a folder cannot be opened do
/// that on their own.
fn sync(folder: &Path) -> Result<(), StoreError> {
    let Ok(opened) = File::open(folder) else { return Ok(()) };
    match opened.sync_all() {
        Err(source) if cfg!(unix) => Err(StoreError::Write { path: folder.to_owned(), source }),
        _ => Ok(()),
    }
}
