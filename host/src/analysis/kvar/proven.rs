//! When what the phases have in common was last measured.

use std::collections::BTreeMap;

use polars::prelude::{DataFrame, DataType, LazyFrame, col, lit};
use wyelog_protocol::record::Basis;

use super::drift::Key;
use super::key;
use crate::analysis::Filter;
use crate::analysis::cells::Cells;
use crate::store::{BANK, BASELINES, Store, StoreError};

/// UTC ms and by what, of the banks of which anything was ever proven.
///
/// Opening: the last record of the open bank whose common part rests on openings. Pole: the first one of a start that rests on a
/// pole, whatever stood behind it. Harmonics: the last interval that rests on them. Baseline: when it was learned or confirmed; later copies of the record prove nothing new.
pub(super) fn proven(
    store: &Store,
    filter: &Filter,
    days: &DataFrame,
) -> Result<BTreeMap<Key, (i64, &'static str)>, StoreError> {
    let mut proven = BTreeMap::new();
    // What was proven before the range still holds in it.
    let until = Filter { from_ms: None, ..filter.clone() };
    let rests = |of: Basis| col("common_basis").eq(lit(of.name()));
    let banks = || until.scan(store, &BANK, "time");
    let open = col("state").eq(lit("open"));
    take(&mut proven, banks()?.filter(rests(Basis::Opening).and(open)), Basis::Opening.name())?;
    let starts = banks()?.filter(rests(Basis::Pole)).group_by(["bank", "device", "boot"].map(col));
    take(&mut proven, starts.agg([col("time").min()]), Basis::Pole.name())?;
    let holds = col("state").eq(lit("provisional")).or(col("state").eq(lit("confirmed")));
    let same = ["bank", "device", "state", "connected_a", "connected_b", "connected_c"].map(col);
    let baselines = until.scan(store, &BASELINES, "time")?.filter(holds);
    let decided = baselines.group_by(same).agg([col("time").min()]);
    take(&mut proven, decided, Basis::Baseline.name())?;
    let cells = Cells(days);
    for row in 0..cells.rows() {
        if let (Some(key), Some(ms)) = (key(cells, row), cells.real("harmonics_ms", row)) {
            later(&mut proven, key, ms as i64, Basis::Harmonics.name());
        }
    }
    Ok(proven)
}

fn take(
    proven: &mut BTreeMap<Key, (i64, &'static str)>,
    rows: LazyFrame,
    by: &'static str,
) -> Result<(), StoreError> {
    let last = col("time").max().cast(DataType::Int64).alias("ms");
    let frame = rows.group_by([col("bank"), col("device")]).agg([last]).collect()?;
    let cells = Cells(&frame);
    for row in 0..cells.rows() {
        if let (Some(key), Some(ms)) = (key(cells, row), cells.real("ms", row)) {
            later(proven, key, ms as i64, by);
        }
    }
    Ok(())
}

fn later(proven: &mut BTreeMap<Key, (i64, &'static str)>, key: Key, ms: i64, by: &'static str) {
    let kept = proven.entry(key).or_insert((ms, by));
    if ms > kept.0 {
        *kept = (ms, by);
    }
}
