//! Values of the clock's ten minutes, as IEC 61000-4-30 combines them.

use polars::prelude::{DataType, Expr, LazyFrame, PolarsResult, UnionArgs, col, concat, lit};

use super::{hours, or_zero};

/// Ten minutes.
pub const TEN_MINUTES_MS: i64 = 600_000;

/// A week: of Monday 00:00 UTC to the next.
pub const WEEK_MS: i64 = 604_800_000;

/// The first Monday since 1970-01-01, which was a Thursday.
const MONDAY_MS: i64 = 4 * 86_400_000;

/// End of the clock's ten minutes in which the middle of an interval lies, in UTC ms.
pub fn block_end() -> Expr {
    let length = col("interval_s").fill_null(lit(0.0)) * lit(500.0);
    let middle = col("time").to_physical() - length.cast(DataType::Int64);
    (middle.floor_div(lit(TEN_MINUTES_MS)) + lit(1_i64)) * lit(TEN_MINUTES_MS)
}

/// Beginning of the week in which ten minutes lie that end at `block_end`, in UTC ms.
pub fn week_begin(block_end: Expr) -> Expr {
    let ago = block_end - lit(1_i64) - lit(MONDAY_MS);
    ago.floor_div(lit(WEEK_MS)) * lit(WEEK_MS) + lit(MONDAY_MS)
}

/// Whether an interval stands for itself.
pub fn is_long() -> Expr {
    col("interval_s").gt_eq(lit(600.0))
}

/// What makes ten minutes the same ten minutes.
const KEY: [&str; 3] = ["bank", "device", "block_end"];

/// One row for each bank, logger and ten minutes of the clock in which `intervals` end: `block_end` (UTC ms), `block_hours`
/// measured, `block_flagged`, and of each of `values` the root of the mean of the squares over the windows.
///
/// Ten minutes are flagged when one interval in them is (IEC 61000-4-30 4.7, from memory: a flag goes on into what is made of
/// the value). An interval of ten minutes or longer stands for itself. Intervals without a time are in none.
///
/// # Errors
/// The table engine refuses.
pub fn ten_minutes(intervals: LazyFrame, values: &[&str]) -> PolarsResult<LazyFrame> {
    let timed = intervals.filter(col("time").is_not_null());
    let columns = |list: &[&str]| list.iter().map(|name| col(*name)).collect::<Vec<_>>();
    let mut alone = vec![
        col("bank"),
        col("device"),
        block_end().alias("block_end"),
        hours().alias("block_hours"),
        col("flagged").gt(lit(0)).alias("block_flagged"),
    ];
    alone.extend(columns(values));
    let long = timed.clone().filter(is_long()).select(alone.clone());
    alone.push(col("windows").cast(DataType::Float64).alias("weight"));
    let mean = |name: &&str| {
        let squares = (col(*name) * col(*name) * col("weight")).sum();
        let weights = or_zero(col(*name).is_not_null(), col("weight")).sum();
        (squares / weights).sqrt().fill_nan(lit(polars::prelude::NULL)).alias(*name)
    };
    let mut combined = vec![col("block_hours").sum(), col("block_flagged").any(true)];
    combined.extend(values.iter().map(mean));
    let short = timed.filter(is_long().not().or(col("interval_s").is_null()));
    let short = short.select(alone).group_by(KEY.map(col)).agg(combined);
    concat([long, short], UnionArgs::default())
}
