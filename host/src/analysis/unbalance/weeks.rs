//! What the ten-minute values of weeks show.

use polars::prelude::{
    DataType, Expr, LazyFrame, QuantileMethod, SortMultipleOptions, TimeUnit, TimeZone, col, lit,
};

use super::LEAST_OF_WEEK;
use crate::analysis::ten_minutes::{ten_minutes, week_begin};
use crate::analysis::{only, or_zero};
use crate::store::StoreError;

/// Those that standards speak of by ten minutes and weeks.
const STEMS: [&str; 3] = ["u2", "u0", "nema"];

/// A row for each bank and logger; columns as [`super::unbalance_by_weeks`] says.
pub(super) fn weeks(intervals: LazyFrame, limit_percent: f64) -> Result<LazyFrame, StoreError> {
    let named = |stem: &str, rest: &str| format!("{stem}_{rest}");
    let values = STEMS.map(|stem| named(stem, "percent"));
    let blocks = ten_minutes(intervals, &values.each_ref().map(String::as_str))?;
    let blocks = blocks.with_column(week_begin(col("block_end")).alias("week"));
    // What is flagged is no value.
    let good = || col("block_flagged").not();
    let blocks = blocks
        .with_columns(values.each_ref().map(|value| only(good(), col(value.as_str())).alias(value.as_str())));
    let mut of_week = vec![
        good().cast(DataType::UInt32).sum().alias("good"),
        col("block_flagged").cast(DataType::UInt32).sum().alias("flagged"),
    ];
    for (stem, value) in STEMS.iter().zip(&values) {
        let value = || col(value.as_str());
        let is_over = || value().gt(lit(limit_percent));
        of_week.push(value().count().cast(DataType::UInt32).alias(named(stem, "values")));
        of_week.push(value().quantile(lit(0.95), QuantileMethod::Linear).alias(named(stem, "p95")));
        of_week.push(is_over().cast(DataType::UInt32).sum().alias(named(stem, "over")));
        of_week.push(or_zero(is_over(), col("block_hours")).sum().alias(named(stem, "over_h")));
    }
    let week = ["bank", "feeder", "device", "week"].map(col);
    let weeks = blocks.group_by(week).agg(of_week);
    let is_whole = |stem: &str| col(named(stem, "values")).gt_eq(lit(LEAST_OF_WEEK));
    let moment = |week: Expr| week.cast(DataType::Datetime(TimeUnit::Milliseconds, Some(TimeZone::UTC)));
    let last_by = |of: &str, by: &str, stem: &str| {
        col(of)
            .filter(is_whole(stem))
            .sort_by([col(by).filter(is_whole(stem))], SortMultipleOptions::default())
    };
    let mut of_bank = vec![
        col("good").sum().alias("ten_minute_values"),
        col("flagged").sum().alias("flagged_ten_minute_values"),
        is_whole("u2").cast(DataType::UInt32).sum().alias("weeks"),
        moment(last_by("week", "week", "u2").last()).alias("last_week_begin"),
    ];
    for stem in STEMS {
        let p95 = named(stem, "p95");
        let share = lit(100.0) * col(named(stem, "over")).sum() / col(named(stem, "values")).sum();
        of_bank.push(col(named(stem, "over_h")).sum().alias(named(stem, "over_hours")));
        of_bank.push(share.fill_nan(lit(polars::prelude::NULL)).alias(named(stem, "over_percent")));
        of_bank.push(col(p95.as_str()).filter(is_whole(stem)).max().alias(named(stem, "week_p95_percent")));
        of_bank.push(moment(last_by("week", &p95, stem).last()).alias(named(stem, "week_begin")));
        of_bank.push(last_by(&p95, "week", stem).last().alias(named(stem, "last_week_p95_percent")));
    }
    Ok(weeks.group_by([col("bank"), col("device")]).agg(of_bank))
}
