//! Intervals of ten minutes and more are ten-minute values themselves: their weeks and their banks come from one pass.

use std::collections::BTreeMap;
use std::ops::Range;
use std::thread;

use polars::prelude::{
    ChunkQuantile, Column, DataFrame, Float64Chunked, IntoLazy, JoinArgs, JoinType, LazyFrame, NamedFrom,
    PlSmallStr, PolarsResult, QuantileMethod, Series, col, lit, polars_err, when,
};

use super::{definitions, weeks};
use crate::analysis::hours;
use crate::analysis::slices::collect;
use crate::analysis::ten_minutes::{block_end, week_begin};

/// As [`of_intervals`](super::of_intervals) with [`weeks`](weeks::weeks). The rows of a bank's week lie together in a file: its
/// values are slices of the columns, and no group-by has to look up each row's bank.
pub(super) fn by_weeks(intervals: LazyFrame, limit_percent: f64) -> PolarsResult<LazyFrame> {
    let is_good = || col("flagged").eq(lit(0));
    let mut shown = vec![
        col("bank"),
        col("device"),
        week_begin(block_end()).alias("week"),
        hours().fill_null(lit(0.0)).alias("hours"),
        when(is_good()).then(lit(0.0)).otherwise(lit(1.0)).alias("flagged"),
    ];
    // Not a number where there is no value: columns without nulls are slices.
    let mask = || when(is_good()).then(lit(1.0)).otherwise(lit(f64::NAN));
    let definitions = definitions()?;
    let values = definitions.iter().map(|(name, value)| (value.clone() * mask()).alias(*name));
    shown.extend(values.map(|value| value.fill_null(lit(f64::NAN))));
    let mut rows = collect(intervals.select(shown))?;
    rows.rechunk_mut_par();
    let groups = Groups::of(&rows)?;
    let (mut of_banks, mut of_weeks) = (groups.of_banks()?, groups.of_weeks()?);
    let sums = thread::scope(|scope| {
        let (groups, rows) = (&groups, &rows);
        // A thread a definition.
        let of = |(name, _)| scope.spawn(move || groups.sums(rows, name, limit_percent));
        let gone = || polars_err!(ComputeError: "a thread ended without a word");
        let threads = definitions.map(of).into_iter();
        threads.map(|thread| thread.join().unwrap_or_else(|_| Err(gone()))).collect::<PolarsResult<Vec<_>>>()
    })?;
    for sums in sums {
        of_banks.extend(sums.of_banks);
        of_weeks.extend(sums.of_weeks);
    }
    let banks = DataFrame::new_infer_height(of_banks)?.lazy();
    let weeks = DataFrame::new_infer_height(of_weeks)?.lazy();
    let weeks = weeks::of_banks(weeks.filter(col("week").is_not_null()));
    let key = || [col("bank"), col("device")];
    Ok(banks.join(weeks, key(), key(), JoinArgs::new(JoinType::Left)))
}

/// Bank and logger.
type Key<'r> = (Option<&'r str>, Option<&'r str>);

/// The rows of a bank's week: runs of them.
type Week = Vec<Range<usize>>;

/// Which rows are of which bank and week; `None`: their time is not known.
struct Groups<'r> {
    banks: BTreeMap<Key<'r>, BTreeMap<Option<i64>, Week>>,
    hours: &'r [f64],
    flagged: &'r [f64],
}

/// What the values of one definition come to.
struct Sums {
    /// Mean, 95th percentile and largest of each bank.
    of_banks: Vec<Column>,
    /// What [`weeks::of_banks`] asks of each week; nothing for a definition that no standard speaks of by weeks.
    of_weeks: Vec<Column>,
}

impl<'r> Groups<'r> {
    fn of(rows: &'r DataFrame) -> PolarsResult<Self> {
        let [banks, devices] = [rows.column("bank")?.str()?, rows.column("device")?.str()?];
        let keys = banks.iter().zip(devices.iter()).zip(rows.column("week")?.i64()?.iter());
        let mut groups: BTreeMap<Key<'r>, BTreeMap<Option<i64>, Week>> = BTreeMap::new();
        let mut add = |(key, week): (Key<'r>, Option<i64>), run| {
            groups.entry(key).or_default().entry(week).or_default().push(run);
        };
        let mut run = None;
        for (row, key) in keys.enumerate() {
            run = match run {
                Some((other, start)) if other == key => Some((other, start)),
                Some((other, start)) => {
                    add(other, start..row);
                    Some((key, row))
                }
                None => Some((key, row)),
            };
        }
        if let Some((key, start)) = run {
            add(key, start..rows.height());
        }
        let slice = |name: &str| rows.column(name)?.f64()?.cont_slice();
        Ok(Self { banks: groups, hours: slice("hours")?, flagged: slice("flagged")? })
    }

    fn weeks(&self) -> impl Iterator<Item = (Key<'r>, Option<i64>, &Week)> {
        let of_bank = |(key, weeks): (&Key<'r>, _)| (*key, weeks);
        self.banks.iter().map(of_bank).flat_map(|(key, weeks): (_, &BTreeMap<_, _>)| {
            weeks.iter().map(move |(week, runs)| (key, *week, runs))
        })
    }

    /// Bank, logger, hours and flagged intervals of each bank.
    fn of_banks(&self) -> PolarsResult<Vec<Column>> {
        let sum = |of: &[f64], weeks: &BTreeMap<Option<i64>, Week>| {
            weeks.values().flatten().flat_map(|run| slice(of, run)).sum::<f64>()
        };
        let keys = || self.banks.keys();
        let hours: Vec<f64> = self.banks.values().map(|weeks| sum(self.hours, weeks)).collect();
        let flagged: Vec<u32> = self.banks.values().map(|weeks| sum(self.flagged, weeks) as u32).collect();
        Ok(vec![
            Series::new("bank".into(), keys().map(|key| key.0).collect::<Vec<_>>()).into(),
            Series::new("device".into(), keys().map(|key| key.1).collect::<Vec<_>>()).into(),
            Series::new("hours".into(), hours).into(),
            Series::new("flagged_intervals".into(), flagged).into(),
        ])
    }

    /// Bank, logger, beginning, and how many intervals are flagged and how many are not, of each week.
    fn of_weeks(&self) -> PolarsResult<Vec<Column>> {
        let flagged = |runs: &Week| runs.iter().flat_map(|run| slice(self.flagged, run)).sum::<f64>() as u32;
        let flagged: Vec<u32> = self.weeks().map(|(_, _, runs)| flagged(runs)).collect();
        let all = self.weeks().map(|(_, _, runs)| count(runs.iter().map(Range::len).sum()));
        let good: Vec<u32> = all.zip(&flagged).map(|(all, flagged)| all.saturating_sub(*flagged)).collect();
        let (banks, devices): (Vec<_>, Vec<_>) = self.weeks().map(|(key, ..)| key).unzip();
        Ok(vec![
            Series::new("bank".into(), banks).into(),
            Series::new("device".into(), devices).into(),
            Series::new("week".into(), self.weeks().map(|(_, week, _)| week).collect::<Vec<_>>()).into(),
            Series::new("good".into(), good).into(),
            Series::new("flagged".into(), flagged).into(),
        ])
    }

    fn sums(&self, rows: &DataFrame, name: &str, limit_percent: f64) -> PolarsResult<Sums> {
        let stem = name.trim_end_matches("_percent");
        let is_by_weeks = weeks::STEMS.contains(&stem);
        let values = rows.column(name)?.f64()?.cont_slice()?;
        let [mut means, mut p95s, mut largest] = [(); 3].map(|()| Vec::with_capacity(self.banks.len()));
        let [mut counts, mut over] = [(); 2].map(|()| Vec::<u32>::new());
        let (mut over_hours, mut of_weeks) = (Vec::<f64>::new(), Vec::<Option<f64>>::new());
        let is_over = |value: &f64| *value > limit_percent;
        for weeks in self.banks.values() {
            let mut all = Vec::new();
            for runs in weeks.values() {
                let before = all.len();
                for run in runs {
                    all.extend(slice(values, run).iter().copied().filter(|value| !value.is_nan()));
                }
                if !is_by_weeks {
                    continue;
                }
                let week = all.get(before..).unwrap_or_default();
                counts.push(count(week.len()));
                over.push(count(week.iter().filter(|value| is_over(value)).count()));
                let timed = runs.iter().flat_map(|run| slice(values, run).iter().zip(slice(self.hours, run)));
                over_hours.push(timed.filter(|(value, _)| is_over(value)).map(|(_, hours)| hours).sum());
                of_weeks.push(p95(week.to_vec())?);
            }
            let squares = all.iter().map(|value| value * value).sum::<f64>();
            means.push((!all.is_empty()).then(|| libm::sqrt(squares / all.len() as f64)));
            largest.push(all.iter().copied().reduce(f64::max));
            p95s.push(p95(all)?);
        }
        let of_bank =
            |what: &str, values| Series::new(format!("{stem}_{what}_percent").into(), values).into();
        let of_banks = vec![of_bank("mean", means), of_bank("p95", p95s), of_bank("max", largest)];
        if !is_by_weeks {
            return Ok(Sums { of_banks, of_weeks: Vec::new() });
        }
        let named = |rest: &str| PlSmallStr::from(format!("{stem}_{rest}"));
        let of_weeks = vec![
            Series::new(named("count"), counts).into(),
            Series::new(named("over"), over).into(),
            Series::new(named("over_hours"), over_hours).into(),
            Series::new(named("values"), of_weeks).into(),
        ];
        Ok(Sums { of_banks, of_weeks })
    }
}

fn slice<'v>(values: &'v [f64], run: &Range<usize>) -> &'v [f64] {
    values.get(run.clone()).unwrap_or_default()
}

fn count(number: usize) -> u32 {
    u32::try_from(number).unwrap_or(u32::MAX)
}

/// Linear between ranks.
fn p95(values: Vec<f64>) -> PolarsResult<Option<f64>> {
    Float64Chunked::from_vec(PlSmallStr::EMPTY, values).quantile(0.95, QuantileMethod::Linear)
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
