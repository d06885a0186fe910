//! Intervals of ten minutes and more are ten-minute values themselves: their weeks and their banks come from one pass.

use std::ops::Range;
use std::thread;

use polars::prelude::{
    ChunkAgg, ChunkQuantile, Column, DataFrame, Float64Chunked, IntoLazy, JoinArgs, JoinType, LazyFrame,
    NamedFrom, PlSmallStr, PolarsResult, QuantileMethod, Series, SortMultipleOptions, UInt32Chunked, col,
    len, lit, polars_err,
};

use super::{definitions, weeks};
use crate::analysis::percentile::listed;
use crate::analysis::slices::collect;
use crate::analysis::ten_minutes::{block_end, week_begin};
use crate::analysis::{hours, only};

/// As [`of_intervals`](super::of_intervals) with [`weeks`](weeks::weeks).
pub(super) fn by_weeks(intervals: LazyFrame, limit_percent: f64) -> PolarsResult<LazyFrame> {
    let good = || col("flagged").eq(lit(0));
    let key = || [col("bank"), col("device")];
    let mut values = key().to_vec();
    values.extend([
        week_begin(block_end()).alias("week"),
        hours().alias("block_hours"),
        good().not().alias("block_flagged"),
    ]);
    let mut of_week = weeks::of_week();
    of_week.push(col("block_hours").sum().alias("hours"));
    let mut lists = Vec::new();
    for (name, value) in definitions()? {
        let stem = name.trim_end_matches("_percent");
        values.push(only(good(), value).alias(name));
        lists.push(stem);
        if !weeks::STEMS.contains(&stem) {
            of_week.push(listed(name, &format!("{stem}_values")));
        }
    }
    let rows = intervals.select(values).with_columns(weeks::over(limit_percent));
    let groups = rows.group_by([key().to_vec(), vec![col("week")]].concat()).agg(of_week);
    let groups = collect(groups.sort(["bank", "device"], SortMultipleOptions::default()))?;
    let sums = [col("hours").sum(), col("flagged").sum().alias("flagged_intervals"), len().alias("weeks")];
    let mut banks = groups.clone().lazy().group_by_stable(key()).agg(sums).collect()?;
    let ranges = ranges(banks.column("weeks")?.u32()?);
    banks.drop_in_place("weeks")?;
    // A thread a definition.
    let columns = thread::scope(|scope| {
        let of = |stem| {
            let (groups, ranges) = (&groups, &ranges);
            scope.spawn(move || of_banks(groups, stem, ranges))
        };
        let threads: Vec<_> = lists.into_iter().map(of).collect();
        let gone = || polars_err!(ComputeError: "a thread ended without a word");
        threads
            .into_iter()
            .map(|thread| thread.join().unwrap_or_else(|_| Err(gone())))
            .collect::<PolarsResult<Vec<_>>>()
    })?;
    let banks = banks.hstack(&columns.concat())?.lazy();
    let timed = groups.lazy().filter(col("week").is_not_null()).with_columns(weeks::of_lists(limit_percent));
    Ok(banks.join(weeks::of_banks(timed), key(), key(), JoinArgs::new(JoinType::Left)))
}

/// Rows of each bank, by how many each has.
fn ranges(counts: &UInt32Chunked) -> Vec<Range<usize>> {
    let mut end = 0;
    let range = |count: Option<u32>| {
        let start = end;
        end += count.unwrap_or(0) as usize;
        start..end
    };
    counts.iter().map(range).collect()
}

/// Mean, 95th percentile and largest of the values of each bank, whose lists of weeks stand in these rows.
fn of_banks(groups: &DataFrame, stem: &str, ranges: &[Range<usize>]) -> PolarsResult<Vec<Column>> {
    let lists = groups.column(&format!("{stem}_values"))?.list()?;
    let [mut means, mut p95s, mut largest] = [(); 3].map(|()| Vec::with_capacity(ranges.len()));
    for range in ranges {
        let mut values = Vec::new();
        for list in range.clone().filter_map(|row| lists.get_as_series(row)) {
            values.extend(list.f64()?.iter().flatten());
        }
        let values = Float64Chunked::from_vec(PlSmallStr::EMPTY, values);
        let squares = values.iter().flatten().map(|value| value * value).sum::<f64>();
        means.push((!values.is_empty()).then(|| libm::sqrt(squares / values.len() as f64)));
        largest.push(values.max());
        p95s.push(values.quantile(0.95, QuantileMethod::Linear)?);
    }
    let column = |what: &str, values| Series::new(format!("{stem}_{what}_percent").into(), values).into();
    Ok(vec![column("mean", means), column("p95", p95s), column("max", largest)])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::unbalance::of_intervals;
    use polars::prelude::{DataType, TimeUnit, TimeZone};

    #[test]
    fn one_pass_says_what_two_say() {
        // Two banks, 1,500 ten minutes each from a Wednesday on, in no order; some flagged, one without a time.
        let count = 3000_i64;
        let each = |of: &dyn Fn(i64) -> f64| Series::new("".into(), (0..count).map(of).collect::<Vec<f64>>());
        let number = |row: i64| (row * 7919) % count;
        let time: Vec<Option<i64>> = (0..count)
            .map(|row| (row != 5).then(|| 1_903_910_400_000 + (number(row) / 2 + 1) * 600_000))
            .collect();
        let utc = DataType::Datetime(TimeUnit::Milliseconds, Some(TimeZone::UTC));
        let bank: Vec<&str> = (0..count).map(|row| ["b", "a"][number(row) as usize % 2]).collect();
        let named = |name: &str, series: Series| -> Column { series.with_name(name.into()).into() };
        let frame = DataFrame::new_infer_height(vec![
            Series::new("bank".into(), bank.clone()).into(),
            Series::new("device".into(), bank).into(),
            Series::new("time".into(), time).cast(&utc).unwrap().into(),
            named("flagged", each(&|row| f64::from(row % 50 == 0)).cast(&DataType::UInt32).unwrap()),
            named("windows", each(&|_| 3000.0).cast(&DataType::UInt32).unwrap()),
            named("interval_s", each(&|_| 600.0)),
            named("rated_hz", each(&|_| 60.0)),
            named("frequency_hz", each(&|row| 60.0 + (row % 3) as f64 / 100.0)),
            named("u2_percent", each(&|row| (row % 97) as f64 / 30.0)),
            named("u0_percent", each(&|row| (row % 89) as f64 / 30.0)),
            named("nema_percent", each(&|row| (row % 83) as f64 / 30.0)),
            named("voltage_a_v", each(&|row| 7200.0 + (row % 71) as f64)),
            named("voltage_b_v", each(&|row| 7210.0 - (row % 61) as f64)),
            named("voltage_c_v", each(&|row| 7190.0 + (row % 53) as f64)),
        ]);
        let frame = frame.unwrap().lazy();
        let key = || [col("bank"), col("device")];
        let weeks = weeks::weeks(frame.clone(), 2.0).unwrap();
        let two = of_intervals(frame.clone()).unwrap();
        let two = two.join(weeks, key(), key(), JoinArgs::new(JoinType::Left));
        let order = SortMultipleOptions::default();
        let two = two.sort(["bank"], order.clone()).collect().unwrap();
        let one = by_weeks(frame.clone(), 2.0).unwrap().sort(["bank"], order).collect().unwrap();
        assert_eq!(one.shape(), (2, two.width()));
        for column in two.columns() {
            let other = one.column(column.name()).unwrap();
            assert_eq!(other.dtype(), column.dtype(), "{}", column.name());
            for row in 0..2 {
                let (a, b) = (column.get(row).unwrap(), other.get(row).unwrap());
                match (a.extract::<f64>(), b.extract::<f64>()) {
                    (Some(a), Some(b)) => {
                        assert!((a - b).abs() <= 1e-9 * a.abs(), "{}: {a} {b}", column.name())
                    }
                    _ => assert_eq!(a, b, "{}", column.name()),
                }
            }
        }
    }
}
