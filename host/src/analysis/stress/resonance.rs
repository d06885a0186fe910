//! Hints at resonance: what the harmonics of the voltage do when the bank is in, and what its voltage step says.

use std::collections::BTreeMap;

use polars::lazy::dsl::mean_horizontal;
use polars::prelude::{
    DataFrame, DataType, Expr, IntoLazy, JoinArgs, JoinType, LazyFrame, NULL, NamedFrom, PolarsResult,
    Series, col, len, lit, when,
};

use super::add_text;
use crate::analysis::cells::Cells;
use crate::analysis::slices::collect;
use crate::analysis::{Filter, PHASES, moment};
use crate::number::{count, plain};
use crate::store::{DAY_MS, OPERATIONS, Store, StoreError};

/// Harmonics of a spectrum.
const ORDERS: std::ops::RangeInclusive<u32> = 2..=25;

/// Spectra of the last thirty days of a bank tell: what a feeder carries is another thing in another season. Our choice.
pub const RECENT_MS: i64 = 30 * 86_400_000;

/// Fewest ten-minute values on each side, at hours of the day that both sides have: six hours. Our choice: common practice, no
/// source.
pub const LEAST_VALUES: u64 = 36;
/// A harmonic rises when it is so many times as large with the bank in… Our choice.
pub const LEAST_RISE_RATIO: f64 = 1.2;
/// …and larger by so many percent of the rated voltage: several steps of the records. Our choice.
pub const LEAST_RISE_PERCENT: f64 = 0.1;

/// A row a bank and logger: `step_closings`, `step_percent` (median voltage step of these closings, of the rated voltage) and
/// `resonant_order`.
pub(super) fn steps(store: &Store, filter: &Filter) -> Result<LazyFrame, StoreError> {
    let operations = filter.scan(store, &OPERATIONS, "begin_time")?;
    let is_closing = col("action").eq(lit("closed")).and(col("voltage_step_pu").is_not_null());
    let steps = operations.filter(is_closing).group_by([col("bank"), col("device")]).agg([
        len().cast(DataType::UInt32).alias("step_closings"),
        (lit(100.0) * col("voltage_step_pu").median()).alias("step_percent"),
    ]);
    let order = (lit(100.0) / col("step_percent")).sqrt();
    let order = when(col("step_percent").gt(lit(0.0))).then(order).otherwise(lit(NULL));
    Ok(steps.with_column(order.alias("resonant_order")))
}

/// Mean squares of the harmonics of a bank at one hour of the day: how many values, and a square an order.
#[derive(Clone, Debug, Default)]
struct Hour {
    values: u64,
    squares: Vec<f64>,
}

/// Hour of the day → with the bank in, and with it out.
type Day = BTreeMap<u64, [Option<Hour>; 2]>;

/// Adds the columns that [`super::stress`] says, by all the spectra; `loggers` are all that are
/// asked for, with the time of the last interval.
pub(super) fn columns(
    spectra: &LazyFrame,
    loggers: &DataFrame,
    frame: &mut DataFrame,
) -> Result<(), StoreError> {
    let days = days(spectra, loggers)?;
    let cells = Cells(frame);
    let hints: Vec<Hint> = (0..cells.rows())
        .map(|row| {
            let key =
                (cells.text("bank", row).unwrap_or_default(), cells.text("device", row).unwrap_or_default());
            days.get(&key).map_or_else(|| Hint::of(&Day::new()), Hint::of)
        })
        .collect();
    add_text(frame, "resonance", hints.iter().map(Hint::words).collect())?;
    let rise = |of: fn(&Rise) -> f64| hints.iter().map(|hint| hint.rise.as_ref().map(of)).collect::<Vec<_>>();
    let orders: Vec<Option<u32>> =
        hints.iter().map(|hint| hint.rise.as_ref().map(|rise| rise.order)).collect();
    let values = |of: usize| hints.iter().map(|hint| hint.values[of]).collect::<Vec<u64>>();
    frame.with_column(Series::new("rising_harmonic".into(), orders).into())?;
    frame.with_column(Series::new("rising_in_percent".into(), rise(|rise| rise.inside)).into())?;
    frame.with_column(Series::new("rising_out_percent".into(), rise(|rise| rise.outside)).into())?;
    frame.with_column(Series::new("in_values".into(), values(0)).into())?;
    frame.with_column(Series::new("out_values".into(), values(1)).into())?;
    Ok(())
}

fn is_out() -> Expr {
    col("state").eq(lit("open"))
}

/// Hour of the day in UTC.
fn hour() -> Expr {
    let hour = col("time").to_physical().floor_div(lit(3_600_000_i64));
    hour.clone() - hour.floor_div(lit(24_i64)) * lit(24_i64)
}

/// Whether a column, or what comes of it, is one of the values that `among` has under its name.
fn is_among(value: Expr, among: &DataFrame, name: &str) -> PolarsResult<Expr> {
    let values = among.column(name)?.as_materialized_series().unique()?;
    Ok(value.is_in(lit(values).implode(true), false))
}

/// Thirty days before the first `last_ms`.
fn before_first(of: &DataFrame) -> PolarsResult<i64> {
    let first = of.column("last_ms")?.i64()?.iter().flatten().min();
    Ok(first.unwrap_or(i64::MIN).saturating_sub(RECENT_MS))
}

/// Of the loggers whose bank was out in some recent spectrum, `device` and `last_ms`, the time of the last spectrum. `loggers` are
/// all that are asked for, with the time of the last interval.
fn opened(spectra: &LazyFrame, loggers: &DataFrame) -> PolarsResult<DataFrame> {
    let last = || col("time").max().to_physical().alias("last_ms");
    let states = |rows: LazyFrame| {
        collect(rows.group_by([col("device")]).agg([last(), is_out().any(true).alias("was_out")]))
    };
    // A day more: the last spectrum is a little older than the last interval, which is no reason to ask again.
    let from_ms = before_first(loggers)?.saturating_sub(DAY_MS);
    let found = states(spectra.clone().filter(col("time").gt(moment(from_ms))))?;
    let begins_here = || col("last_ms").gt_eq(lit(from_ms.saturating_add(RECENT_MS)));
    let mut whole = found.clone().lazy().filter(begins_here()).collect()?;
    // Those whose spectra end long before the intervals: their thirty days begin before.
    let key = || [col("device")];
    let without = |of: &DataFrame| {
        let all = loggers.clone().lazy().select(key());
        all.join(of.clone().lazy(), key(), key(), JoinArgs::new(JoinType::Anti)).collect()
    };
    let others = without(&whole)?;
    if others.height() > 0 {
        let mut rows = spectra.clone().filter(is_among(col("device"), &others, "device")?);
        if without(&found)?.height() == 0 {
            let early = found.lazy().filter(begins_here().not()).collect()?;
            rows = rows.filter(col("time").gt(moment(before_first(&early)?)));
        }
        whole.vstack_mut(&states(rows)?)?;
    }
    whole.lazy().filter(col("was_out")).select([col("device"), col("last_ms")]).collect()
}

/// The good spectra of closed and open banks in the last thirty days before `last_ms`, that go with a row of `among` in the columns
/// `by`; with `is_out` and `hour`.
fn recent(spectra: &LazyFrame, among: &DataFrame, by: &[&str]) -> PolarsResult<LazyFrame> {
    let is_told = col("state").eq(lit("closed")).or(is_out());
    let from_ms = before_first(among)?;
    let mut good = col("flagged").eq(lit(0)).and(is_told).and(col("time").gt(moment(from_ms)));
    // The join says it too, but not before the harmonics are read.
    for name in by {
        good = good.and(is_among(if *name == "hour" { hour() } else { col(*name) }, among, name)?);
    }
    let key: Vec<Expr> = by.iter().map(|name| col(*name)).collect();
    let rows = spectra.clone().filter(good).with_columns([is_out().alias("is_out"), hour().alias("hour")]);
    let rows = rows.join(among.clone().lazy(), key.clone(), key, JoinArgs::new(JoinType::Inner));
    Ok(rows.filter(col("time").to_physical().gt(col("last_ms") - lit(RECENT_MS))))
}

/// What a group is of: bank and logger, with the bank in or out, at an hour of the day.
fn group() -> [Expr; 4] {
    ["bank", "device", "is_out", "hour"].map(col)
}

/// By bank and logger, of those banks that were out in some spectrum: without that nothing can be told. Values are counted first:
/// harmonics are read of those hours only that a bank was both in and out at, and of no bank of which too few are there.
fn days(spectra: &LazyFrame, loggers: &DataFrame) -> Result<BTreeMap<(String, String), Day>, StoreError> {
    let opened = opened(spectra, loggers)?;
    let mut days = BTreeMap::new();
    if opened.height() == 0 {
        return Ok(days);
    }
    let values = recent(spectra, &opened, &["device"])?.group_by(group());
    let values = collect(values.agg([len().cast(DataType::UInt64).alias("values")]))?;
    each_group(&values, &mut days, |row, hour| {
        hour.values = Cells(&values).whole("values", row).unwrap_or(0)
    });
    let told = told(&days)?.lazy().join(opened.lazy(), [col("device")], [col("device")], JoinArgs::default());
    let told = told.collect()?;
    if told.height() == 0 {
        return Ok(days);
    }
    let squares = collect(squares(recent(spectra, &told, &["bank", "device", "hour"])?)?)?;
    let columns: Vec<Vec<Option<f64>>> =
        ORDERS.map(|order| Cells(&squares).reals(&format!("h{order}"))).collect();
    let of = |column: &Vec<Option<f64>>, row: usize| column.get(row).copied().flatten().unwrap_or(f64::NAN);
    each_group(&squares, &mut days, |row, hour| {
        hour.squares = columns.iter().map(|column| of(column, row)).collect();
    });
    Ok(days)
}

/// `bank`, `device` and `hour` of all hours that a bank has both in and out, if that is enough to tell.
fn told(days: &BTreeMap<(String, String), Day>) -> PolarsResult<DataFrame> {
    let (mut banks, mut devices, mut hours) = (Vec::new(), Vec::new(), Vec::new());
    for ((bank, device), day) in days {
        let both: Vec<u64> = shared(day).map(|(hour, ..)| hour).collect();
        if values(day).iter().all(|values| *values >= LEAST_VALUES) {
            banks.extend(both.iter().map(|_| bank.as_str()));
            devices.extend(both.iter().map(|_| device.as_str()));
            hours.extend(both.iter().filter_map(|hour| i64::try_from(*hour).ok()));
        }
    }
    DataFrame::new_infer_height(vec![
        Series::new("bank".into(), banks).into(),
        Series::new("device".into(), devices).into(),
        Series::new("hour".into(), hours).into(),
    ])
}

/// Mean squares `h2`, `h3` … of each group.
fn squares(rows: LazyFrame) -> PolarsResult<LazyFrame> {
    // Of each phase over its times, then over the phases: one sum a column, whatever is missing.
    let named = |phase: &str, order: u32| format!("voltage_{phase}_h{order}_percent");
    let all = || ORDERS.flat_map(move |order| PHASES.map(|phase| named(phase, order)));
    let mut prepared = group().to_vec();
    prepared.extend(all().map(|name| col(name.as_str()) * col(name.as_str())));
    let means: Vec<Expr> = all().map(|name| col(name.as_str()).mean()).collect();
    let mut shown = group().to_vec();
    for order in ORDERS {
        let phases = PHASES.map(|phase| col(named(phase, order)));
        shown.push(mean_horizontal(phases, true)?.alias(format!("h{order}")));
    }
    Ok(rows.select(prepared).group_by(group()).agg(means).select(shown))
}

/// Tells `each` of every row of `groups` and the hour in `days` that it is of.
fn each_group(
    groups: &DataFrame,
    days: &mut BTreeMap<(String, String), Day>,
    mut each: impl FnMut(usize, &mut Hour),
) {
    let cells = Cells(groups);
    for row in 0..cells.rows() {
        let (Some(bank), Some(device), Some(hour)) =
            (cells.text("bank", row), cells.text("device", row), cells.whole("hour", row))
        else {
            continue;
        };
        let [inside, outside] = days.entry((bank, device)).or_default().entry(hour).or_default();
        let side = if cells.is_true("is_out", row) { outside } else { inside };
        each(row, side.get_or_insert_default());
    }
}

/// The hours of the day that are there with the bank in and with it out.
fn shared(day: &Day) -> impl Iterator<Item = (u64, &Hour, &Hour)> {
    day.iter().filter_map(|(hour, [inside, outside])| Some((*hour, inside.as_ref()?, outside.as_ref()?)))
}

/// How many values they have, in and out.
fn values(day: &Day) -> [u64; 2] {
    let sum =
        |[all, out]: [u64; 2], inside: &Hour, outside: &Hour| [all + inside.values, out + outside.values];
    shared(day).fold([0; 2], |sums, (_, inside, outside)| sum(sums, inside, outside))
}

/// A harmonic that is higher with the bank in.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Rise {
    order: u32,
    /// With the bank in, in percent of the rated voltage.
    inside: f64,
    /// With it out.
    outside: f64,
}

#[derive(Clone, Debug, PartialEq)]
struct Hint {
    /// Ten-minute values in and out, at hours that both have.
    values: [u64; 2],
    /// Whether there is any value with the bank out.
    was_out: bool,
    rise: Option<Rise>,
}

impl Hint {
    fn of(day: &Day) -> Self {
        let was_out = day.values().any(|[_, outside]| outside.is_some());
        let both: Vec<(&Hour, &Hour)> = shared(day).map(|(_, inside, outside)| (inside, outside)).collect();
        let values = values(day);
        let mut hint = Self { values, was_out, rise: None };
        if values.iter().any(|values| *values < LEAST_VALUES) {
            return hint;
        }
        let rises = ORDERS.zip(0..).filter_map(|(order, index)| {
            let (mut inside, mut outside, mut weights) = (0.0, 0.0, 0.0);
            for (within, without) in &both {
                let (a, b) = (within.squares.get(index)?, without.squares.get(index)?);
                if a.is_finite() && b.is_finite() {
                    let weight = within.values.min(without.values) as f64;
                    inside += weight * a;
                    outside += weight * b;
                    weights += weight;
                }
            }
            let rms = |sum: f64| libm::sqrt(sum / weights);
            let rise = Rise { order, inside: rms(inside), outside: rms(outside) };
            let rises = rise.inside >= LEAST_RISE_RATIO * rise.outside
                && rise.inside - rise.outside >= LEAST_RISE_PERCENT;
            rises.then_some(rise)
        });
        hint.rise = rises.max_by(|a, b| (a.inside - a.outside).total_cmp(&(b.inside - b.outside)));
        hint
    }

    fn words(&self) -> String {
        let [inside, outside] = self.values;
        match &self.rise {
            Some(rise) => format!(
                "h{} rises: {} % with the bank in, {} % with it out",
                rise.order,
                plain(rise.inside, 2),
                plain(rise.outside, 2)
            ),
            None if !self.was_out => "cannot be told: no recent spectrum with the bank out".to_owned(),
            None if inside < LEAST_VALUES || outside < LEAST_VALUES => format!(
                "cannot be told: at the same hours of the day {} with the bank in and {outside} with it out, {LEAST_VALUES} of \
                 each are needed",
                count(inside, "ten-minute value")
            ),
            None => "no harmonic rises with the bank".to_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hour(values: u64, third: f64, fifth: f64) -> Option<Hour> {
        let mut squares = vec![0.01; 24];
        squares[1] = third * third;
        squares[3] = fifth * fifth;
        Some(Hour { values, squares })
    }

    #[test]
    fn day_and_night_are_not_taken_for_the_bank() {
        // In by day, when the fifth is high anyway; out by night; both only at 6 and 18.
        let day = Day::from([
            (3, [None, hour(60, 0.5, 0.5)]),
            (6, [hour(30, 0.5, 2.0), hour(20, 0.5, 1.0)]),
            (12, [hour(60, 0.5, 4.0), None]),
            (18, [hour(10, 0.5, 4.0), hour(40, 0.5, 3.0)]),
        ]);
        let hint = Hint::of(&day);
        assert_eq!(hint.values, [40, 60]);
        // Weights 20 and 10: √((20·4 + 10·16)/30), √((20·1 + 10·9)/30).
        let rise = hint.rise.unwrap();
        assert_eq!(rise.order, 5);
        assert!((rise.inside - 8.0_f64.sqrt()).abs() < 1e-12, "{}", rise.inside);
        assert!((rise.outside - (110.0_f64 / 30.0).sqrt()).abs() < 1e-12, "{}", rise.outside);
        assert_eq!(hint.words(), "h5 rises: 2.83 % with the bank in, 1.91 % with it out");
    }

    #[test]
    fn what_cannot_be_told_is_said() {
        let of = |day: Day| Hint::of(&day).words();
        assert_eq!(of(Day::new()), "cannot be told: no recent spectrum with the bank out");
        let few = of(Day::from([(1, [hour(60, 1.0, 9.0), hour(35, 1.0, 1.0)])]));
        assert!(few.contains("60 ten-minute values with the bank in and 35 with it out"), "{few}");
        let apart = of(Day::from([(1, [hour(60, 1.0, 9.0), None]), (2, [None, hour(60, 1.0, 1.0)])]));
        assert!(apart.starts_with("cannot be told: at the same hours of the day 0 ten"), "{apart}");
        let none = of(Day::from([(1, [hour(60, 1.0, 1.0), hour(60, 1.0, 1.0)])]));
        assert_eq!(none, "no harmonic rises with the bank");
        // A rise of a fifth of next to nothing is a step of the records.
        let little = of(Day::from([(1, [hour(60, 0.15, 1.0), hour(60, 0.1, 1.0)])]));
        assert_eq!(little, none);
    }
}
