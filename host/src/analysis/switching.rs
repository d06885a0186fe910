//! What the switch of each bank did, how its poles and its inrush change, and what it has left.

use polars::lazy::dsl::{max_horizontal, min_horizontal};
use polars::prelude::{
    DataFrame, DataType, Expr, IntoLazy, JoinArgs, JoinCoalesce, JoinType, LazyFrame, NULL,
    SortMultipleOptions, TimeUnit, TimeZone, col, len, lit, when,
};
use wyelog_electrical::capacitor::DISCHARGE_SECONDS;
use wyelog_protocol::condition::Condition;

use super::slices::collect;
use super::slope::slope_per_year;
use super::{Filter, PHASES, days};
use crate::store::{EVENTS, OPERATIONS, Store, StoreError};

/// One row a bank and logger, of what began in the range:
///
/// - `operations`, `openings`, `closings`; `told`, `untold` by the contact input, `told_unknown` without one;
/// - `watched_days`: measured by intervals; `operations_per_day` of these;
/// - `first_time`, `last_time`: of the operations;
/// - `zero_spread_openings`: openings at which the current zeros of two poles or more were seen; `zero_spread_median_ms`,
///   `zero_spread_max_ms`, `zero_spread_last_ms`: from the first pole's current zero to the last one's. Poles of a grounded wye
///   that part together clear a sixth of a cycle apart (2.8 ms at 60 Hz);
/// - `pole_openings`: openings at which the current zeros of all three poles were seen; `pole_x_late_ms`: mean over these of how
///   much later the pole cleared than the mean of the three (below zero: earlier), `pole_x_late_sigma_ms`: standard deviation of
///   that mean. A pole clears at the next zero of its current: one opening says more about the point on the wave than about the
///   pole, up to a sixth of a cycle either way with poles that part together. Over openings at random points that averages out;
/// - `pole_x_late_slope_ms_per_year` with `pole_x_late_slope_sigma`: whether it changes;
/// - `inrush_median_a`, `inrush_max_a`, `inrush_last_a`: largest instantaneous neutral current of the closings, band-limited,
///   below 2.4 kHz: the crest of an inrush is higher;
/// - `zero_spread_slope_ms_per_year`, `inrush_slope_a_per_year`, each with its standard deviation as `…_sigma`: see
///   [`slope_per_year`];
/// - `charged_closings`: occurrences of `closed_while_charged`; `early_closings`: closings sooner after the last opening than a
///   unit may take to discharge (five minutes, IEEE Std 18); `shortest_open_s`: the soonest;
/// - `operations_left`, `maintenance_time`: of `maintenance` operations after which the switch is to be serviced, and when the last
///   of them began, or, while there are fewer, when that is at the rate of the range; null without.
///   The logger does not know of earlier services: begin the range at the last one.
///
/// The banks that switch most come first.
///
/// # Errors
/// The store cannot be read.
pub fn switching(store: &Store, filter: &Filter, maintenance: Option<u32>) -> Result<DataFrame, StoreError> {
    let key = || [col("bank"), col("device")];
    let watched = days::days(store, filter)?.group_by(key()).agg([
        (col("hours").sum() / lit(24.0)).alias("watched_days"),
        col("time").max().alias("watched_until"),
    ]);
    // Many rows become few before anything is joined to them.
    let watched = collect(watched)?.lazy();
    let operations = prepared(filter.rows(store, &OPERATIONS, "begin_time")?)?;
    let operations = operations.group_by(key()).agg(of_operations(maintenance));
    let is_charged = col("condition").eq(lit(Condition::ClosedWhileCharged.name()));
    let events = filter.rows(store, &EVENTS, "begin_time")?.filter(is_charged);
    let occurrence = ["bank", "device", "boot", "occurrence", "begin_frame"].map(col);
    let charged = events.group_by(occurrence).agg([len()]);
    let charged = charged.group_by(key()).agg([len().alias("charged_closings")]);
    let both = || JoinArgs::new(JoinType::Full).with_coalesce(JoinCoalesce::CoalesceColumns);
    let rows = watched.join(operations, key(), key(), both()).join(charged, key(), key(), both());
    let rows = store.with_feeders(rows);
    let counts = COUNTS.map(|name| col(name).cast(DataType::UInt32).fill_null(lit(0_u32)));
    let rows = rows.with_columns(counts);
    let per_day = col("operations").cast(DataType::Float64) / col("watched_days");
    let is_watched = col("watched_days").gt(lit(0.0));
    let rows =
        rows.with_column(when(is_watched).then(per_day).otherwise(lit(NULL)).alias("operations_per_day"));
    let rows = rows.with_columns(service(maintenance));
    let order =
        SortMultipleOptions::default().with_order_descending_multi([true, false]).with_nulls_last(true);
    Ok(rows.select(SHOWN.map(col)).sort(["operations_per_day", "bank"], order).collect()?)
}

const COUNTS: [&str; 10] = [
    "operations",
    "openings",
    "closings",
    "told",
    "untold",
    "told_unknown",
    "zero_spread_openings",
    "pole_openings",
    "early_closings",
    "charged_closings",
];

const SHOWN: [&str; 42] = [
    "bank",
    "feeder",
    "device",
    "watched_days",
    "operations",
    "operations_per_day",
    "openings",
    "closings",
    "told",
    "untold",
    "told_unknown",
    "first_time",
    "last_time",
    "zero_spread_openings",
    "zero_spread_median_ms",
    "zero_spread_max_ms",
    "zero_spread_last_ms",
    "zero_spread_slope_ms_per_year",
    "zero_spread_slope_sigma",
    "pole_openings",
    "pole_a_late_ms",
    "pole_a_late_sigma_ms",
    "pole_a_late_slope_ms_per_year",
    "pole_a_late_slope_sigma",
    "pole_b_late_ms",
    "pole_b_late_sigma_ms",
    "pole_b_late_slope_ms_per_year",
    "pole_b_late_slope_sigma",
    "pole_c_late_ms",
    "pole_c_late_sigma_ms",
    "pole_c_late_slope_ms_per_year",
    "pole_c_late_slope_sigma",
    "inrush_median_a",
    "inrush_max_a",
    "inrush_last_a",
    "inrush_slope_a_per_year",
    "inrush_slope_sigma",
    "early_closings",
    "shortest_open_s",
    "charged_closings",
    "operations_left",
    "maintenance_time",
];

/// Adds `zero_spread_ms` and `late_x_ms` of openings, `inrush_a` and `open_s` of closings; in order of time.
fn prepared(operations: LazyFrame) -> Result<LazyFrame, StoreError> {
    let is = |action: &str| col("action").eq(lit(action));
    let poles = || PHASES.map(|phase| col(format!("pole_{phase}_us")).cast(DataType::Float64));
    let seen = poles().map(|us| us.is_not_null().cast(DataType::UInt32));
    let seen = seen.into_iter().fold(lit(0_u32), |sum, pole| sum + pole);
    let spread = (max_horizontal(poles())? - min_horizontal(poles())?) / lit(1000.0);
    let is_spread = is("opened").and(seen.clone().gt_eq(lit(2_u32)));
    // The mean of two would be that of other poles.
    let mean = poles().into_iter().fold(lit(0.0), |sum, pole| sum + pole) / lit(3.0);
    let is_all = is("opened").and(seen.eq(lit(3_u32)));
    let late = poles().into_iter().zip(PHASES).map(|(pole, phase)| {
        let late = (pole - mean.clone()) / lit(1000.0);
        when(is_all.clone()).then(late).otherwise(lit(NULL)).alias(format!("late_{phase}_ms"))
    });
    let operations = operations.with_columns(late.collect::<Vec<_>>()).with_columns([
        when(is_spread).then(spread).otherwise(lit(NULL)).alias("zero_spread_ms"),
        when(is("closed")).then(col("neutral_peak_a")).otherwise(lit(NULL)).alias("inrush_a"),
        when(is("closed")).then(col("since_opening_s")).otherwise(lit(NULL)).alias("open_s"),
    ]);
    Ok(operations.sort(["boot", "begin_frame"], SortMultipleOptions::default()))
}

fn of_operations(maintenance: Option<u32>) -> Vec<Expr> {
    let count = |is: Expr| is.fill_null(lit(false)).cast(DataType::UInt32).sum();
    let mut out = vec![
        len().alias("operations"),
        count(col("action").eq(lit("opened"))).alias("openings"),
        count(col("action").eq(lit("closed"))).alias("closings"),
        count(col("told").eq(lit(1))).alias("told"),
        count(col("told").eq(lit(0))).alias("untold"),
        count(col("told").is_null()).alias("told_unknown"),
        col("begin_time").min().alias("first_time"),
        col("begin_time").max().alias("last_time"),
        count(col("zero_spread_ms").is_not_null()).alias("zero_spread_openings"),
        count(col("open_s").lt(lit(f64::from(DISCHARGE_SECONDS)))).alias("early_closings"),
        col("open_s").min().alias("shortest_open_s"),
    ];
    for (value, stem, unit, per_year) in
        [("zero_spread_ms", "zero_spread", "ms", "ms_per_year"), ("inrush_a", "inrush", "a", "a_per_year")]
    {
        out.push(col(value).median().alias(format!("{stem}_median_{unit}")));
        out.push(col(value).max().alias(format!("{stem}_max_{unit}")));
        out.push(col(value).drop_nulls().last().alias(format!("{stem}_last_{unit}")));
        let [slope, sigma] = slope_per_year("begin_time", value);
        out.push(slope.alias(format!("{stem}_slope_{per_year}")));
        out.push(sigma.alias(format!("{stem}_slope_sigma")));
    }
    // In order: the one after which the switch is to be serviced, if it has come.
    let place = maintenance.map_or(0, |maintenance| maintenance.saturating_sub(1));
    let reached = col("begin_time").slice(lit(i64::from(place)), lit(1_u32)).first();
    out.push(reached.to_physical().alias("reached_ms"));
    out.push(count(col("late_a_ms").is_not_null()).alias("pole_openings"));
    for phase in PHASES {
        let (value, stem) = (format!("late_{phase}_ms"), format!("pole_{phase}_late"));
        let late = || col(value.as_str());
        let openings = late().is_not_null().cast(DataType::Float64).sum();
        out.push(late().mean().alias(format!("{stem}_ms")));
        out.push((late().std(1) / openings.sqrt()).alias(format!("{stem}_sigma_ms")));
        let [slope, sigma] = slope_per_year("begin_time", &value);
        out.push(slope.alias(format!("{stem}_slope_ms_per_year")));
        out.push(sigma.alias(format!("{stem}_slope_sigma")));
    }
    out
}

/// `operations_left` and `maintenance_time`.
fn service(maintenance: Option<u32>) -> [Expr; 2] {
    const DAY_MS: f64 = 86_400_000.0;
    let time = || DataType::Datetime(TimeUnit::Milliseconds, Some(TimeZone::UTC));
    let Some(maintenance) = maintenance else {
        let none = lit(NULL);
        return [
            none.clone().cast(DataType::Int64).alias("operations_left"),
            none.cast(time()).alias("maintenance_time"),
        ];
    };
    let left = || lit(i64::from(maintenance)) - col("operations").cast(DataType::Int64);
    let ms = left().cast(DataType::Float64) / col("operations_per_day") * lit(DAY_MS);
    // Beyond a century there is nothing to plan.
    let is_near = col("operations_per_day").gt(lit(0.0)).and(ms.clone().abs().lt(lit(36_525.0 * DAY_MS)));
    let due = col("watched_until").to_physical() + ms.cast(DataType::Int64);
    let due = when(left().lt_eq(lit(0_i64))).then(col("reached_ms")).otherwise(due);
    let is_near = is_near.or(left().lt_eq(lit(0_i64)));
    [
        left().alias("operations_left"),
        when(is_near).then(due).otherwise(lit(NULL)).cast(time()).alias("maintenance_time"),
    ]
}
