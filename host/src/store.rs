//! Logs as tables that anybody can read.
//!
//! ```text
//! DIR/store.toml                          what this folder is
//! DIR/banks.toml, or banks.csv            which logger hung on which bank, and where: edited by people, may be missing
//! DIR/acknowledged.toml                   which alarms somebody has looked at: may be missing
//! DIR/fuse_links.toml                     the utility's table of fuse links: edited by people, may be missing
//! DIR/raw/HASH.log                        the log as it came: the evidence
//! DIR/intervals/month=YYYY-MM/HASH.parquet  and spectra/ likewise; days/, events/, captures/, status/, settings/, operations/,
//!                                         bank/ and baselines/ without a month
//! DIR/unclaimed/HASH.log                  a log of which nobody knows whose it is: in no table
//! DIR/logs/HASH.toml                      written last: from now on the log is in
//! DIR/compacted/NUMBER.toml               written behind files `compacted-….parquet` that hold the rows of many such files:
//!                                         from now on they count instead
//! ```
//!
//! `HASH` is the SHA-256 of the raw log, in hexadecimal. No file is ever changed: what is written gets a name that begins
//! with `_` first. A file whose log has no mark in `logs/` is what a killed ingest left behind; the next ingest removes
//! it, and no query sees it.

mod acknowledged;
mod banks;
mod columns;
mod compact;
mod error;
mod fuse_links;
mod ingest;
mod lock;
mod manifest;
mod mark;

pub use acknowledged::{Acknowledged, Acknowledgement};
pub use banks::{Bank, Banks, Problem, Stay};
pub use columns::days::{DAY_MS, of_intervals as days_of};
pub use columns::{
    ALL_TABLES, BANK, BASELINES, CAPTURES, DAYS, EVENTS, INTERVALS, Kind, OPERATIONS, SETTINGS, SPECTRA,
    SPECTRUM_FRAMES, STATUS, TABLES, Table,
};
pub use compact::{Compacted, Compaction};
pub use error::StoreError;
pub use fuse_links::FuseLinks;
pub use ingest::{Ingested, Verdict, Writer, collect_files};
pub use mark::{Mark, Whose};

use std::collections::{BTreeSet, HashSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use polars::prelude::{
    DataFrame, Expr, IntoLazy, JoinArgs, JoinType, LazyFrame, MaintainOrderJoin, NamedFrom, ScanArgsParquet,
    Series, col, lit,
};

use lock::Reading;
use manifest::{Live, Manifests};

/// What `store.toml` says.
const FORMAT: &str = "# A store of wyelog. How to read it: host/STORE.md of the source.\nformat = 3\n";

/// The newest format. In format 1 nothing was compacted; in format 2 there were no days, and of the spectra not the largest of the
/// phases: a program that knows only these columns stops at files with more. Who reads such a store need not know more.
const NEWEST: i64 = 3;

/// A store.
#[derive(Debug)]
pub struct Store {
    dir: PathBuf,
    banks: Banks,
    marks: Vec<Mark>,
    manifests: Manifests,
    /// The files that count.
    live: Vec<Live>,
    /// Rows of this logger only.
    device: Option<String>,
    /// While it lives, no file is removed.
    reading: Option<Arc<Reading>>,
}

impl Store {
    /// Opens the store in `dir`.
    ///
    /// # Errors
    /// There is none, or a file of it cannot be read.
    pub fn open(dir: &Path) -> Result<Self, StoreError> {
        format(dir)?;
        let reading = Reading::of(dir).map(Arc::new);
        Ok(Self { reading, ..Self::read(dir, Banks::read(dir)?)? })
    }

    /// What is in the folder now; its files may be gone a moment later.
    fn read(dir: &Path, banks: Banks) -> Result<Self, StoreError> {
        let marks = mark::read_all(&dir.join("logs"))?;
        let manifests = Manifests::read(dir)?;
        let live = manifests.live(&marks);
        Ok(Self { dir: dir.to_owned(), banks, marks, manifests, live, device: None, reading: None })
    }

    /// Opens the store in `dir`, or makes an empty one there, to take logs in: that needs no register of the banks, so
    /// a register that is not of its form is only one of [`Store::problems`].
    ///
    /// # Errors
    /// The folder cannot be made, holds something else, or cannot be read.
    pub fn open_or_create(dir: &Path) -> Result<Self, StoreError> {
        let path = dir.join("store.toml");
        if !path.exists() {
            let file = |source| StoreError::Write { path: dir.to_owned(), source };
            fs::create_dir_all(dir).map_err(file)?;
            // A name that begins with `_` is what a killed program left that was about to make the store.
            let is_ours = |entry: std::io::Result<fs::DirEntry>| {
                entry.is_ok_and(|entry| entry.file_name().to_string_lossy().starts_with('_'))
            };
            if !fs::read_dir(dir).map_err(file)?.all(is_ours) {
                return Err(StoreError::NotEmpty { path: dir.to_owned() });
            }
            ingest::write_whole(&path, FORMAT.as_bytes())?;
        }
        format(dir)?;
        let reading = Reading::of(dir).map(Arc::new);
        Ok(Self { reading, ..Self::read(dir, Banks::read_what_can_be(dir)?)? })
    }

    /// This store without holding its files in place: for who keeps it for hours, and opens it again when a file is
    /// [gone](StoreError::Gone).
    #[must_use]
    pub fn unheld(self) -> Self {
        Self { reading: None, ..self }
    }

    /// The logs that are in.
    pub fn marks(&self) -> &[Mark] {
        &self.marks
    }

    /// Entries of the register of the banks that make no sense and are left out, or are about loggers of which there is
    /// no log.
    pub fn problems(&self) -> Vec<Problem> {
        let known: HashSet<&str> = self.marks.iter().map(|mark| mark.device.as_str()).collect();
        let unknown = self.banks.unknown_devices(|device| known.contains(device));
        self.banks.problems().iter().cloned().chain(unknown).collect()
    }

    /// What people know of the banks.
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
        let may_hold = |live: &&Live| live.device.as_deref().is_none_or(|only| only == device);
        Self {
            dir: self.dir.clone(),
            banks: self.banks.clone(),
            marks,
            manifests: self.manifests.clone(),
            live: self.live.iter().filter(may_hold).cloned().collect(),
            device: Some(device.to_owned()),
            reading: self.reading.clone(),
        }
    }

    /// All rows of a table, with the feeder of each bank, and under the name that the register has for it; nothing is
    /// read before it is collected.
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
        self.scan_files(table, &self.files(table), None)
    }

    /// As [`Store::scan_rows`], the rows of these banks only. Of the files, and of the row groups in them, those are read
    /// that can hold such rows.
    ///
    /// # Errors
    /// A file of the table is gone.
    pub fn scan_banks(&self, table: &Table, banks: &[String]) -> Result<LazyFrame, StoreError> {
        let held = self.banks.held(banks, &self.marks);
        let live = self.live_files(table).filter(|live| held.may_be_in(live));
        let files: Vec<PathBuf> = live.map(|live| self.dir.join(&live.file)).collect();
        let rows = self.scan_files(table, &files, Some(held.may_be()))?;
        Ok(if held.is_renamed() { rows.filter(is_one_of("bank", banks)) } else { rows })
    }

    /// Rows with the feeder of their `bank`, as the last column.
    pub fn with_feeders(&self, rows: LazyFrame) -> LazyFrame {
        rows.join(self.register(), [col("bank")], [col("bank")], in_order())
    }

    /// Rows of a table with the number of their logger's stay among those of their bank ([`Bank::loggers`]), as the last column
    /// `stay`; null where the register does not say that it hung there then.
    ///
    /// # Errors
    /// The table engine refuses.
    pub fn with_stays(&self, rows: LazyFrame) -> Result<LazyFrame, StoreError> {
        Ok(self.banks.number(rows)?)
    }

    /// Loggers of which the rows of [`DAYS`] do not tell the days of each bank: an older program took a log of theirs in, or the
    /// register moves them to another bank within a day.
    pub fn devices_without_days(&self) -> BTreeSet<String> {
        let has = |mark: &Mark, table: &Table| {
            mark.files.iter().any(|file| file.split('/').next() == Some(table.name))
        };
        let old = self.marks.iter().filter(|mark| has(mark, &INTERVALS) && !has(mark, &DAYS));
        let old = old.map(|mark| mark.device.clone());
        old.chain(self.banks.moved_within_a_day(&self.marks)).collect()
    }

    /// As [`Store::scan`], a frame a file: for who must not hold years of rows at once.
    ///
    /// # Errors
    /// A file of the table is gone.
    pub fn scan_each(&self, table: &Table) -> Result<Vec<LazyFrame>, StoreError> {
        let files = self.files(table).into_iter();
        files.map(|file| Ok(self.with_feeders(self.scan_files(table, &[file], None)?))).collect()
    }

    fn files(&self, table: &Table) -> Vec<PathBuf> {
        self.live_files(table).map(|live| self.dir.join(&live.file)).collect()
    }

    fn live_files(&self, table: &Table) -> impl Iterator<Item = &Live> {
        self.live.iter().filter(|live| live.file.split('/').next() == Some(table.name))
    }

    /// The rows of these files that hold `stored` of the columns as they stand there.
    fn scan_files(
        &self,
        table: &Table,
        files: &[PathBuf],
        stored: Option<Expr>,
    ) -> Result<LazyFrame, StoreError> {
        let mut frame = scan_parquet(table, files)?;
        if let Some(device) = &self.device {
            // Rows are sorted by bank: its name finds them, the logger's number tells them from others.
            let names: BTreeSet<&String> = self.marks.iter().flat_map(|mark| &mark.banks).collect();
            let names: Vec<String> = names.into_iter().cloned().collect();
            frame = frame.filter(is_one_of("bank", &names).and(col("device").eq(lit(device.as_str()))));
        }
        if let Some(stored) = stored {
            frame = frame.filter(stored);
        }
        Ok(self.banks.rename(table, frame, &self.marks)?)
    }
}

/// Whether a column has one of these texts.
pub(crate) fn is_one_of(column: &str, texts: &[String]) -> Expr {
    col(column).is_in(lit(Series::new(column.into(), texts)).implode(true), false)
}

/// A join that adds columns and leaves the rows where they are.
fn in_order() -> JoinArgs {
    JoinArgs { maintain_order: MaintainOrderJoin::Left, ..JoinArgs::new(JoinType::Left) }
}

/// The rows of these files as they stand there. A column that an older program did not write is null.
fn scan_parquet(table: &Table, files: &[PathBuf]) -> Result<LazyFrame, StoreError> {
    if let Some(path) = files.iter().find(|path| !path.is_file()) {
        return Err(StoreError::Gone { path: path.clone() });
    }
    let schema = table.schema();
    if files.is_empty() {
        return Ok(DataFrame::empty_with_schema(&schema).lazy());
    }
    let mut args = ScanArgsParquet {
        glob: false,
        schema: Some(Arc::new(schema)),
        allow_missing_columns: true,
        ..ScanArgsParquet::default()
    };
    args.hive_options.enabled = Some(false);
    let paths = files.iter().map(|path| path.to_string_lossy().as_ref().into()).collect();
    Ok(LazyFrame::scan_parquet_files(paths, args)?)
}

/// Format of the store in `dir`: one that this program can read.
fn format(dir: &Path) -> Result<i64, StoreError> {
    let path = dir.join("store.toml");
    let text =
        fs::read_to_string(&path).map_err(|source| StoreError::NoStore { path: dir.to_owned(), source })?;
    let table: Option<toml::Table> = text.parse().ok();
    let format = table.and_then(|table| table.get("format")?.as_integer());
    match format {
        Some(format @ 1..=NEWEST) => Ok(format),
        _ => Err(StoreError::Format { path, found: format, newest: NEWEST }),
    }
}

#[cfg(test)]
mod of_trial;
#[cfg(test)]
pub(crate) use of_trial::of_trial;
#[cfg(test)]
mod tests;
