//! Intervals of ten minutes and more are ten-minute values themselves: their weeks and their banks come from one pass.

use std::collections::BTreeMap;

use polars::prelude::{
    Column, DataFrame, IntoLazy, JoinArgs, JoinType, LazyFrame, NamedFrom, PlSmallStr, PolarsResult, Series,
    col, lit, when,
};

use super::{definitions, weeks};
use crate::analysis::hours;
use crate::analysis::runs::{Key, Pieces, Run, in_parts, p95, pieces, runs, slice};
use crate::analysis::slices::collect;
use crate::analysis::ten_minutes::{block_end, week_begin};

/// The week of intervals without a time.
const NO_WEEK: i64 = i64::MIN;

/// As [`of_intervals`](super::of_intervals) with [`weeks`](weeks::weeks).
pub(super) fn by_weeks(intervals: LazyFrame, limit_percent: f64) -> PolarsResult<LazyFrame> {
    let is_good = || col("flagged").eq(lit(0));
    let mut shown = vec![
        col("bank"),
        col("device"),
        week_begin(block_end()).fill_null(lit(NO_WEEK)).alias("week"),
        hours().fill_null(lit(0.0)).alias("hours"),
        col("flagged").fill_null(lit(1_u32)),
    ];
    // Not a number where there is no value: columns without nulls are slices.
    let mask = || when(is_good()).then(lit(1.0)).otherwise(lit(f64::NAN));
    let definitions = definitions()?;
    let values = definitions.iter().map(|(name, value)| (value.clone() * mask()).alias(*name));
    shown.extend(values.map(|value| value.fill_null(lit(f64::NAN))));
    let mut rows = collect(intervals.select(shown))?;
    // Every column in the same pieces.
    rows.align_chunks_par();
    let stems = definitions.map(|(name, _)| name.trim_end_matches("_percent"));
    let rows_of = Columns::of(&rows, &stems)?;
    let groups: Vec<(Key<'_>, Vec<Run>)> = runs(&rows)?.into_iter().collect();
    let banks = in_parts(groups.len(), |part| {
        let of_part = groups.get(part).unwrap_or_default();
        of_part.iter().map(|(key, runs)| rows_of.bank(*key, runs, limit_percent)).collect()
    })?;
    let weeks = weeks::of_banks(of_weeks(&banks, &stems)?.lazy());
    let key = || [col("bank"), col("device")];
    Ok(of_banks(&banks, &stems)?.lazy().join(weeks, key(), key(), JoinArgs::new(JoinType::Left)))
}

/// The columns, and of each definition whether standards speak of it by weeks.
struct Columns<'r> {
    weeks: Pieces<'r, i64>,
    hours: Pieces<'r, f64>,
    flagged: Pieces<'r, u32>,
    values: Vec<(Pieces<'r, f64>, bool)>,
}

struct Bank<'r> {
    key: Key<'r>,
    hours: f64,
    flagged: u32,
    /// Mean, 95th percentile and largest value by each definition.
    values: Vec<[Option<f64>; 3]>,
    weeks: Vec<Week>,
}

struct Week {
    begin: i64,
    good: u32,
    flagged: u32,
    values: Vec<OfWeek>,
}

/// What the values of a week come to by one definition.
#[derive(Clone, Copy)]
struct OfWeek {
    count: u32,
    over: u32,
    over_hours: f64,
    p95: Option<f64>,
}

impl<'r> Columns<'r> {
    fn of(rows: &'r DataFrame, stems: &[&str]) -> PolarsResult<Self> {
        let reals = |name: &str| -> PolarsResult<Pieces<'r, f64>> { Ok(pieces(rows.column(name)?.f64()?)) };
        let values = |stem: &&str| Ok((reals(&format!("{stem}_percent"))?, weeks::STEMS.contains(stem)));
        Ok(Self {
            weeks: pieces(rows.column("week")?.i64()?),
            hours: reals("hours")?,
            flagged: pieces(rows.column("flagged")?.u32()?),
            values: stems.iter().map(values).collect::<PolarsResult<_>>()?,
        })
    }

    fn bank(&self, key: Key<'r>, runs: &[Run], limit_percent: f64) -> Bank<'r> {
        let mut of_weeks: BTreeMap<i64, Vec<Run>> = BTreeMap::new();
        for (piece, run) in runs {
            let mut start = run.start;
            for same in slice(&self.weeks, &(*piece, run.clone())).chunk_by(|a, b| a == b) {
                let end = start + same.len();
                let week = same.first().copied().unwrap_or(NO_WEEK);
                of_weeks.entry(week).or_default().push((*piece, start..end));
                start = end;
            }
        }
        let flagged = |runs: &[Run]| {
            count(
                runs.iter().flat_map(|run| slice(&self.flagged, run)).filter(|windows| **windows > 0).count(),
            )
        };
        let mut bank = Bank {
            key,
            hours: runs.iter().flat_map(|run| slice(&self.hours, run)).sum(),
            flagged: flagged(runs),
            values: Vec::with_capacity(self.values.len()),
            weeks: Vec::with_capacity(of_weeks.len()),
        };
        for (begin, runs) in of_weeks.iter().filter(|(begin, _)| **begin != NO_WEEK) {
            let (all, flagged) = (count(runs.iter().map(|(_, run)| run.len()).sum()), flagged(runs));
            let values = Vec::with_capacity(weeks::STEMS.len());
            bank.weeks.push(Week { begin: *begin, good: all.saturating_sub(flagged), flagged, values });
        }
        for (column, is_by_weeks) in &self.values {
            let mut all = Vec::with_capacity(runs.iter().map(|(_, run)| run.len()).sum());
            for run in runs {
                all.extend(slice(column, run).iter().copied().filter(|value| !value.is_nan()));
            }
            let squares = all.iter().map(|value| value * value).sum::<f64>();
            let mean = (!all.is_empty()).then(|| libm::sqrt(squares / all.len() as f64));
            let largest = all.iter().copied().reduce(f64::max);
            bank.values.push([mean, p95(all), largest]);
            for week in bank.weeks.iter_mut().filter(|_| *is_by_weeks) {
                let runs = of_weeks.get(&week.begin).map_or(&[][..], Vec::as_slice);
                week.values.push(self.of_week(column, runs, limit_percent));
            }
        }
        bank
    }

    fn of_week(&self, column: &Pieces<'_, f64>, runs: &[Run], limit_percent: f64) -> OfWeek {
        let (mut values, mut over, mut over_hours) = (Vec::new(), 0, 0.0);
        for run in runs {
            for (value, hours) in slice(column, run).iter().zip(slice(&self.hours, run)) {
                if *value > limit_percent {
                    over += 1;
                    over_hours += hours;
                }
                if !value.is_nan() {
                    values.push(*value);
                }
            }
        }
        OfWeek { count: count(values.len()), over, over_hours, p95: p95(values) }
    }
}

fn count(number: usize) -> u32 {
    u32::try_from(number).unwrap_or(u32::MAX)
}

fn of_banks(banks: &[Bank<'_>], stems: &[&str]) -> PolarsResult<DataFrame> {
    let mut columns: Vec<Column> = vec![
        Series::new("bank".into(), banks.iter().map(|bank| bank.key.0).collect::<Vec<_>>()).into(),
        Series::new("device".into(), banks.iter().map(|bank| bank.key.1).collect::<Vec<_>>()).into(),
        Series::new("hours".into(), banks.iter().map(|bank| bank.hours).collect::<Vec<_>>()).into(),
        Series::new("flagged_intervals".into(), banks.iter().map(|bank| bank.flagged).collect::<Vec<_>>())
            .into(),
    ];
    for (number, stem) in stems.iter().enumerate() {
        for (place, what) in ["mean", "p95", "max"].into_iter().enumerate() {
            let value = |bank: &Bank<'_>| bank.values.get(number)?.get(place).copied().flatten();
            let values: Vec<Option<f64>> = banks.iter().map(value).collect();
            columns.push(Series::new(format!("{stem}_{what}_percent").into(), values).into());
        }
    }
    DataFrame::new_infer_height(columns)
}

/// What [`weeks::of_banks`] asks of each week.
fn of_weeks(banks: &[Bank<'_>], stems: &[&str]) -> PolarsResult<DataFrame> {
    let all = || banks.iter().flat_map(|bank| bank.weeks.iter().map(move |week| (bank.key, week)));
    let mut columns: Vec<Column> = vec![
        Series::new("bank".into(), all().map(|(key, _)| key.0).collect::<Vec<_>>()).into(),
        Series::new("device".into(), all().map(|(key, _)| key.1).collect::<Vec<_>>()).into(),
        Series::new("week".into(), all().map(|(_, week)| week.begin).collect::<Vec<_>>()).into(),
        Series::new("good".into(), all().map(|(_, week)| week.good).collect::<Vec<_>>()).into(),
        Series::new("flagged".into(), all().map(|(_, week)| week.flagged).collect::<Vec<_>>()).into(),
    ];
    for (number, stem) in stems.iter().filter(|stem| weeks::STEMS.contains(stem)).enumerate() {
        let values = || all().filter_map(move |(_, week)| week.values.get(number));
        let name = |rest: &str| PlSmallStr::from(format!("{stem}_{rest}"));
        columns.extend([
            Series::new(name("count"), values().map(|of| of.count).collect::<Vec<_>>()).into(),
            Series::new(name("over"), values().map(|of| of.over).collect::<Vec<_>>()).into(),
            Series::new(name("over_hours"), values().map(|of| of.over_hours).collect::<Vec<_>>()).into(),
            Series::new(name("values"), values().map(|of| of.p95).collect::<Vec<_>>()).into(),
        ]);
    }
    DataFrame::new_infer_height(columns)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::unbalance::of_intervals;
    use polars::prelude::{DataType, SortMultipleOptions, TimeUnit, TimeZone};

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
