//! Percentiles of groups: the values of a group become a list first, and the percentile is that of the list. A percentile within
//! a group-by holds and sorts the rows of every group over again for each of its columns, which takes four times as long.

use polars::prelude::{Expr, QuantileMethod, col, element, lit};

/// In a group-by: the values of the column `of`, as the column `list`.
pub(super) fn listed(of: &str, list: &str) -> Expr {
    col(of).implode(false).alias(list)
}

/// Behind the group-by: what 95 % of the values in `list` do not exceed, linear between ranks, under the same name; null without
/// a value. Nulls are no values.
pub(super) fn p95(list: &str) -> Expr {
    col(list).list().agg(element().drop_nulls().quantile(lit(0.95), QuantileMethod::Linear))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::slices::collect;
    use polars::prelude::{IntoLazy, SortMultipleOptions, df};

    #[test]
    fn percentiles_by_hand() {
        // Of 0, 1, … 20 rank 0.95 · 20 = 19; of 1, 2, 4 rank 1.9: 2 + 0.9 · 2; of one value that; of none nothing.
        let mut banks = vec!["twenty-one"; 21];
        let mut values: Vec<Option<f64>> = (0..21).rev().map(|value| Some(f64::from(value))).collect();
        for (bank, value) in [
            ("three", Some(4.0)),
            ("three", None),
            ("three", Some(1.0)),
            ("three", Some(2.0)),
            ("one", Some(7.0)),
        ] {
            banks.push(bank);
            values.push(value);
        }
        banks.push("none");
        values.push(None);
        let rows = df!("bank" => banks, "value" => values).unwrap().lazy();
        let rows = rows.group_by([col("bank")]).agg([listed("value", "p95")]).with_columns([p95("p95")]);
        let rows = collect(rows.sort(["bank"], SortMultipleOptions::default())).unwrap();
        let found: Vec<Option<f64>> = rows.column("p95").unwrap().f64().unwrap().iter().collect();
        assert_eq!(found, [None, Some(7.0), Some(3.8), Some(19.0)]);
    }
}
