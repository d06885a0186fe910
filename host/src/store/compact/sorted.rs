//! A file of sorted rows while it is written.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use polars::io::parquet::write::BatchedWriter;
use polars::polars_utils::compression::ZstdLevel;
use polars::prelude::{DataFrame, ParquetCompression, ParquetWriter, PolarsError};

use crate::store::{StoreError, Table};

/// Rows of a row group, at most: who asks for one bank reads no more than that too much.
const GROUP_ROWS: usize = 1 << 16;

/// The file; given up before it is finished, it is removed.
pub struct Part {
    /// Its name once it is whole.
    name: String,
    folder: PathBuf,
    /// It, under the name it has until then.
    half: Half,
    file: File,
    writer: BatchedWriter<File>,
}

/// The path of a file that goes away with it.
struct Half(PathBuf);

impl Drop for Half {
    fn drop(&mut self) {
        // If it cannot be removed, the next writer does.
        let _ = fs::remove_file(&self.0);
    }
}

impl Part {
    pub fn new(folder: &Path, name: String, table: &Table) -> Result<Self, StoreError> {
        let half = Half(folder.join(format!("_{name}")));
        let fail = |source| StoreError::Write { path: folder.join(&name), source };
        let file = File::create(&half.0).map_err(fail)?;
        let zstd = ParquetCompression::Zstd(ZstdLevel::try_new(3).ok());
        let writer = ParquetWriter::new(file.try_clone().map_err(fail)?).with_compression(zstd);
        let writer = writer.batched(&table.schema())?;
        Ok(Self { name, folder: folder.to_owned(), half, file, writer })
    }

    pub fn write(mut self, frame: DataFrame) -> Result<Self, StoreError> {
        let mut frame = frame;
        let groups = frame.height().div_ceil(GROUP_ROWS).max(1);
        let rows = frame.height().div_ceil(groups).max(1);
        frame.rechunk_mut_par();
        for start in (0..frame.height()).step_by(rows) {
            let group = frame.slice(start as i64, rows);
            self.writer.write_batch(&group).map_err(|error| self.failed(error))?;
        }
        Ok(self)
    }

    /// Gives its name and size.
    pub fn finish(self) -> Result<(String, u64), StoreError> {
        self.writer.finish().map_err(|error| self.failed(error))?;
        let path = self.folder.join(&self.name);
        let placed = self.file.sync_all().and_then(|()| fs::rename(&self.half.0, &path));
        let bytes = placed.and_then(|()| Ok(self.file.metadata()?.len()));
        let bytes = bytes.map_err(|source| StoreError::Write { path, source })?;
        Ok((self.name, bytes))
    }

    fn failed(&self, error: PolarsError) -> StoreError {
        StoreError::Write { path: self.folder.join(&self.name), source: io::Error::other(error) }
    }
}
