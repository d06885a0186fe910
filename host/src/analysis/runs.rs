//! Rows of a store lie together by banks: which rows a bank has is a few runs, its values are slices of the columns, and no group-by has
//! to look up each row's bank.

use std::collections::BTreeMap;
use std::ops::Range;
use std::thread;

use polars::prelude::{
    ChunkQuantile, ChunkedArray, DataFrame, Float64Chunked, PlSmallStr, PolarsNumericType, PolarsResult,
    QuantileMethod, polars_err,
};

/// Bank and logger.
pub(super) type Key<'r> = (Option<&'r str>, Option<&'r str>);

/// Rows of one bank and logger: which piece of the columns, and where in it.
pub(super) type Run = (usize, Range<usize>);

/// A column in its pieces.
pub(super) type Pieces<'r, T> = Vec<&'r [T]>;

/// Of a column without nulls.
pub(super) fn pieces<T: PolarsNumericType>(column: &ChunkedArray<T>) -> Pieces<'_, T::Native> {
    column.downcast_iter().map(|piece| piece.values().as_slice()).collect()
}

/// Which rows are of which bank and logger.
pub(super) fn runs(rows: &DataFrame) -> PolarsResult<BTreeMap<Key<'_>, Vec<Run>>> {
    let [banks, devices] = [rows.column("bank")?.str()?, rows.column("device")?.str()?];
    let texts: Vec<_> = banks.downcast_iter().zip(devices.downcast_iter()).collect();
    let found = in_parts(texts.len(), |part| {
        let mut runs: Vec<(Key<'_>, Run)> = Vec::new();
        for (piece, (banks, devices)) in part.clone().zip(texts.get(part).unwrap_or_default()) {
            for (row, key) in banks.iter().zip(devices.iter()).enumerate() {
                match runs.last_mut() {
                    Some((last, (of, run))) if *of == piece && *last == key => run.end = row + 1,
                    _ => runs.push((key, (piece, row..row + 1))),
                }
            }
        }
        runs
    })?;
    let mut all: BTreeMap<Key<'_>, Vec<Run>> = BTreeMap::new();
    for (key, run) in found {
        all.entry(key).or_default().push(run);
    }
    Ok(all)
}

/// What `of` gives for each part of so many, a part a core, in order.
pub(super) fn in_parts<T: Send>(
    count: usize,
    of: impl Fn(Range<usize>) -> Vec<T> + Sync,
) -> PolarsResult<Vec<T>> {
    let cores = thread::available_parallelism().map_or(1, usize::from);
    let each = count.div_ceil(cores).max(1);
    thread::scope(|scope| {
        let of = &of;
        let parts = (0..count).step_by(each).map(|first| first..count.min(first + each));
        let threads: Vec<_> = parts.map(|part| scope.spawn(move || of(part))).collect();
        let mut all = Vec::with_capacity(count.min(1 << 16));
        for thread in threads {
            all.extend(
                thread.join().map_err(|_| polars_err!(ComputeError: "a thread ended without a word"))?,
            );
        }
        Ok(all)
    })
}

pub(super) fn slice<'v, T>(pieces: &Pieces<'v, T>, (piece, run): &Run) -> &'v [T] {
    pieces.get(*piece).and_then(|piece| piece.get(run.clone())).unwrap_or_default()
}

/// Linear between ranks.
pub(super) fn p95(values: Vec<f64>) -> Option<f64> {
    let values = Float64Chunked::from_vec(PlSmallStr::EMPTY, values);
    values.quantile(0.95, QuantileMethod::Linear).ok().flatten()
}
