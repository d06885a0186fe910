//! Files of the store: each is written wholly, or not at all.

use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use polars::polars_utils::compression::ZstdLevel;
use polars::prelude::{DataFrame, ParquetCompression, ParquetWriter};

use crate::store::StoreError;

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

/// Rows below which a table is not compressed: to get ready for a column takes longer then than to write it, and its name and
/// statistics take more room than its values. Compaction compresses all.
const FEW_ROWS: usize = 1000;

/// Writes a table.
pub(super) fn write_parquet(path: &Path, mut frame: DataFrame) -> Result<(), StoreError> {
    write_with(path, |file| {
        // The fastest level: compressing is what an ingest waits for.
        let compression = match frame.height() {
            ..FEW_ROWS => ParquetCompression::Uncompressed,
            _ => ParquetCompression::Zstd(ZstdLevel::try_new(1).ok()),
        };
        // A table has a page a column: hundreds of small writes.
        let mut file = BufWriter::with_capacity(1 << 20, file);
        let written = ParquetWriter::new(&mut file).with_compression(compression).finish(&mut frame);
        written.map_err(io::Error::other)?;
        file.flush()
    })
}

/// Writes a file wholly or not at all.
pub(in crate::store) fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
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
