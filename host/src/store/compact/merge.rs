//! Rows of several files, sorted, a batch at a time.

use std::collections::BTreeMap;
use std::fs::File;
use std::path::{Path, PathBuf};

use polars::prelude::{
    DataFrame, IntoLazy, JoinArgs, JoinType, LazyFrame, ParquetReader, SerReader, SortMultipleOptions, col,
    lit,
};

use super::Compaction;
use super::sorted::Part;
use crate::store::manifest::Live;
use crate::store::{StoreError, Table, scan_parquet};

/// What rows are sorted by. No two rows of a table have all of it in common.
const KEY: [&str; 7] = ["bank", "time", "device", "boot", "frame", "sequence", "time_logger"];

/// Banks of which the rows are in memory together; or one bank with too many rows for that.
#[derive(Debug, Default)]
struct Batch {
    banks: Vec<String>,
    rows: usize,
    /// Files that hold them, by index.
    files: Vec<usize>,
}

/// Writes the rows of `small` into new files `compacted-NUMBER-….parquet` in the folder. Gives their names and sizes.
pub fn merge(
    dir: &Path,
    table: &'static Table,
    folder: &str,
    number: u32,
    small: &[(Live, u64)],
    rule: &Compaction,
) -> Result<Vec<(String, u64)>, StoreError> {
    // A value takes eight bytes, the texts and what goes with them some more.
    let most_rows = usize::try_from(rule.batch_bytes / (table.columns.len() as u64 * 9)).unwrap_or(1).max(1);
    let batches = batches(dir, small, most_rows)?;
    let rows: usize = batches.iter().map(|batch| batch.rows).sum();
    let bytes: u64 = small.iter().map(|(_, bytes)| bytes).sum();
    let count =
        usize::try_from((bytes + rule.target_bytes / 2) / rule.target_bytes.max(1)).unwrap_or(1).max(1);
    let rows_each = rows.div_ceil(count).max(1);
    let (mut made, mut written) = (Vec::new(), 0);
    let mut part: Option<Part> = None;
    for batch in batches {
        let files: Vec<PathBuf> =
            batch.files.iter().filter_map(|index| Some(dir.join(&small.get(*index)?.0.file))).collect();
        let (Some(first), Some(last)) = (batch.banks.first(), batch.banks.last()) else { continue };
        let of_banks = col("bank").gt_eq(lit(first.as_str())).and(col("bank").lt_eq(lit(last.as_str())));
        let frame = scan_parquet(table, &files)?.filter(of_banks);
        for piece in pieces(&frame, batch.rows, most_rows)? {
            let sorted = sort(piece).collect()?;
            written += sorted.height();
            let open = match part.take() {
                Some(part) => part,
                None => {
                    let name = format!("compacted-{number:06}-{}.parquet", made.len());
                    Part::new(&dir.join(folder), name, table)?
                }
            };
            let open = open.write(sorted)?;
            // By all that was written, not by this file: so that the last one is not a small rest.
            if written >= rows_each.saturating_mul(made.len() + 1) {
                made.push(open.finish()?);
            } else {
                part = Some(open);
            }
        }
    }
    made.extend(part.map(Part::finish).transpose()?);
    if written != rows {
        // Nothing refers to the new files yet: the next writer removes them.
        return Err(StoreError::Rows { path: dir.join(folder), expected: rows, found: written });
    }
    Ok(made.into_iter().map(|(name, bytes)| (format!("{folder}/{name}"), bytes)).collect())
}

/// Which banks are in the files, in order, so many that their rows fit.
fn batches(dir: &Path, small: &[(Live, u64)], most_rows: usize) -> Result<Vec<Batch>, StoreError> {
    let mut banks: BTreeMap<String, (usize, Vec<usize>)> = BTreeMap::new();
    for (index, (live, _)) in small.iter().enumerate() {
        for (bank, rows) in rows_by_bank(&dir.join(&live.file), live.bank.as_deref())? {
            let entry = banks.entry(bank).or_default();
            entry.0 += rows;
            entry.1.push(index);
        }
    }
    let mut batches: Vec<Batch> = Vec::new();
    for (bank, (rows, files)) in banks {
        let last = match batches.last_mut() {
            Some(last) if last.rows + rows <= most_rows => last,
            _ => {
                batches.push(Batch::default());
                let Some(last) = batches.last_mut() else { continue };
                last
            }
        };
        last.banks.push(bank);
        last.rows += rows;
        last.files.extend(files);
        last.files.sort_unstable();
        last.files.dedup();
    }
    Ok(batches)
}

/// `only` is the only bank in the file, if that is known.
fn rows_by_bank(path: &Path, only: Option<&str>) -> Result<BTreeMap<String, usize>, StoreError> {
    let file = File::open(path).map_err(|_| StoreError::Gone { path: path.to_owned() })?;
    let mut reader = ParquetReader::new(file);
    if let Some(bank) = only {
        return Ok(BTreeMap::from([(bank.to_owned(), reader.num_rows()?)]));
    }
    let frame = reader.with_columns(Some(vec!["bank".to_owned()])).finish()?;
    let mut rows = BTreeMap::new();
    for bank in frame.column("bank")?.str()?.iter() {
        let bank = bank.unwrap_or_default();
        match rows.get_mut(bank) {
            Some(count) => *count += 1,
            None => drop(rows.insert(bank.to_owned(), 1)),
        }
    }
    Ok(rows)
}

/// The rows in pieces that fit, the pieces in order. Several only for a bank with very many rows, such as one whose logger
/// has had no clock for years.
fn pieces(frame: &LazyFrame, rows: usize, most_rows: usize) -> Result<Vec<LazyFrame>, StoreError> {
    if rows <= most_rows {
        return Ok(vec![frame.clone()]);
    }
    let keys: DataFrame = sort(frame.clone().select(KEY.map(col))).collect()?;
    let starts = (0..keys.height()).step_by(most_rows);
    let pieces = starts.map(|start| {
        let keys = keys.slice(start as i64, most_rows).lazy();
        let args = JoinArgs { nulls_equal: true, ..JoinArgs::new(JoinType::Semi) };
        frame.clone().join(keys, KEY.map(col), KEY.map(col), args)
    });
    Ok(pieces.collect())
}

fn sort(frame: LazyFrame) -> LazyFrame {
    frame.sort_by_exprs(KEY.map(col), SortMultipleOptions::default())
}
