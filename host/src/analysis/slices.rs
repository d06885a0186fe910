//! Answers of many rows, some banks at a time: a percentile needs all rows of its bank at once, not those of the fleet.

use polars::prelude::{
    DataFrame, DataType, Engine, Expr, IntoLazy, LazyFrame, PolarsResult, SortMultipleOptions, UnionArgs,
    col, concat, len, lit,
};

/// Rows that are held at once: some 100 MB for each column that a question needs.
pub(super) const MOST_ROWS: u64 = 4_000_000;

/// What `ask` says of `rows`, in groups of whole banks of at most `most_rows` rows (or one bank). `ask` gives rows of one
/// bank each, and does not care for other banks. The rows of a bank lie together in a store, so that each group reads its part.
pub(super) fn by_banks(
    rows: &LazyFrame,
    most_rows: u64,
    ask: impl Fn(LazyFrame) -> PolarsResult<LazyFrame>,
) -> PolarsResult<DataFrame> {
    let counts = rows.clone().group_by([col("bank")]).agg([len().cast(DataType::UInt64).alias("rows")]);
    by_counted_banks(rows, &collect(counts)?, most_rows, ask)
}

/// The same where it is known how many rows each bank has: `bank` and `rows`.
pub(super) fn by_counted_banks(
    rows: &LazyFrame,
    counts: &DataFrame,
    most_rows: u64,
    ask: impl Fn(LazyFrame) -> PolarsResult<LazyFrame>,
) -> PolarsResult<DataFrame> {
    let counts = counts.sort(["bank"], SortMultipleOptions::default())?;
    let names = counts.column("bank")?.str()?;
    let numbers = counts.column("rows")?.u64()?;
    let mut groups: Vec<(Option<&str>, Option<&str>, u64)> = Vec::new();
    for (name, number) in names.iter().zip(numbers.iter()) {
        let number = number.unwrap_or(0);
        match groups.last_mut() {
            Some((_, last, rows)) if *rows + number <= most_rows => {
                *last = name;
                *rows += number;
            }
            _ => groups.push((name, name, number)),
        }
    }
    if groups.len() < 2 {
        return collect(ask(rows.clone())?);
    }
    let mut answers = Vec::new();
    for (first, last, _) in groups {
        answers.push(collect(ask(rows.clone().filter(between(first, last)))?)?.lazy());
    }
    concat(answers, UnionArgs::default())?.collect()
}

/// Banks from one name to another; rows without a bank come first.
fn between(first: Option<&str>, last: Option<&str>) -> Expr {
    match (first, last) {
        (Some(first), Some(last)) => col("bank").gt_eq(lit(first)).and(col("bank").lt_eq(lit(last))),
        (None, Some(last)) => col("bank").is_null().or(col("bank").lt_eq(lit(last))),
        _ => col("bank").is_null(),
    }
}

/// Collects without holding all rows of the store at once, as far as the question allows.
pub(super) fn collect(rows: LazyFrame) -> PolarsResult<DataFrame> {
    Ok(rows.collect_with_engine(Engine::Streaming)?.unwrap_single())
}

#[cfg(test)]
mod tests {
    use super::*;
    use polars::prelude::{NamedFrom, Series};

    #[test]
    fn banks_in_groups_say_what_all_of_them_say() {
        let banks = [Some("b"), None, Some("a"), Some("b"), Some("c"), Some("a"), Some("d"), None];
        let values: Vec<i64> = (1..9).collect();
        let columns =
            vec![Series::new("bank".into(), banks).into(), Series::new("value".into(), values).into()];
        let rows = DataFrame::new_infer_height(columns).unwrap().lazy();
        let ask = |rows: LazyFrame| Ok(rows.group_by([col("bank")]).agg([col("value").sum()]));
        let sorted = |most| {
            by_banks(&rows, most, ask).unwrap().sort(["bank"], SortMultipleOptions::default()).unwrap()
        };
        let all = sorted(100);
        let sums: Vec<Option<i64>> = all.column("value").unwrap().i64().unwrap().iter().collect();
        // Without a bank 2 + 8, a 3 + 6, b 1 + 4, c 5, d 7.
        assert_eq!(sums, [Some(10), Some(9), Some(5), Some(5), Some(7)]);
        for most in [0, 1, 2, 3, 4, 5, 7] {
            assert!(sorted(most).equals_missing(&all), "{most}");
        }
        assert_eq!(by_banks(&rows.clone().limit(0), 1, ask).unwrap().shape(), (0, 2));
    }
}
