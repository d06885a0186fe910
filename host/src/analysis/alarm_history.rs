//! Every alarm: when it began, was detected, announced and ended, how long it lasted, what it cost.

mod open;
mod restarts;
mod since;

use std::collections::{BTreeMap, BTreeSet};

use polars::prelude::{
    BooleanChunked, DataFrame, DataType, Expr, IntoLazy, JoinArgs, JoinType, LazyFrame, NamedFrom,
    NewChunkedArray, PolarsResult, Series, SortMultipleOptions, col, lit, when,
};
use sha2::{Digest, Sha256};
use wyelog_protocol::condition::Condition;

use super::cells::Cells;
use super::slices::collect;
use super::{Filter, PHASES, days, expected_kvar, hours};
use crate::store::{EVENTS, INTERVALS, Store, StoreError};

/// What makes an occurrence the same occurrence.
const KEY: [&str; 5] = ["device", "boot", "occurrence", "condition", "begin_frame"];

/// A start of a logger at a bank.
const START: [&str; 3] = ["device", "bank", "boot"];

/// Frames a second, for durations on the logger's own clock.
const FRAMES: f64 = wyelog_protocol::FRAMES_PER_SECOND as f64;

/// One row an occurrence: bank, condition, phases, route, `begin_time`, `detected_time`, `announced_time`, `end_time`
/// (null: it went on at the end of the log), `duration_s` to the end or to the last interval in the store,
/// `fraction` and `causes` as the latest record has them, `residual_pu` and `residual_deg` when it was detected, and
/// `kvarh_lost`: what the lost part of its phases would have delivered meanwhile at the voltages there were (the whole phase
/// where no fraction is known); null for conditions that take no capacitance away. `begin_frame` and
/// `end_frame` are there also while the clock had not been set, and `is_announced` is what `announced_time` says of others. `id`
/// names the occurrence: it stays the same whenever and
/// in whatever logs it is ingested. `voltage_x_v` are those of its latest record; of a sag, swell or interruption the lowest
/// or highest half-cycle voltages. `is_open`: its end is not in the records, and nothing later shows that it is over (see
/// [`AlarmRow::is_open`](super::fleet::AlarmRow::is_open)).
///
/// A logger that is started anew finds again what it had found. Of such occurrences only the last is open, and all but the last are
/// marked by `is_continued`. Columns that begin with `since_` are of the occurrence and those that go on in it: of the first
/// `since_id`, `since_time` with `since_time_quality` and `since_time_error_s`, `since_detected_time`, `since_boot` and `since_frame`;
/// `since_announced_time` of the first that was announced, `since_is_announced` whether one was; `since_duration_s` from there to the end
/// of the last, `since_recorded_s` without the time in which the logger was off, and `since_kvarh_lost` of all together. `noted_id` is
/// the one with the newest [note](Store::acknowledge).
///
/// A range of time picks what stood in it, and says what was known at its end: of an alarm that was announced or ended later, that
/// it goes on and is not announced, and durations and kvarh up to there.
///
/// # Errors
/// The store cannot be read.
pub fn alarm_history(store: &Store, filter: &Filter) -> Result<DataFrame, StoreError> {
    let until = Filter { from_ms: None, ..filter.clone() };
    let events = until.scan(store, &EVENTS, "time")?;
    let of = |change: &str, column: &str| col(column).filter(col("change").eq(lit(change))).first();
    let latest = |column: &str| {
        col(column).sort_by([col("frame")], SortMultipleOptions::default()).drop_nulls().last()
    };
    let alarms = events.group_by_stable(KEY.map(col)).agg([
        col("bank").first(),
        col("feeder").first(),
        // A sag knows its phases when it has ended.
        col("phases").sort_by([col("frame")], SortMultipleOptions::default()).last(),
        col("route").first(),
        latest("fraction"),
        latest("causes"),
        col("begin_time").first(),
        col("time_quality").first(),
        of("detected", "time").alias("detected_time"),
        of("announced", "time").alias("announced_time"),
        col("change").eq(lit("announced")).any(true).alias("is_announced"),
        of("ended", "end_time").alias("end_time"),
        of("ended", "end_frame").alias("end_frame"),
        of("detected", "residual_pu").alias("residual_pu"),
        of("detected", "residual_deg").alias("residual_deg"),
        col("time_error_s").first(),
        latest("voltage_a_v"),
        latest("voltage_b_v"),
        latest("voltage_c_v"),
    ]);
    let range = Filter { to_ms: filter.to_ms, ..Filter::default() };
    let intervals = range.rows(store, &INTERVALS, "time")?;
    let last = days::days(store, &range)?.group_by(START.map(col));
    let last = collect(last.agg([col("frame").max().alias("last_frame")]))?;
    let alarms = alarms.join(last.clone().lazy(), START.map(col), START.map(col), left());
    let until = || col("end_frame").fill_null(col("last_frame"));
    let frames = |name: Expr| name.cast(DataType::Float64);
    let duration = (frames(until()) - frames(col("begin_frame"))) / lit(FRAMES);
    let alarms = alarms.with_column(
        when(duration.clone().gt_eq(lit(0.0))).then(duration).otherwise(lit(0.0)).alias("duration_s"),
    );
    let alarms = alarms.collect()?.lazy();
    let lost = kvarh_lost(alarms.clone(), intervals.clone())?.lazy();
    let rows = alarms.join(lost, KEY.map(col), KEY.map(col), left());
    let shown = [
        "bank",
        "feeder",
        "device",
        "condition",
        "phases",
        "route",
        "fraction",
        "causes",
        "begin_time",
        "detected_time",
        "announced_time",
        "is_announced",
        "end_time",
        "duration_s",
        "residual_pu",
        "residual_deg",
        "kvarh_lost",
        "boot",
        "occurrence",
        "begin_frame",
        "end_frame",
        "time_quality",
        "time_error_s",
        "voltage_a_v",
        "voltage_b_v",
        "voltage_c_v",
    ];
    // Of the same moment: the same order each time.
    let order = SortMultipleOptions::default().with_order_descending(true).with_nulls_last(true);
    let by = ["begin_time", "device", "boot", "begin_frame", "occurrence", "condition"];
    let frame = rows.select(shown.map(col)).sort(by, order).collect()?;
    let cells = Cells(&frame);
    let links = restarts::links(cells, &starts(Cells(&last)), intervals)?;
    let mut open = open::open(store, &range, cells, Cells(&last))?;
    for (open, link) in open.iter_mut().zip(&links) {
        *open &= !link.is_taken_up;
    }
    let stood = BooleanChunked::from_iter_values(
        "stood".into(),
        (0..cells.rows()).map(|row| stood(cells, row, open.get(row) == Some(&true), filter.from_ms)),
    );
    let mut columns = since::since(store, cells, &links)?;
    columns.push(Series::new("is_open".into(), open).into());
    columns.push(
        Series::new("is_continued".into(), links.iter().map(|link| link.is_continued).collect::<Vec<_>>())
            .into(),
    );
    Ok(frame.hstack(&columns)?.filter(&stood)?)
}

/// The starts of each logger at each bank that have intervals.
fn starts(last: Cells<'_>) -> Starts {
    let mut starts = Starts::new();
    for row in 0..last.rows() {
        if let (Some(place), Some(boot)) = (place(last, row), last.whole("boot", row)) {
            starts.entry(place).or_default().insert(boot);
        }
    }
    starts
}

/// Logger and bank: what a logger finds again at another bank is another alarm.
type Place = (String, String);

type Starts = BTreeMap<Place, BTreeSet<u64>>;

fn place(cells: Cells<'_>, row: usize) -> Option<Place> {
    Some((cells.text("device", row)?, cells.text("bank", row).unwrap_or_default()))
}

/// Whether a row stood at this moment or later.
fn stood(cells: Cells<'_>, row: usize, is_open: bool, from_ms: Option<i64>) -> bool {
    let Some(from) = from_ms.filter(|_| !is_open) else { return true };
    let lasted_ms = cells.real("duration_s", row).unwrap_or(0.0) * 1000.0;
    let end = cells.ms("end_time", row).or_else(|| Some(cells.ms("begin_time", row)? + lasted_ms as i64));
    end.is_some_and(|end| end >= from)
}

/// Ten hexadecimal digits of the SHA-256 of what makes the occurrence the same occurrence.
fn id(cells: Cells<'_>, row: usize) -> Option<String> {
    let mut digest = Sha256::new();
    for text in [cells.text("device", row)?, cells.text("condition", row)?] {
        digest.update(text.as_bytes());
        digest.update([0]);
    }
    for number in ["boot", "occurrence", "begin_frame"] {
        digest.update(cells.whole(number, row)?.to_be_bytes());
    }
    Some(digest.finalize().iter().take(5).map(|byte| format!("{byte:02x}")).collect())
}

fn left() -> JoinArgs {
    JoinArgs::new(JoinType::Left)
}

/// Conditions that take away a phase or a part of it.
pub(super) const TAKES_AWAY: [Condition; 3] =
    [Condition::BlownFuse, Condition::PhaseMissingAtClose, Condition::UnitOut];

/// `KEY` and `kvarh_lost` of the conditions that take capacitance away: an interval counts by the part of it in which they stood.
fn kvarh_lost(alarms: LazyFrame, intervals: LazyFrame) -> PolarsResult<DataFrame> {
    let takes_away = TAKES_AWAY.iter().map(|condition| col("condition").eq(lit(condition.name())));
    let fuses = alarms.filter(takes_away.fold(lit(false), Expr::or));
    let more = vec![col("bank"), col("phases"), col("fraction"), col("end_frame")];
    let fuses = fuses.select([KEY.map(col).to_vec(), more].concat()).collect()?;
    // Named, not only joined: so that what lies elsewhere in the files is not read.
    let devices = fuses.column("device")?.unique()?.take_materialized_series();
    let intervals = intervals.filter(col("device").is_in(lit(devices).implode(true), false));
    let both = fuses.lazy().join(intervals, START.map(col), START.map(col), JoinArgs::new(JoinType::Inner));
    let frames = |name: &str| col(name).cast(DataType::Float64);
    let length = || hours() * lit(3600.0 * FRAMES);
    let from = frames("frame") - length();
    let later = |a: Expr, b: Expr| when(a.clone().gt(b.clone())).then(a).otherwise(b);
    let earlier = |a: Expr, b: Expr| when(a.clone().lt(b.clone())).then(a).otherwise(b);
    let end = frames("end_frame").fill_null(frames("frame"));
    let overlap = earlier(frames("frame"), end) - later(from, frames("begin_frame"));
    let part = when(overlap.clone().gt(lit(0.0))).then(overlap / length()).otherwise(lit(0.0));
    let expected = PHASES.iter().map(|phase| {
        let letter = phase.to_uppercase();
        let named = col("phases").str().contains_literal(lit(letter));
        when(named).then(expected_kvar(phase)).otherwise(lit(0.0))
    });
    let expected = expected.fold(lit(0.0), |sum, phase| sum + phase);
    let lost = expected * col("fraction").fill_null(lit(1.0));
    // Never the intervals of all alarms at once.
    collect(both.group_by(KEY.map(col)).agg([(lost * hours() * part).sum().alias("kvarh_lost")]))
}

#[cfg(test)]
mod tests;
