//! What follows from the columns of an interval, as expressions over rows of intervals.

use polars::prelude::{DataType, Expr, NULL, SortOptions, col, element, lit, when};
use polars::series::ops::NullBehavior;

/// Length of an interval in hours: its windows are 10 or 12 cycles of the measured frequency, 200 ms at the rated one.
pub fn hours() -> Expr {
    let stretch = (col("rated_hz") / col("frequency_hz")).fill_null(lit(1.0));
    col("windows").cast(DataType::Float64) * lit(0.2 / 3600.0) * stretch
}

/// What a whole phase would give at the voltage and frequency of the interval, in kvar: Q_r·(V/V_r)²·f/f_r; nothing where the
/// bank has no such phase.
pub fn expected_kvar(phase: &str) -> Expr {
    let ratio = col(format!("voltage_{phase}_v").as_str()) / col("unit_voltage_v");
    let whole = col("rated_kvar_phase") * ratio.clone() * ratio * col("frequency_hz") / col("rated_hz");
    when(has_phase(phase)).then(whole).otherwise(lit(0.0))
}

/// Whether the bank of an interval has this phase; where its nameplate is not known, it has all. By comparison: to search in
/// each text takes ten times as long.
pub fn has_phase(phase: &str) -> Expr {
    const WITH: [&str; 7] = ["ABC", "A", "B", "C", "AB", "AC", "BC"];
    let letter = phase.to_uppercase();
    let with = WITH.iter().filter(|phases| phases.contains(&letter));
    let is_one = with.fold(lit(false), |any, phases| any.or(col("bank_phases").eq(lit(*phases))));
    is_one.or(col("bank_phases").is_null())
}

/// Of a list of times in ms, the longest from one to the next in the order of time, whatever the list's is.
pub fn longest_step() -> Expr {
    element().drop_nulls().sort(SortOptions::default()).diff(lit(1), NullBehavior::Ignore).max()
}

/// The value where `is` holds, null elsewhere. Before a group-by: filters within groups cost many times as much.
pub fn only(is: Expr, value: Expr) -> Expr {
    when(is).then(value).otherwise(lit(NULL))
}

/// The same with zero elsewhere, for sums.
pub fn or_zero(is: Expr, value: Expr) -> Expr {
    when(is).then(value).otherwise(lit(0.0))
}

/// Phases as they stand in the names of columns.
pub const PHASES: [&str; 3] = ["a", "b", "c"];
