//! Logs as tables that anybody can read.
//!
//! ```text
//! DIR/store.toml                          what this folder is
//! DIR/banks.toml                          which bank hangs on which feeder: edited by people, may be missing
//! DIR/raw/HASH.log                        the log as it came: the evidence
//! DIR/intervals/month=YYYY-MM/HASH.parquet  and spectra/ likewise; events/, captures/, status/, settings/, operations/ and
//!                                         bank/ without a month
//! DIR/logs/HASH.toml                      written last: from now on the log is in
//! ```
//!
//! `HASH` is the SHA-256 of the raw log, in hexadecimal. No file is ever changed: what is written gets a name that begins
//! with `_` first. A file whose log has no mark in `logs/` is what a killed ingest left behind; the next ingest removes
//! it, and no query sees it.

mod banks;
mod columns;
mod error;
mod ingest;
mod mark;

pub use banks::{Bank, Banks};
pub use columns::{
    BANK, BASELINES, CAPTURES, EVENTS, INTERVALS, Kind, OPERATIONS, SETTINGS, SPECTRA, STATUS, TABLES, Table,
};
pub use error::StoreError;
pub use ingest::{Ingested, Verdict, Writer, collect_files};
pub use mark::Mark;

use std::fs;
use std::path::{Path, PathBuf};

use polars::prelude::{DataFrame, IntoLazy, JoinArgs, JoinType, LazyFrame, ScanArgsParquet, col};

/// What `store.toml` says.
const FORMAT: &str = "# A store of wyelog. How to read it: host/STORE.md of the source.\nformat = 1\n";

/// A store.
#[derive(Debug)]
pub struct Store {
    dir: PathBuf,
    banks: Banks,
    marks: Vec<Mark>,
}

impl Store {
    /// Opens the store in `dir`.
    ///
    /// # Errors
    /// There is none, or a file of it cannot be read.
    pub fn open(dir: &Path) -> Result<Self, StoreError> {
        let path = dir.join("store.toml");
        let text = fs::read_to_string(&path)
            .map_err(|source| StoreError::NoStore { path: dir.to_owned(), source })?;
        let table: toml::Table = text.parse().map_err(|_| StoreError::Format { path: path.clone() })?;
        if table.get("format").and_then(toml::Value::as_integer) != Some(1) {
            return Err(StoreError::Format { path });
        }
        let banks = Banks::read(&dir.join("banks.toml"))?;
        let marks = mark::read_all(&dir.join("logs"))?;
        Ok(Self { dir: dir.to_owned(), banks, marks })
    }

    /// Opens the store in `dir`, or makes an empty one there.
    ///
    /// # Errors
    /// The folder cannot be made, holds something else, or cannot be read.
    pub fn open_or_create(dir: &Path) -> Result<Self, StoreError> {
        let path = dir.join("store.toml");
        if !path.exists() {
            let file = |source| StoreError::Write { path: dir.to_owned(), source };
            fs::create_dir_all(dir).map_err(file)?;
            if fs::read_dir(dir).map_err(file)?.next().is_some() {
                return Err(StoreError::NotEmpty { path: dir.to_owned() });
            }
            ingest::write_whole(&path, FORMAT.as_bytes())?;
        }
        Self::open(dir)
    }

    /// The logs that are in.
    pub fn marks(&self) -> &[Mark] {
        &self.marks
    }

    /// Which bank hangs on which feeder.
    pub const fn banks(&self) -> &Banks {
        &self.banks
    }

    /// The same as a table.
    pub fn register(&self) -> LazyFrame {
        self.banks.frame().lazy()
    }

    /// The folder.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// This store as if only the logs of one logger were in it.
    #[must_use]
    pub fn of_device(&self, device: &str) -> Self {
        let marks = self.marks.iter().filter(|mark| mark.device == device).cloned().collect();
        Self { dir: self.dir.clone(), banks: self.banks.clone(), marks }
    }

    /// All rows of a table, with the feeder of each bank; nothing is read before it is collected.
    ///
    /// # Errors
    /// A file of the table is gone.
    pub fn scan(&self, table: &Table) -> Result<LazyFrame, StoreError> {
        Ok(self.with_feeders(self.scan_rows(table)?))
    }

    /// As [`Store::scan`], without the feeders.
    ///
    /// # Errors
    /// A file of the table is gone.
    pub fn scan_rows(&self, table: &Table) -> Result<LazyFrame, StoreError> {
        self.scan_files(table, self.files(table))
    }

    /// Rows with the feeder of their `bank`, as the last column.
    pub fn with_feeders(&self, rows: LazyFrame) -> LazyFrame {
        rows.join(self.register(), [col("bank")], [col("bank")], JoinArgs::new(JoinType::Left))
    }

    /// As [`Store::scan`], a frame a file: for who must not hold years of rows at once.
    ///
    /// # Errors
    /// A file of the table is gone.
    pub fn scan_each(&self, table: &Table) -> Result<Vec<LazyFrame>, StoreError> {
        let files = self.files(table).into_iter();
        files.map(|file| Ok(self.with_feeders(self.scan_files(table, vec![file])?))).collect()
    }

    fn files(&self, table: &Table) -> Vec<PathBuf> {
        let files = self.marks.iter().flat_map(|mark| &mark.files);
        let files = files.filter(|file| file.split('/').next() == Some(table.name));
        files.map(|file| self.dir.join(file)).collect()
    }

    fn scan_files(&self, table: &Table, files: Vec<PathBuf>) -> Result<LazyFrame, StoreError> {
        if let Some(path) = files.iter().find(|path| !path.is_file()) {
            return Err(StoreError::Gone { path: path.clone() });
        }
        if files.is_empty() {
            return Ok(DataFrame::empty_with_schema(&table.schema()).lazy());
        }
        let mut args = ScanArgsParquet { glob: false, ..ScanArgsParquet::default() };
        args.hive_options.enabled = Some(false);
        let paths = files.iter().map(|path| path.to_string_lossy().as_ref().into()).collect();
        Ok(LazyFrame::scan_parquet_files(paths, args)?)
    }
}

#[cfg(test)]
mod tests;
