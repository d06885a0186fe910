//! What other limits of the residual would have called, and what not: so that limits are chosen by evidence.

use std::collections::BTreeMap;

use polars::prelude::{
    Column, DataFrame, DataType, IntoLazy, NamedFrom, Series, SortMultipleOptions, col, lit,
};
use wyelog_protocol::condition::{Condition, Route};

use super::alarm_history::alarm_history;
use super::cells::Cells;
use super::slices::collect;
use super::{Filter, hours};
use crate::store::{INTERVALS, Store, StoreError};

/// Frames a second.
const FRAMES: f64 = wyelog_protocol::FRAMES_PER_SECOND as f64;

/// What shows in the residual, and is called real if a logger announced it.
const REAL: [Condition; 7] = [
    Condition::BlownFuse,
    Condition::PhaseMissingAtClose,
    Condition::UnitOut,
    Condition::ElementShort,
    Condition::PoleFailedToOpen,
    Condition::IntermittentPhase,
    Condition::SecondNeutralPath,
];

/// A limit to try.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limit {
    /// Of the residual, in per unit of the rated current.
    pub residual_pu: f64,
    /// For how long it must be reached without a break, in s.
    pub persistence_s: f64,
}

/// Intervals on end whose residual reaches a limit; frames of the logger's start.
#[derive(Clone, Debug, PartialEq)]
struct Run {
    begin: f64,
    end: f64,
}

/// What a logger announced.
#[derive(Clone, Debug)]
struct Real {
    /// The alarm that it is, also in a later start of its logger.
    id: String,
    name: String,
    begin: f64,
    end: f64,
    /// It began before the range, or in an earlier start.
    has_begun_before: bool,
}

/// Logger and its start.
type Place = (String, u64);

/// One row a limit, in their order: the residual of the stored intervals held against it.
///
/// - `alarms`: announced occurrences of blown fuses, missing phases, units out, shorted elements, stuck poles, intermittent
///   phases and second neutral paths, by the limits that the loggers had;
/// - `caught`: those that a call falls into, `caught_percent`; `missed` names the others; `delay_s`: median time from the
///   beginning of an alarm to the call;
/// - `false_calls`: calls that fall into none of them, `false_calls_per_bank_year`; `bank_years`: hours of intervals in which the
///   residual was known;
/// - `calls`: all of them.
///
/// An interval counts as a whole, so nothing shorter than one can be told: a persistence below the length of the intervals is
/// that length. Flagged intervals break a run. Ranges pick intervals, and alarms that stood in them; one that began before has no
/// delay.
///
/// # Errors
/// The store cannot be read.
pub fn whatif(store: &Store, filter: &Filter, limits: &[Limit]) -> Result<DataFrame, StoreError> {
    let least = limits.iter().map(|limit| limit.residual_pu).fold(f64::INFINITY, f64::min);
    let known = col("flagged").eq(lit(0)).and(col("residual_pu").is_not_null());
    let known = filter.rows(store, &INTERVALS, "time")?.filter(known);
    let years = known.clone().select([hours().sum().alias("h")]);
    // Only what reaches the lowest limit is held.
    let over = known.filter(col("residual_pu").gt_eq(lit(least))).select([
        col("device"),
        col("boot"),
        col("frame").cast(DataType::Float64),
        (hours() * lit(3600.0 * FRAMES)).alias("length"),
        col("residual_pu"),
    ]);
    let years = collect(years)?;
    let years = Cells(&years).real("h", 0).unwrap_or(0.0) / 8766.0;
    let over = collect(over.sort(["device", "boot", "frame"], SortMultipleOptions::default()))?;
    let real = real(store, filter)?;
    let mut rows = Vec::new();
    for limit in limits {
        rows.push(row(limit, &runs(&over, limit.residual_pu)?, &real));
    }
    Ok(frame(limits, &rows, years)?)
}

/// Runs of intervals on end.
fn runs(over: &DataFrame, residual_pu: f64) -> Result<BTreeMap<Place, Vec<Run>>, StoreError> {
    let same = col("device").eq(col("device").shift(lit(1))).and(col("boot").eq(col("boot").shift(lit(1))));
    // Half an interval is no gap: loggers' lengths vary with the frequency.
    let near = (col("frame") - col("frame").shift(lit(1))).lt_eq(lit(1.5) * col("length"));
    let goes_on = same.and(near).fill_null(lit(false));
    let over = over.clone().lazy().filter(col("residual_pu").gt_eq(lit(residual_pu)));
    let marked = over.with_column(goes_on.alias("goes_on"));
    let is_last = col("goes_on").shift(lit(-1)).fill_null(lit(false)).not();
    let marked = marked.with_column(is_last.alias("is_last"));
    let begin = (col("frame") - col("length")).alias("begin");
    let begins = marked.clone().filter(col("goes_on").not()).select([col("device"), col("boot"), begin]);
    let ends = marked.filter(col("is_last")).select([col("frame").alias("end")]).collect()?;
    // As many as begin end.
    let runs = begins.collect()?.hstack(ends.columns())?;
    let cells = Cells(&runs);
    let mut places: BTreeMap<Place, Vec<Run>> = BTreeMap::new();
    for index in 0..cells.rows() {
        let place = cells.text("device", index).zip(cells.whole("boot", index));
        let run = cells.real("begin", index).zip(cells.real("end", index));
        if let (Some(place), Some((begin, end))) = (place, run) {
            places.entry(place).or_default().push(Run { begin, end });
        }
    }
    Ok(places)
}

/// What loggers announced.
fn real(store: &Store, filter: &Filter) -> Result<BTreeMap<Place, Vec<Real>>, StoreError> {
    let history = alarm_history(store, filter)?;
    let cells = Cells(&history);
    let mut places: BTreeMap<Place, Vec<Real>> = BTreeMap::new();
    for index in 0..cells.rows() {
        let name = cells.text("condition", index).unwrap_or_default();
        let is_real = REAL.iter().any(|real| real.name() == name && real.route() != Route::LogOnly);
        let place = cells.text("device", index).zip(cells.whole("boot", index));
        let begin = cells.whole("begin_frame", index).map(|frame| frame as f64);
        let is_announced = is_real && cells.is_true("is_announced", index);
        let (true, Some(place), Some(begin)) = (is_announced, place, begin) else { continue };
        let end = begin + cells.real("duration_s", index).unwrap_or(0.0) * FRAMES;
        let [bank, phases] = ["bank", "phases"].map(|column| cells.text(column, index).unwrap_or_default());
        let name = format!("{bank}: {} {phases}", name.replace('_', " "));
        let [id, since] = ["id", "since_id"].map(|column| cells.text(column, index).unwrap_or_default());
        let is_before = |ms: i64| filter.from_ms.is_some_and(|from| ms < from);
        let has_begun_before = id != since || cells.ms("begin_time", index).is_some_and(is_before);
        places.entry(place).or_default().push(Real { id: since, name, begin, end, has_begun_before });
    }
    Ok(places)
}

/// What came of a limit.
#[derive(Clone, Debug, Default, PartialEq)]
struct Outcome {
    alarms: usize,
    missed: Vec<String>,
    delays_s: Vec<f64>,
    calls: usize,
    false_calls: usize,
}

fn row(limit: &Limit, runs: &BTreeMap<Place, Vec<Run>>, real: &BTreeMap<Place, Vec<Real>>) -> Outcome {
    let mut outcome = Outcome::default();
    let needed = limit.persistence_s * FRAMES;
    let nothing: Vec<Real> = Vec::new();
    for (place, runs) in runs {
        let alarms = real.get(place).unwrap_or(&nothing);
        for run in runs.iter().filter(|run| run.end - run.begin >= needed) {
            outcome.calls += 1;
            let is_real = alarms.iter().any(|alarm| run.begin <= alarm.end && run.end >= alarm.begin);
            outcome.false_calls += usize::from(!is_real);
        }
    }
    let none: Vec<Run> = Vec::new();
    // What a logger finds again after a restart is one alarm, caught in whichever start.
    let mut caught_of: BTreeMap<&str, (&str, bool)> = BTreeMap::new();
    for (place, alarms) in real {
        let runs = runs.get(place).unwrap_or(&none);
        for alarm in alarms {
            let calls = runs.iter().filter(|run| run.end - run.begin >= needed);
            let caught = calls.filter(|run| run.begin <= alarm.end && run.end >= alarm.begin);
            // A run that begins in the interval before the alarm calls no sooner than the alarm begins.
            let delays = caught.map(|run| (run.begin + needed - alarm.begin).max(0.0) / FRAMES);
            let delay = delays.min_by(f64::total_cmp);
            caught_of.entry(&alarm.id).or_insert((&alarm.name, false)).1 |= delay.is_some();
            outcome.delays_s.extend(delay.filter(|_| !alarm.has_begun_before));
        }
    }
    outcome.alarms = caught_of.len();
    let missed = caught_of.into_values().filter(|(_, is_caught)| !is_caught);
    outcome.missed = missed.map(|(name, _)| name.to_owned()).collect();
    outcome.missed.sort();
    outcome
}

fn frame(limits: &[Limit], rows: &[Outcome], years: f64) -> polars::prelude::PolarsResult<DataFrame> {
    let real = |name: &str, values: Vec<Option<f64>>| -> Column { Series::new(name.into(), values).into() };
    let each = |name: &str, of: &dyn Fn(&Outcome) -> Option<f64>| real(name, rows.iter().map(of).collect());
    let caught = |row: &Outcome| (row.alarms - row.missed.len()) as f64;
    let middle = |row: &Outcome| {
        let mut delays = row.delays_s.clone();
        delays.sort_by(f64::total_cmp);
        let upper = delays.get(delays.len() / 2)?;
        Some((upper + delays.get(delays.len().saturating_sub(1) / 2)?) / 2.0)
    };
    let missed: Vec<Option<String>> =
        rows.iter().map(|row| Some(row.missed.join("; ")).filter(|text| !text.is_empty())).collect();
    DataFrame::new_infer_height(vec![
        real("residual_pu", limits.iter().map(|limit| Some(limit.residual_pu)).collect()),
        real("persistence_s", limits.iter().map(|limit| Some(limit.persistence_s)).collect()),
        each("alarms", &|row| Some(row.alarms as f64)),
        each("caught", &|row| Some(caught(row))),
        each("caught_percent", &|row| (row.alarms > 0).then(|| 100.0 * caught(row) / row.alarms as f64)),
        each("delay_s", &middle),
        each("calls", &|row| Some(row.calls as f64)),
        each("false_calls", &|row| Some(row.false_calls as f64)),
        each("false_calls_per_bank_year", &|row| (years > 0.0).then(|| row.false_calls as f64 / years)),
        each("bank_years", &|_| Some(years)),
        Series::new("missed".into(), missed).into(),
    ])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::alarm_book::tests::occurrence;
    use crate::analysis::tests::{Desk, HEALTHY, interval, near, settings};
    use wyelog_protocol::quantity::PerUnit;
    use wyelog_protocol::record::{Interval, Record};

    /// A minute of which so much of the neutral current is not explained.
    fn minute(number: u64, residual: f32, flagged: u16) -> Record {
        let Record::Interval(record) = interval(number, [7200.0; 3], HEALTHY, 1.0, flagged) else { panic!() };
        Record::Interval(Interval { residual: PerUnit::quantise(residual), ..record })
    }

    #[test]
    fn limits_catch_miss_and_call_by_hand() {
        // A unit out (0.3 pu) from minute 10 to 20; three minutes of 0.2 pu from 30 that nobody announced, broken by a
        // flagged one; one minute of 0.28 pu at 40.
        let residual = |n: u64| match n {
            11..=20 => 0.3,
            31 | 32 | 34 => 0.2,
            41 => 0.28,
            _ => 0.02,
        };
        let mut records = vec![settings("Bank 1")];
        records.extend((1..=60).map(|n| minute(n, residual(n), if n == 33 { 5 } else { 0 })));
        let out = (1, Condition::UnitOut, "A");
        records.extend(occurrence(out, (10.0, Some(20.0)), [7200.0; 3], 0.3));
        let desk = Desk::new();
        desk.take("L1", &records);
        let limit = |residual_pu, persistence_s| Limit { residual_pu, persistence_s };
        let limits =
            [limit(0.25, 60.0), limit(0.25, 120.0), limit(0.15, 60.0), limit(0.15, 120.0), limit(0.4, 60.0)];
        let rows = whatif(&desk.store(), &Filter::default(), &limits).unwrap();
        let column = |name: &str| {
            let cells = Cells(&rows);
            (0..limits.len()).map(|row| cells.real(name, row).unwrap_or(f64::NAN)).collect::<Vec<_>>()
        };
        assert_eq!(column("caught"), [1.0, 1.0, 1.0, 1.0, 0.0]);
        // 0.25 pu: the minute at 40. 0.15 pu: that, two minutes and one; of two minutes only one run.
        assert_eq!(column("false_calls"), [1.0, 0.0, 3.0, 1.0, 0.0]);
        assert_eq!(column("calls"), [2.0, 1.0, 4.0, 2.0, 0.0]);
        near(&rows, "delay_s", 0, 60.0);
        near(&rows, "delay_s", 1, 120.0);
        near(&rows, "bank_years", 0, 59.0 / 60.0 / 8766.0);
        assert_eq!(Cells(&rows).text("missed", 4).as_deref(), Some("Bank 1: unit out A"));
    }
}
