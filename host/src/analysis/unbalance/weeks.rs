//! What the ten-minute values of weeks show.

use polars::prelude::{DataType, Expr, LazyFrame, PolarsResult, TimeUnit, TimeZone, col, element, len, lit};

use super::LEAST_OF_WEEK;
use crate::analysis::percentile::{listed, p95};
use crate::analysis::ten_minutes::{ten_minutes, week_begin};
use crate::analysis::{only, or_zero};

/// Those that standards speak of by ten minutes and weeks.
pub(super) const STEMS: [&str; 3] = ["u2", "u0", "nema"];

fn named(stem: &str, rest: &str) -> String {
    format!("{stem}_{rest}")
}

/// A row for each bank and logger; columns as [`super::unbalance_by_weeks`] says.
pub(super) fn weeks(intervals: LazyFrame, limit_percent: f64) -> PolarsResult<LazyFrame> {
    let values = STEMS.map(|stem| named(stem, "percent"));
    let blocks = ten_minutes(intervals, &values.each_ref().map(String::as_str))?;
    let blocks = blocks.with_column(week_begin(col("block_end")).alias("week"));
    // What is flagged is no value.
    let good = || col("block_flagged").not();
    let blocks = blocks
        .with_columns(values.each_ref().map(|value| only(good(), col(value.as_str())).alias(value.as_str())));
    let blocks = blocks.with_columns(over(limit_percent));
    let groups = blocks.group_by(["bank", "device", "week"].map(col)).agg(of_week());
    Ok(of_banks(groups.with_columns(of_lists(limit_percent))))
}

/// Of ten-minute values: `x_over_hours`, the hours that each has above the limit.
pub(super) fn over(limit_percent: f64) -> [Expr; 3] {
    STEMS.map(|stem| {
        let is_over = col(named(stem, "percent")).gt(lit(limit_percent));
        or_zero(is_over, col("block_hours")).alias(named(stem, "over_hours"))
    })
}

/// What a group of ten-minute values of one week sums up: values as lists `x_values`.
pub(super) fn of_week() -> Vec<Expr> {
    let flagged = || col("block_flagged").cast(DataType::UInt32).sum();
    let mut columns = vec![(len() - flagged()).alias("good"), flagged().alias("flagged")];
    for stem in STEMS {
        columns.push(listed(&named(stem, "percent"), &named(stem, "values")));
        columns.push(col(named(stem, "over_hours")).sum());
    }
    columns
}

/// What the lists of a week come to: `x_count`, `x_over` above the limit, and the 95th percentile instead of `x_values`.
pub(super) fn of_lists(limit_percent: f64) -> Vec<Expr> {
    let of = |stem: &&str| {
        let values = named(stem, "values");
        let list = || col(values.as_str()).list();
        [
            list().agg(element().count()).cast(DataType::UInt32).alias(named(stem, "count")),
            list()
                .agg(element().gt(lit(limit_percent)).sum())
                .cast(DataType::UInt32)
                .alias(named(stem, "over")),
            p95(&values),
        ]
    };
    STEMS.iter().flat_map(of).collect()
}

/// What the weeks of a bank come to.
pub(super) fn of_banks(weeks: LazyFrame) -> LazyFrame {
    let is_whole = |stem: &str| col(named(stem, "count")).gt_eq(lit(LEAST_OF_WEEK));
    let moment = |week: Expr| week.cast(DataType::Datetime(TimeUnit::Milliseconds, Some(TimeZone::UTC)));
    // Of the whole week with the largest `by`. Of weeks that are alike the latest: without that rule a store would answer
    // differently from run to run, since no group has an order.
    let at_largest = |of: &str, by: &str, stem: &str| {
        let largest = col(by).filter(is_whole(stem)).max();
        col(of).filter(is_whole(stem).and(col(by).eq(largest))).max()
    };
    let mut of_bank = vec![
        col("good").sum().alias("ten_minute_values"),
        col("flagged").sum().alias("flagged_ten_minute_values"),
        is_whole("u2").cast(DataType::UInt32).sum().alias("weeks"),
        moment(at_largest("week", "week", "u2")).alias("last_week_begin"),
    ];
    for stem in STEMS {
        let p95 = named(stem, "values");
        let share = lit(100.0) * col(named(stem, "over")).sum() / col(named(stem, "count")).sum();
        of_bank.push(col(named(stem, "over_hours")).sum());
        of_bank.push(share.fill_nan(lit(polars::prelude::NULL)).alias(named(stem, "over_percent")));
        of_bank.push(col(p95.as_str()).filter(is_whole(stem)).max().alias(named(stem, "week_p95_percent")));
        of_bank.push(moment(at_largest("week", &p95, stem)).alias(named(stem, "week_begin")));
        of_bank.push(at_largest(&p95, "week", stem).alias(named(stem, "last_week_p95_percent")));
    }
    weeks.group_by([col("bank"), col("device")]).agg(of_bank)
}
