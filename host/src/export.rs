//! A store's tables and waveforms for other programs: Parquet, CSV, COMTRADE.
//!
//! What is written is written wholly or not at all, and row by row: memory does not grow with the store. Columns have the units
//! in their names that they have in the store.

mod waveforms;

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use polars::io::parquet::write::BatchedWriter;
use polars::prelude::{DataFrame, ParquetWriter, PolarsError};
use tempfile::NamedTempFile;
use thiserror::Error;

pub use waveforms::{Waveforms, waveforms};

use crate::analysis::{Filter, days};
use crate::batches::in_batches;
use crate::store::{Store, StoreError, Table};
use crate::tables::to_csv_lines;

/// Rows of a row group of Parquet, at least, but of the last one.
const GROUP_ROWS: usize = 100_000;

/// How a table is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// Parquet, zstd.
    Parquet,
    /// CSV with a head line, UTC as `2030-01-01T00:00:00.000Z`, nothing for null.
    Csv,
}

/// Why nothing was written.
#[derive(Debug, Error)]
pub enum ExportError {
    /// Something has that name.
    #[error("{}: there is one already; name another, or replace it with --force", path.display())]
    Exists {
        /// The file or folder.
        path: PathBuf,
    },
    /// A waveform cannot be written.
    #[error("{0}; make room or check the rights; nothing was left behind")]
    Comtrade(#[from] wyelog_simulator::comtrade::Error),
    /// The store cannot be read, or the file not be written.
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl From<PolarsError> for ExportError {
    fn from(error: PolarsError) -> Self {
        Self::Store(error.into())
    }
}

/// Writes the rows of a table that `filter` picks by their `time`, with the feeder of each bank; in the order of the store: log by
/// log, each as its logger wrote it. Of days that the range cuts it is what lies in it. Returns how many.
///
/// # Errors
/// As [`ExportError`]; `path` is as it was then.
pub fn table(
    store: &Store,
    table: &Table,
    filter: &Filter,
    format: Format,
    path: &Path,
    replace: bool,
) -> Result<u64, ExportError> {
    if !replace && path.exists() {
        return Err(ExportError::Exists { path: path.to_owned() });
    }
    let frame = days::rows(store, table, filter)?;
    let cannot = |source: io::Error| StoreError::WriteOut { path: path.to_owned(), source };
    let mut out = Out::new(path).map_err(cannot)?;
    let mut empty = frame.clone().limit(0).collect()?;
    let mut sink = match format {
        Format::Csv => {
            out.write_all(&to_csv_lines(&mut empty, true)?).map_err(cannot)?;
            Sink::Csv(&mut out)
        }
        Format::Parquet => Sink::Parquet {
            writer: Box::new(ParquetWriter::new(&mut out).batched(empty.schema())?),
            waiting: empty.clone(),
        },
    };
    let mut rows = 0;
    in_batches(frame, ExportError::from, |batch| {
        rows += batch.height() as u64;
        sink.take(batch).map_err(|error| written(error, path))
    })?;
    sink.end().map_err(|error| written(error, path))?;
    out.persist(path, replace).map_err(cannot)?;
    Ok(rows)
}

/// A full disk is about the file, not about the tables.
fn written(error: PolarsError, path: &Path) -> ExportError {
    match error {
        PolarsError::IO { error, .. } => {
            let source = io::Error::new(error.kind(), error.to_string());
            StoreError::WriteOut { path: path.to_owned(), source }.into()
        }
        error => error.into(),
    }
}

/// Where batches go.
#[allow(clippy::large_enum_variant, reason = "there is one at a time")]
enum Sink<'o> {
    Csv(&'o mut Out),
    Parquet { writer: Box<BatchedWriter<&'o mut Out>>, waiting: DataFrame },
}

impl Sink<'_> {
    fn take(&mut self, mut batch: DataFrame) -> Result<(), PolarsError> {
        match self {
            // Without a row it would be an empty line.
            Self::Csv(_) if batch.height() == 0 => Ok(()),
            Self::Csv(out) => Ok(out.write_all(&to_csv_lines(&mut batch, false)?)?),
            Self::Parquet { writer, waiting } => {
                waiting.vstack_mut_owned(batch)?;
                if waiting.height() >= GROUP_ROWS {
                    waiting.align_chunks_par();
                    writer.write_batch(waiting)?;
                    *waiting = waiting.clear();
                }
                Ok(())
            }
        }
    }

    fn end(self) -> Result<(), PolarsError> {
        if let Self::Parquet { mut writer, mut waiting } = self {
            waiting.align_chunks_par();
            writer.write_batch(&waiting)?;
            writer.finish()?;
        }
        Ok(())
    }
}

/// A file that is there when it is whole.
struct Out {
    file: BufWriter<NamedTempFile>,
}

impl Out {
    fn new(path: &Path) -> io::Result<Self> {
        let file = tempfile::Builder::new().prefix(".wyelog-export-").tempfile_in(folder_of(path))?;
        Ok(Self { file: BufWriter::new(file) })
    }

    fn persist(self, path: &Path, replace: bool) -> io::Result<()> {
        let file = self.file.into_inner().map_err(io::IntoInnerError::into_error)?;
        file.as_file().sync_all()?;
        for_others(file.as_file(), 0o644)?;
        let done = if replace { file.persist(path) } else { file.persist_noclobber(path) };
        done.map(drop).map_err(|error| error.error)
    }
}

impl Write for Out {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

/// Where a file lies.
fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// A temporary file is its maker's alone; what is exported is for others too.
fn for_others(file: &File, mode: u32) -> io::Result<()> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        file.set_permissions(std::fs::Permissions::from_mode(mode))?;
    }
    #[cfg(not(unix))]
    let _ = (file, mode);
    Ok(())
}

#[cfg(test)]
mod tests;
