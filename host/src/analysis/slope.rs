//! Straight lines through values over time, within a group.

use polars::prelude::{DataType, Expr, NULL, col, lit, when};

/// A Julian year.
pub const YEAR_MS: f64 = 365.25 * 86_400_000.0;

/// Fewest values of which a line and its standard deviation are said.
pub const LEAST: u32 = 3;

/// Slope of the column `value` over the time column `time`, per year of 365.25 days, by least squares, and its standard
/// deviation by what is left over. Null with less than [`LEAST`] values, or all at one time.
pub fn slope_per_year(time: &str, value: &str) -> [Expr; 2] {
    let is_known = || col(time).is_not_null().and(col(value).is_not_null());
    let years = || col(time).to_physical().cast(DataType::Float64).filter(is_known()) / lit(YEAR_MS);
    let values = || col(value).filter(is_known());
    // From the means: years since 1970 squared would cost digits.
    let (dx, dy) = (|| years() - years().mean(), || values() - values().mean());
    let (xx, xy, yy) = (|| (dx() * dx()).sum(), || (dx() * dy()).sum(), || (dy() * dy()).sum());
    let count = || is_known().cast(DataType::UInt32).sum();
    let slope = || xy() / xx();
    let left = || yy() - slope() * xy();
    let left = when(left().lt(lit(0.0))).then(lit(0.0)).otherwise(left());
    let sigma = (left / (count().cast(DataType::Float64) - lit(2.0)) / xx()).sqrt();
    let is_line = || count().gt_eq(lit(LEAST)).and(xx().gt(lit(0.0)));
    [slope(), sigma].map(|value| when(is_line()).then(value).otherwise(lit(NULL)))
}
