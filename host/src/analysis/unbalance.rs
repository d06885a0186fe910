//! Voltage unbalance of each bank, by every definition that the intervals allow.

use polars::prelude::{DataFrame, Expr, QuantileMethod, SortMultipleOptions, col, lit};

use super::{Filter, hours};
use crate::store::{INTERVALS, Store, StoreError};

/// A definition: its column, and how it comes from an interval's columns.
///
/// - `u2_percent`, `u0_percent`: negative and zero over positive sequence (IEC 61000-4-30 5.7), measured by the logger;
/// - `nema_percent`: largest deviation of a line-to-line voltage from their mean (NEMA MG 1), measured by the logger;
/// - `pvur_percent`: the same of the phase voltages (IEEE 112); blind to angles;
/// - `ieee_936_percent`: (largest − smallest) over the mean of the phase voltages (IEEE 936); blind to angles.
fn definitions() -> [(&'static str, Expr); 5] {
    [
        ("u2_percent", col("u2_percent")),
        ("u0_percent", col("u0_percent")),
        ("nema_percent", col("nema_percent")),
        ("pvur_percent", pvur()),
        ("ieee_936_percent", ieee_936()),
    ]
}

fn volts() -> [Expr; 3] {
    ["voltage_a_v", "voltage_b_v", "voltage_c_v"].map(col)
}

fn mean() -> Expr {
    let [a, b, c] = volts();
    (a + b + c) / lit(3.0)
}

fn largest([a, b, c]: [Expr; 3]) -> Expr {
    use polars::prelude::when;
    let ab = when(a.clone().gt(b.clone())).then(a).otherwise(b);
    when(ab.clone().gt(c.clone())).then(ab).otherwise(c)
}

pub(super) fn pvur() -> Expr {
    let deviations = volts().map(|volts| (volts - mean()).abs());
    lit(100.0) * largest(deviations) / mean()
}

pub(super) fn ieee_936() -> Expr {
    let [a, b, c] = volts();
    let smallest = lit(0.0) - largest([lit(0.0) - a, lit(0.0) - b, lit(0.0) - c]);
    lit(100.0) * (largest(volts()) - smallest) / mean()
}

/// One row a bank: hours, flagged intervals, and of each definition the mean (root of the mean of the squares, as
/// IEC 61000-4-30 combines values), the 95th percentile of the intervals (linear between ranks) and the largest.
///
/// # Errors
/// The store cannot be read.
pub fn unbalance(store: &Store, filter: &Filter) -> Result<DataFrame, StoreError> {
    let intervals = filter.apply(store.scan(&INTERVALS)?, "time");
    let good = || col("flagged").eq(lit(0));
    let mut columns = vec![hours().sum().alias("hours"), good().not().sum().alias("flagged_intervals")];
    for (name, value) in definitions() {
        let value = value.filter(good());
        let stem = name.trim_end_matches("_percent");
        columns.push(
            (value.clone() * value.clone()).mean().sqrt().alias(format!("{stem}_mean_percent").as_str()),
        );
        columns.push(
            value
                .clone()
                .quantile(lit(0.95), QuantileMethod::Linear)
                .alias(format!("{stem}_p95_percent").as_str()),
        );
        columns.push(value.max().alias(format!("{stem}_max_percent").as_str()));
    }
    let by = [col("bank"), col("feeder"), col("device")];
    let worst = SortMultipleOptions::default().with_order_descending(true).with_nulls_last(true);
    Ok(intervals.group_by_stable(by).agg(columns).sort(["u2_p95_percent"], worst).collect()?)
}
