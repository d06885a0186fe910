//! Every alarm: when it began, was detected, announced and ended, how long it lasted, what it cost.

mod open;

use polars::prelude::{
    DataFrame, DataType, Expr, IntoLazy, JoinArgs, JoinType, LazyFrame, NamedFrom, PolarsResult, Series,
    SortMultipleOptions, col, lit, when,
};
use sha2::{Digest, Sha256};
use wyelog_protocol::condition::Condition;

use super::cells::Cells;
use super::slices::collect;
use super::{Filter, PHASES, days, expected_kvar, hours};
use crate::store::{EVENTS, INTERVALS, Store, StoreError};

/// What makes an occurrence the same occurrence.
const KEY: [&str; 5] = ["device", "boot", "occurrence", "condition", "begin_frame"];

/// Frames a second, for durations on the logger's own clock.
const FRAMES: f64 = wyelog_protocol::FRAMES_PER_SECOND as f64;

/// One row an occurrence: bank, condition, phases, route, `begin_time`, `detected_time`, `announced_time`, `end_time`
/// (null: it went on at the end of the log), `duration_s` to the end or to the last interval in the store,
/// `fraction` and `causes` as the latest record has them, `residual_pu` and `residual_deg` when it was detected, and
/// `kvarh_lost`: what the lost part of its phases would have delivered meanwhile at the voltages there were (the whole phase
/// where no fraction is known); null for conditions that take no capacitance away. `begin_frame` and
/// `end_frame` are there also while the clock had not been set. `id` names the occurrence: it stays the same whenever and
/// in whatever logs it is ingested. `voltage_x_v` are those of its latest record; of a sag, swell or interruption the lowest
/// or highest half-cycle voltages. `is_open`: its end is not in the records, and nothing later shows that it is over (see
/// [`AlarmRow::is_open`](super::fleet::AlarmRow::is_open)).
///
/// A range of time picks the occurrences that begin in it.
///
/// # Errors
/// The store cannot be read.
pub fn alarm_history(store: &Store, filter: &Filter) -> Result<DataFrame, StoreError> {
    let events = filter.scan(store, &EVENTS, "begin_time")?;
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
        of("ended", "end_time").alias("end_time"),
        of("ended", "end_frame").alias("end_frame"),
        of("detected", "residual_pu").alias("residual_pu"),
        of("detected", "residual_deg").alias("residual_deg"),
        col("time_error_s").first(),
        latest("voltage_a_v"),
        latest("voltage_b_v"),
        latest("voltage_c_v"),
    ]);
    let intervals = store.scan_rows(&INTERVALS)?;
    let last = days::days(store, &Filter::default())?.group_by([col("device"), col("boot")]);
    let last = collect(last.agg([col("frame").max().alias("last_frame")]))?;
    let alarms =
        alarms.join(last.clone().lazy(), [col("device"), col("boot")], [col("device"), col("boot")], left());
    let until = || col("end_frame").fill_null(col("last_frame"));
    let frames = |name: Expr| name.cast(DataType::Float64);
    let duration = (frames(until()) - frames(col("begin_frame"))) / lit(FRAMES);
    let alarms = alarms.with_column(
        when(duration.clone().gt_eq(lit(0.0))).then(duration).otherwise(lit(0.0)).alias("duration_s"),
    );
    let alarms = alarms.collect()?.lazy();
    let lost = kvarh_lost(alarms.clone(), intervals)?.lazy();
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
    let order = SortMultipleOptions::default().with_order_descending(true).with_nulls_last(true);
    let frame = rows.select(shown.map(col)).sort(["begin_time"], order).collect()?;
    let cells = Cells(&frame);
    let ids: Vec<Option<String>> = (0..cells.rows()).map(|row| id(cells, row)).collect();
    let open = open::open(store, cells, Cells(&last))?;
    let columns = [Series::new("id".into(), ids).into(), Series::new("is_open".into(), open).into()];
    Ok(frame.hstack(&columns)?)
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

/// An alarm that was looked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Found {
    /// Its id.
    pub id: String,
    /// "Quillmere 3: blown_fuse B, 2030-05-05T22:36:00.000Z".
    pub words: String,
}

/// The alarms whose id begins with `prefix`; none for an empty one.
///
/// # Errors
/// The store cannot be read.
pub fn find(store: &Store, filter: &Filter, prefix: &str) -> Result<Vec<Found>, StoreError> {
    let history = alarm_history(store, filter)?;
    let cells = Cells(&history);
    let of = |row: usize| {
        let id = cells.text("id", row).filter(|id| !prefix.is_empty() && id.starts_with(prefix))?;
        let when = cells.ms("begin_time", row).and_then(|ms| u64::try_from(ms).ok());
        let when = when.map_or_else(String::new, |ms| format!(", {}", crate::time::utc(ms)));
        let [bank, condition, phases] =
            ["bank", "condition", "phases"].map(|name| cells.text(name, row).unwrap_or_default());
        Some(Found { id, words: format!("{bank}: {condition} {phases}{when}") })
    };
    Ok((0..cells.rows()).filter_map(of).collect())
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
    let more = vec![col("phases"), col("fraction"), col("end_frame")];
    let fuses = fuses.select([KEY.map(col).to_vec(), more].concat()).collect()?;
    // Named, not only joined: so that what lies elsewhere in the files is not read.
    let devices = fuses.column("device")?.unique()?.take_materialized_series();
    let intervals = intervals.filter(col("device").is_in(lit(devices).implode(true), false));
    let both = fuses.lazy().join(
        intervals,
        [col("device"), col("boot")],
        [col("device"), col("boot")],
        JoinArgs::new(JoinType::Inner),
    );
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
