//! How often banks and feeders raise alarms, and which bank's fuses go again and again.

use std::collections::{BTreeMap, BTreeSet};

use polars::prelude::{Column, DataFrame, DataType, NamedFrom, Series, col};
use wyelog_protocol::condition::{Condition, Route};

use super::alarm_history::alarm_history;
use super::cells::Cells;
use super::feeder_events::find;
use super::slices::collect;
use super::{Filter, days, times};
use crate::store::{Store, StoreError};

const YEAR_MS: f64 = 365.25 * 86_400_000.0;

/// Two fuse operations on one bank within this are said to be repeated: a year. Our choice.
pub const REPEATED_MS: i64 = 31_557_600_000;

/// Records of less than thirty days give no rate. Our choice.
const LEAST_YEARS: f64 = 30.0 / 365.25;

#[derive(Clone, Debug, Default)]
struct Counts {
    routes: [u32; 4],
    fuses: Vec<(i64, String)>,
    events: u32,
    span: Option<(i64, i64)>,
    banks: BTreeSet<String>,
}

/// A row a bank, then a row a feeder, each by what is most often announced to a crew.
///
/// - `years`: from the first to the last interval in the range; of a feeder the sum of its banks';
/// - `hazard`, `crew`, `engineer`, `log_only`: alarms of each route, and `…_per_year`: over `years`; null where that is less than
///   thirty days, and extrapolated where it is less than a year;
/// - `voltage_events`, `voltage_events_per_year`: of a feeder the [events](super::feeder_events) that its banks saw, each once,
///   over the time in which any of its banks has records; of a bank those that it saw;
/// - `fuse_operations`: blown fuses; `fuse_phases`: on which phases, in order of time, such as "A, B, B"; `repeated_fuse`: two of them within a
///   year on one bank; of a feeder, on any of its banks.
///
/// # Errors
/// The store cannot be read.
pub fn alarm_rates(store: &Store, filter: &Filter) -> Result<DataFrame, StoreError> {
    let mut banks: BTreeMap<(String, Option<String>), Counts> = BTreeMap::new();
    let spans = days::days(store, filter)?.group_by([col("bank")]).agg([
        col("first_time").min().cast(DataType::Int64).alias("first"),
        col("time").max().cast(DataType::Int64).alias("last"),
    ]);
    let spans = collect(store.with_feeders(spans))?;
    let cells = Cells(&spans);
    for row in 0..cells.rows() {
        let Some(bank) = cells.text("bank", row) else { continue };
        let counts = banks.entry((bank, cells.text("feeder", row))).or_default();
        counts.span =
            cells.real("first", row).zip(cells.real("last", row)).map(|(a, b)| (a as i64, b as i64));
    }
    let history = alarm_history(store, filter)?;
    let cells = Cells(&history);
    let begins_later = |ms: Option<i64>| filter.from_ms.is_none_or(|from| ms.is_some_and(|ms| ms >= from));
    for row in 0..cells.rows() {
        // What goes on from before a restart, or before the range, has not begun here.
        let is_first = cells.text("id", row) == cells.text("since_id", row);
        if !is_first || !begins_later(cells.ms("begin_time", row)) {
            continue;
        }
        let (Some(bank), Some(name)) = (cells.text("bank", row), cells.text("condition", row)) else {
            continue;
        };
        let counts = banks.entry((bank, cells.text("feeder", row))).or_default();
        let Some(condition) = Condition::ALL.into_iter().find(|condition| condition.name() == name) else {
            continue;
        };
        if let Some(count) = counts.routes.get_mut(place(condition.route())) {
            *count += 1;
        }
        if condition == Condition::BlownFuse {
            let phases = cells.text("phases", row).unwrap_or_default();
            counts.fuses.push((cells.ms("begin_time", row).unwrap_or(i64::MIN), phases));
        }
    }
    let mut feeders: BTreeMap<String, Counts> = BTreeMap::new();
    for event in find(store, filter, &history)?.into_iter().filter(|event| begins_later(event.begin_ms)) {
        if let Some(feeder) = &event.feeder {
            feeders.entry(feeder.clone()).or_default().events += 1;
        }
        for bank in &event.banks {
            if let Some(counts) = banks.get_mut(&(bank.clone(), event.feeder.clone())) {
                counts.events += 1;
            }
        }
    }
    for ((bank, feeder), counts) in &banks {
        let Some(feeder) = feeder else { continue };
        let all = feeders.entry(feeder.clone()).or_default();
        all.banks.insert(bank.clone());
        for (sum, one) in all.routes.iter_mut().zip(counts.routes) {
            *sum += one;
        }
        if let Some((first, last)) = counts.span {
            let (from, to) = all.span.unwrap_or((first, last));
            all.span = Some((from.min(first), to.max(last)));
        }
    }
    frame(&banks, &feeders)
}

const fn place(route: Route) -> usize {
    match route {
        Route::Hazard => 0,
        Route::Crew => 1,
        Route::Engineer => 2,
        Route::LogOnly => 3,
    }
}

/// A line of the table.
struct Line {
    level: &'static str,
    bank: Option<String>,
    feeder: Option<String>,
    counts: Counts,
    /// Of its banks together.
    years: f64,
    /// Of a feeder: from the first to the last of all of them.
    event_years: f64,
    is_repeated: bool,
}

fn years(span: Option<(i64, i64)>) -> f64 {
    span.map_or(0.0, |(first, last)| (last - first) as f64 / YEAR_MS)
}

/// Two of the times within a year.
fn is_repeated(fuses: &[(i64, String)]) -> bool {
    let mut times: Vec<i64> = fuses.iter().map(|(ms, _)| *ms).filter(|ms| *ms > i64::MIN).collect();
    times.sort_unstable();
    times.iter().zip(times.iter().skip(1)).any(|(one, next)| next - one <= REPEATED_MS)
}

fn frame(
    banks: &BTreeMap<(String, Option<String>), Counts>,
    feeders: &BTreeMap<String, Counts>,
) -> Result<DataFrame, StoreError> {
    let bank_line = |((bank, feeder), counts): (&(String, Option<String>), &Counts)| Line {
        level: "bank",
        bank: Some(bank.clone()),
        feeder: feeder.clone(),
        years: years(counts.span),
        event_years: years(counts.span),
        is_repeated: is_repeated(&counts.fuses),
        counts: counts.clone(),
    };
    let feeder_line = |(feeder, counts): (&String, &Counts)| {
        let own = || banks.iter().filter(|((_, of), _)| of.as_ref() == Some(feeder));
        let mut counts = counts.clone();
        counts.fuses = own().flat_map(|(_, counts)| counts.fuses.clone()).collect();
        Line {
            level: "feeder",
            bank: None,
            feeder: Some(feeder.clone()),
            years: own().map(|(_, counts)| years(counts.span)).sum(),
            event_years: years(counts.span),
            is_repeated: own().any(|(_, counts)| is_repeated(&counts.fuses)),
            counts,
        }
    };
    let mut lines: Vec<Line> = banks.iter().map(bank_line).collect();
    let mut feeder_lines: Vec<Line> = feeders.iter().map(feeder_line).collect();
    let often = |line: &Line| {
        std::cmp::Reverse((line.counts.routes[0] + line.counts.routes[1], line.counts.fuses.len()))
    };
    lines.sort_by_key(often);
    feeder_lines.sort_by_key(often);
    lines.append(&mut feeder_lines);
    let per_year = |count: f64, years: f64| (years >= LEAST_YEARS).then(|| count / years);
    let text = |name: &str, of: &dyn Fn(&Line) -> Option<String>| -> Column {
        Series::new(name.into(), lines.iter().map(of).collect::<Vec<_>>()).into()
    };
    let real = |name: &str, of: &dyn Fn(&Line) -> Option<f64>| -> Column {
        Series::new(name.into(), lines.iter().map(of).collect::<Vec<_>>()).into()
    };
    let mut columns = vec![
        text("level", &|line| Some(line.level.to_owned())),
        text("bank", &|line| line.bank.clone()),
        text("feeder", &|line| line.feeder.clone()),
        real("years", &|line| Some(line.years)),
        times("first_time", lines.iter().map(|line| line.counts.span.map(|(first, _)| first)).collect())?,
        times("last_time", lines.iter().map(|line| line.counts.span.map(|(_, last)| last)).collect())?,
    ];
    for route in [Route::Hazard, Route::Crew, Route::Engineer, Route::LogOnly] {
        let count = move |line: &Line| line.counts.routes.get(place(route)).map(|count| f64::from(*count));
        columns.push(real(route.name(), &count));
        columns.push(real(&format!("{}_per_year", route.name()), &|line| per_year(count(line)?, line.years)));
    }
    let events = |line: &Line| f64::from(line.counts.events);
    columns.push(real("voltage_events", &|line| Some(events(line))));
    columns.push(real("voltage_events_per_year", &|line| per_year(events(line), line.event_years)));
    columns.push(real("fuse_operations", &|line| Some(line.counts.fuses.len() as f64)));
    columns.push(text("fuse_phases", &|line| {
        let mut fuses = line.counts.fuses.clone();
        fuses.sort();
        let phases: Vec<&str> = fuses.iter().map(|(_, phases)| phases.as_str()).collect();
        Some(phases.join(", ")).filter(|text| !text.is_empty())
    }));
    let repeated: Vec<bool> = lines.iter().map(|line| line.is_repeated).collect();
    columns.push(Series::new("repeated_fuse".into(), repeated).into());
    Ok(DataFrame::new_infer_height(columns)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_within_a_year_are_repeated() {
        let fuse = |days: i64| (days * 86_400_000, "A".to_owned());
        assert!(!is_repeated(&[]));
        assert!(!is_repeated(&[fuse(0)]));
        assert!(is_repeated(&[fuse(365), fuse(0)]));
        assert!(!is_repeated(&[fuse(366), fuse(0)]));
        assert!(!is_repeated(&[(i64::MIN, "A".to_owned()), fuse(0)]));
    }
}
