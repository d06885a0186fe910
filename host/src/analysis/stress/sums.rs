//! Percentiles and hours of banks, beside limits.

use polars::prelude::{Column, DataFrame, NamedFrom, PlSmallStr, PolarsResult, Series};

use super::Limited;
use crate::analysis::runs::{Key, Pieces, Run, in_parts, p95, pieces, runs, slice};

/// What the rows of a bank and logger come to.
struct Sums {
    hours: f64,
    flagged: u32,
    values: Vec<Value>,
}

/// 95th percentile, largest value, and hours above the limit.
#[derive(Clone, Copy)]
struct Value {
    p95: Option<f64>,
    max: Option<f64>,
    over_hours: f64,
}

/// A row a bank and logger of `rows`: `hours` and `flagged` under the names that `names` gives, and of the column of each of
/// `limits` the [95th percentile](Limited::p95), the [largest value](Limited::max) and the [hours over it](Limited::over).
///
/// Of a flagged row neither the hours nor the values count. No column has nulls: where there is no value it is not a number, and
/// so are the `hours` of a row that does not count at all.
pub(super) fn sums(mut rows: DataFrame, names: [&str; 2], limits: &[Limited]) -> PolarsResult<DataFrame> {
    // Every column in the same pieces.
    rows.align_chunks_par();
    let hours = pieces(rows.column("hours")?.f64()?);
    let flagged = pieces(rows.column("flagged")?.u32()?);
    let columns: Vec<(Pieces<'_, f64>, f64)> = limits
        .iter()
        .map(|of| Ok((pieces(rows.column(of.stem)?.f64()?), of.limit_percent)))
        .collect::<PolarsResult<_>>()?;
    let banks: Vec<(Key<'_>, Vec<Run>)> = runs(&rows)?.into_iter().collect();
    let sums = in_parts(banks.len(), |part| {
        let of_part = banks.get(part).unwrap_or_default();
        of_part.iter().map(|(_, runs)| Sums::of(runs, &hours, &flagged, &columns)).collect()
    })?;
    let mut shown: Vec<Column> = vec![
        Series::new("bank".into(), banks.iter().map(|(key, _)| key.0).collect::<Vec<_>>()).into(),
        Series::new("device".into(), banks.iter().map(|(key, _)| key.1).collect::<Vec<_>>()).into(),
        Series::new(names[0].into(), sums.iter().map(|sums| sums.hours).collect::<Vec<_>>()).into(),
        Series::new(names[1].into(), sums.iter().map(|sums| sums.flagged).collect::<Vec<_>>()).into(),
    ];
    for (place, of) in limits.iter().enumerate() {
        let values = || sums.iter().filter_map(move |sums| sums.values.get(place));
        let [p95, max] = [of.p95(), of.max()].map(PlSmallStr::from);
        shown.push(Series::new(p95, values().map(|value| value.p95).collect::<Vec<_>>()).into());
        shown.push(Series::new(max, values().map(|value| value.max).collect::<Vec<_>>()).into());
        let over: Vec<f64> = values().map(|value| value.over_hours).collect();
        shown.push(Series::new(of.over().into(), over).into());
    }
    DataFrame::new_infer_height(shown)
}

impl Sums {
    fn of(
        runs: &[Run],
        hours: &Pieces<'_, f64>,
        flagged: &Pieces<'_, u32>,
        columns: &[(Pieces<'_, f64>, f64)],
    ) -> Self {
        let rows: usize = runs.iter().map(|(_, run)| run.len()).sum();
        let mut sums = Self { hours: 0.0, flagged: 0, values: Vec::with_capacity(columns.len()) };
        for run in runs {
            for (hours, flagged) in slice(hours, run).iter().zip(slice(flagged, run)) {
                if !hours.is_nan() {
                    sums.flagged += u32::from(*flagged > 0);
                    sums.hours += if *flagged > 0 { 0.0 } else { *hours };
                }
            }
        }
        for (column, limit) in columns {
            let (mut values, mut over_hours) = (Vec::with_capacity(rows), 0.0);
            for run in runs {
                let of_run = slice(column, run).iter().zip(slice(hours, run)).zip(slice(flagged, run));
                for ((value, hours), flagged) in of_run {
                    if *flagged == 0 && !hours.is_nan() && !value.is_nan() {
                        values.push(*value);
                        over_hours += if value > limit { *hours } else { 0.0 };
                    }
                }
            }
            let max = values.iter().copied().reduce(f64::max);
            sums.values.push(Value { p95: p95(values), max, over_hours });
        }
        sums
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use polars::prelude::df;

    #[test]
    fn rows_of_a_bank_that_do_not_lie_together_count_together() {
        // Bank a: 0, 1, … 20, of which rank 0.95 · 20 is 19, in rows between those of b and, last, of no bank.
        let (mut banks, mut values, mut hours, mut flagged) =
            (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        let mut push = |bank, value: f64, length: f64, flag: u32| {
            banks.push(bank);
            values.push(value);
            hours.push(length);
            flagged.push(flag);
        };
        for number in (0..21).rev() {
            push(Some("a"), f64::from(number), 0.5, 0);
            if number % 2 == 0 {
                push(Some("b"), f64::NAN, 2.0, 0);
            }
        }
        // Flagged; not counted at all; of no bank.
        push(Some("a"), 99.0, 8.0, 3);
        push(Some("a"), 98.0, f64::NAN, 0);
        push(Some("a"), 97.0, f64::NAN, 1);
        push(None, 7.0, 1.0, 0);
        let devices = vec!["L"; banks.len()];
        let rows = df!(
            "bank" => banks, "device" => devices, "x" => values, "hours" => hours, "flagged" => flagged
        );
        // In pieces, as files are read.
        let rows = rows.unwrap();
        let mut pieces = rows.slice(0, 7);
        pieces.vstack_mut(&rows.slice(7, rows.height())).unwrap();
        let of = [Limited { stem: "x", words: "", limit_percent: 17.0 }];
        let sums = sums(pieces, ["all", "flags"], &of).unwrap();
        let reals =
            |name: &str| -> Vec<Option<f64>> { sums.column(name).unwrap().f64().unwrap().iter().collect() };
        let banks: Vec<_> = sums.column("bank").unwrap().str().unwrap().iter().collect();
        assert_eq!(banks, [None, Some("a"), Some("b")]);
        assert_eq!(reals("all"), [Some(1.0), Some(10.5), Some(22.0)]);
        let flags: Vec<_> = sums.column("flags").unwrap().u32().unwrap().iter().collect();
        assert_eq!(flags, [Some(0), Some(1), Some(0)]);
        assert_eq!(reals("x_p95_percent"), [Some(7.0), Some(19.0), None]);
        assert_eq!(reals("x_max_percent"), [Some(7.0), Some(20.0), None]);
        // Above 17: 18, 19, 20.
        assert_eq!(reals("x_over_hours"), [Some(0.0), Some(1.5), Some(0.0)]);
    }
}
