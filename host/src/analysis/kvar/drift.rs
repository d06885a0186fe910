//! Where the differences between the phases go: a line through the daily means since the last change of a phase.

use std::collections::BTreeMap;

use polars::prelude::{DataFrame, DataType, col, lit};
use wyelog_protocol::condition::Condition;

use super::key;
use crate::analysis::cells::Cells;
use crate::analysis::{Filter, PHASES};
use crate::store::{BASELINES, DAY_MS, EVENTS, Store, StoreError};

/// Fewest days of a trend. Our choice: a week has a working day and a Sunday.
pub const LEAST_DAYS: usize = 7;

/// Fewest good hours of a day of it. Our choice.
pub const LEAST_HOURS: f64 = 1.0;

/// A crossing further off is none.
const MOST_YEARS: f64 = 100.0;

const YEAR_MS: f64 = 365.25 * DAY_MS as f64;

/// Bank and logger.
pub(super) type Key = (String, String);

/// Of A, B, C from their mean.
type Differences = [Option<f64>; 3];

/// A straight line through daily means; times in years from its first day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Line {
    /// On its first day.
    pub first: f64,
    /// On its last day.
    pub last: f64,
    /// A year.
    pub slope: f64,
    /// Standard deviation of the slope.
    pub sigma: f64,
}

/// When a change reaches the limit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Crossing {
    pub phase: usize,
    pub ms: i64,
    pub earliest_ms: Option<i64>,
    pub latest_ms: Option<i64>,
}

/// The trend of a bank.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Drift {
    /// Begin of the first day.
    pub from_ms: i64,
    pub days: usize,
    /// Of the differences of A, B, C from their mean.
    pub lines: [Option<Line>; 3],
    /// How far these have gone since the baseline, or since the line begins.
    pub changes: [Option<f64>; 3],
    pub has_baseline: bool,
    pub crossing: Option<Crossing>,
    /// Of their mean.
    pub common: Option<Line>,
}

/// A day of a bank.
#[derive(Clone, Copy, Debug, Default)]
struct Day {
    day: i64,
    differences: [Option<f64>; 3],
    common: f64,
    rated_kvar: f64,
}

/// Of all banks with enough days. `limit_pu` is that of a change of a difference.
pub(super) fn drifts(
    store: &Store,
    filter: &Filter,
    days: &DataFrame,
    limit_pu: f64,
) -> Result<BTreeMap<Key, Drift>, StoreError> {
    let steps = last_steps(store, filter)?;
    let baselines = baselines(store, filter)?;
    let mut banks: BTreeMap<Key, Vec<Day>> = BTreeMap::new();
    let cells = Cells(days);
    let numbers = cells.reals_of("day");
    let hours = cells.reals("good_hours");
    let common = cells.reals("connected_hours");
    let rated = cells.reals("rated_kvar_phase");
    let differences = PHASES.map(|phase| cells.reals(&format!("difference_{phase}")));
    let each = PHASES.map(|phase| cells.reals(&format!("difference_hours_{phase}")));
    for row in 0..cells.rows() {
        let at = |column: &[Option<f64>]| column.get(row).copied().flatten();
        let (Some(day), Some(hours)) = (at(&numbers), at(&hours).filter(|hours| *hours >= LEAST_HOURS))
        else {
            continue;
        };
        let Some(key) = key(cells, row) else { continue };
        let of_phase = |phase: usize| {
            let hours = at(each.get(phase)?).filter(|hours| *hours > 0.0)?;
            Some(at(differences.get(phase)?)? / hours)
        };
        let day = Day {
            day: day as i64,
            differences: [0, 1, 2].map(of_phase),
            common: at(&common).unwrap_or(0.0) / hours,
            rated_kvar: at(&rated).unwrap_or(0.0),
        };
        let since = steps.get(&key).copied().unwrap_or(i64::MIN);
        if day.day.saturating_mul(DAY_MS) < since {
            continue;
        }
        let bank = banks.entry(key).or_default();
        // Another nameplate: what was before it is another bank.
        if bank.last().is_some_and(|before| before.rated_kvar != day.rated_kvar) {
            bank.clear();
        }
        bank.push(day);
    }
    let of = |(key, days): (Key, Vec<Day>)| {
        let drift = drift(&days, baselines.get(&key).copied(), limit_pu)?;
        Some((key, drift))
    };
    Ok(banks.into_iter().filter_map(of).collect())
}

fn drift(days: &[Day], baseline: Option<Differences>, limit_pu: f64) -> Option<Drift> {
    let first = days.first()?;
    if days.len() < LEAST_DAYS {
        return None;
    }
    let from_ms = first.day.saturating_mul(DAY_MS);
    let years = |day: &Day| (day.day - first.day) as f64 * DAY_MS as f64 / YEAR_MS;
    let line_of = |of: &dyn Fn(&Day) -> Option<f64>| {
        let points: Vec<(f64, f64)> = days.iter().filter_map(|day| Some((years(day), of(day)?))).collect();
        line(&points)
    };
    let lines = [0, 1, 2].map(|phase| line_of(&|day| day.differences.get(phase).copied().flatten()));
    let last = days.last().map_or(0.0, years);
    let mut drift = Drift {
        from_ms,
        days: days.len(),
        lines,
        has_baseline: baseline.is_some(),
        common: line_of(&|day| Some(day.common)),
        ..Drift::default()
    };
    for (phase, line) in lines.iter().enumerate() {
        let Some(line) = line else { continue };
        let reference = match baseline {
            Some(baseline) => baseline.get(phase).copied().flatten(),
            None => Some(line.first),
        };
        let Some(reference) = reference else { continue };
        if let Some(change) = drift.changes.get_mut(phase) {
            *change = Some(line.last - reference);
        }
        let crossing = crossing(line, reference, last, limit_pu).map(|[at, earliest, latest]| {
            let ms = |years: f64| from_ms.saturating_add((years * YEAR_MS) as i64);
            Crossing {
                phase,
                ms: ms(at.unwrap_or(0.0)),
                earliest_ms: earliest.map(ms),
                latest_ms: latest.map(ms),
            }
        });
        if let Some(new) = crossing
            && drift.crossing.is_none_or(|kept| new.ms < kept.ms)
        {
            drift.crossing = Some(new);
        }
    }
    Some(drift)
}

/// The line of least squares. Days resemble their neighbours, so the standard deviation of the slope is widened by
/// √((1+r)/(1−r)), with r the correlation of the residuals of neighbouring points where it is above zero.
fn line(points: &[(f64, f64)]) -> Option<Line> {
    let count = points.len() as f64;
    if points.len() < LEAST_DAYS {
        return None;
    }
    let x_mean = points.iter().map(|(x, _)| x).sum::<f64>() / count;
    let y_mean = points.iter().map(|(_, y)| y).sum::<f64>() / count;
    let sxx: f64 = points.iter().map(|(x, _)| (x - x_mean) * (x - x_mean)).sum();
    let sxy: f64 = points.iter().map(|(x, y)| (x - x_mean) * (y - y_mean)).sum();
    if sxx <= 0.0 {
        return None;
    }
    let slope = sxy / sxx;
    let at = |x: f64| y_mean + slope * (x - x_mean);
    let residuals: Vec<f64> = points.iter().map(|(x, y)| y - at(*x)).collect();
    let squares: f64 = residuals.iter().map(|e| e * e).sum();
    let neighbours: f64 = residuals.iter().zip(residuals.iter().skip(1)).map(|(a, b)| a * b).sum();
    let r = if squares > 0.0 { (neighbours / squares).clamp(0.0, 0.99) } else { 0.0 };
    let sigma = libm::sqrt(squares / (count - 2.0) / sxx * (1.0 + r) / (1.0 - r));
    let (first, last) = (points.first()?.0, points.last()?.0);
    Some(Line { first: at(first), last: at(last), slope, sigma })
}

/// When |line − reference| reaches the limit, in years from the first day: by the line, with a slope two standard deviations
/// steeper, and flatter. Already there at the beginning: at the beginning.
fn crossing(line: &Line, reference: f64, last: f64, limit: f64) -> Option<[Option<f64>; 3]> {
    if (line.first - reference).abs() >= limit {
        return Some([Some(0.0); 3]);
    }
    let begin = line.first - reference;
    let at = |slope: f64| {
        let way = if slope > 0.0 { limit - begin } else { -limit - begin };
        (slope != 0.0).then(|| way / slope).filter(|years| *years >= 0.0 && *years <= MOST_YEARS)
    };
    let is_there = (line.last - reference).abs() >= limit;
    if !is_there && line.slope.abs() <= 2.0 * line.sigma {
        return None;
    }
    let years = at(line.slope)?;
    if is_there {
        return Some([Some(years.min(last)); 3]);
    }
    // The slope turns about the last day: up to there it is known.
    let now = line.last - reference;
    let rest = |slope: f64| {
        let way = if slope > 0.0 { limit - now } else { -limit - now };
        let years = way / slope;
        (slope * line.slope > 0.0).then_some(last + years).filter(|years| *years <= MOST_YEARS)
    };
    let towards = line.slope.signum();
    let [steep, flat] = [2.0, -2.0].map(|times| line.slope + times * towards * line.sigma);
    Some([Some(years), rest(steep), rest(flat)])
}

/// When a phase of each bank last changed: UTC ms.
fn last_steps(store: &Store, filter: &Filter) -> Result<BTreeMap<Key, i64>, StoreError> {
    const CHANGES: [Condition; 5] = [
        Condition::BlownFuse,
        Condition::PhaseMissingAtClose,
        Condition::UnitOut,
        Condition::ElementShort,
        Condition::SecondNeutralPath,
    ];
    let until = Filter { from_ms: None, ..filter.clone() };
    let changes = CHANGES.iter().map(|of| col("condition").eq(lit(of.name())));
    let events = until.scan(store, &EVENTS, "begin_time")?;
    let events = events.filter(changes.fold(lit(false), polars::prelude::Expr::or));
    let mut steps = BTreeMap::new();
    // Both ends of it, and that it was detected: its beginning may lie before the range of a day.
    for column in ["begin_time", "end_time"] {
        let last = col(column).max().cast(DataType::Int64).alias("ms");
        let frame = events.clone().group_by([col("bank"), col("device")]).agg([last]).collect()?;
        let cells = Cells(&frame);
        for row in 0..cells.rows() {
            if let (Some(key), Some(ms)) = (key(cells, row), cells.real("ms", row)) {
                let kept = steps.entry(key).or_insert(i64::MIN);
                *kept = (*kept).max(ms as i64);
            }
        }
    }
    Ok(steps)
}

/// The differences of the baseline in force, where there is one.
fn baselines(store: &Store, filter: &Filter) -> Result<BTreeMap<Key, Differences>, StoreError> {
    let until = Filter { from_ms: None, ..filter.clone() };
    let frame = until.scan(store, &BASELINES, "time")?.collect()?;
    let cells = Cells(&frame);
    let mut latest: BTreeMap<Key, ((u64, u64), Option<Differences>)> = BTreeMap::new();
    for row in 0..cells.rows() {
        let Some(key) = key(cells, row) else { continue };
        let order = (cells.whole("boot", row).unwrap_or(0), cells.whole("sequence", row).unwrap_or(0));
        if latest.get(&key).is_some_and(|(before, _)| *before > order) {
            continue;
        }
        let connected = PHASES.map(|phase| cells.real(&format!("connected_{phase}"), row));
        let there: Vec<f64> = connected.iter().flatten().copied().collect();
        let mean = there.iter().sum::<f64>() / there.len().max(1) as f64;
        let holds = matches!(cells.text("state", row).as_deref(), Some("provisional" | "confirmed"));
        let differences = connected.map(|y| y.map(|y| y - mean));
        latest.insert(key, (order, Some(differences).filter(|_| holds && !there.is_empty())));
    }
    Ok(latest.into_iter().filter_map(|(key, (_, baseline))| Some((key, baseline?))).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(value: f64, expected: f64) {
        assert!((value - expected).abs() < 1e-9, "{value}, not {expected}");
    }

    #[test]
    fn a_line_by_hand() {
        // 0, 1, … 6 with y = 1 + 2x and a residual of 1, 0, −1, 0, −1, 0, 1: no slope of its own, ΣE² = 4, Sxx = 28.
        let e = [1.0, 0.0, -1.0, 0.0, -1.0, 0.0, 1.0];
        let points: Vec<(f64, f64)> =
            e.iter().enumerate().map(|(x, e)| (x as f64, 1.0 + 2.0 * x as f64 + e)).collect();
        let line = line(&points).unwrap();
        near(line.slope, 2.0);
        near(line.first, 1.0);
        near(line.last, 13.0);
        near(line.sigma, (4.0_f64 / 5.0 / 28.0).sqrt());
        assert_eq!(super::line(&points[..6]), None);
    }

    #[test]
    fn neighbours_that_resemble_each_other_widen_the_slope() {
        // Residuals 1, 1, −1, −1, −1, −1, 1, 1 about 0: neighbours' products sum to 1+−1+1+1+1−1+1 = 3 of 8.
        let e = [1.0, 1.0, -1.0, -1.0, -1.0, -1.0, 1.0, 1.0];
        let points: Vec<(f64, f64)> = e.iter().enumerate().map(|(x, e)| (x as f64, *e)).collect();
        let line = line(&points).unwrap();
        near(line.slope, 0.0);
        let r = 3.0 / 8.0;
        near(line.sigma, (8.0_f64 / 6.0 / 42.0 * (1.0 + r) / (1.0 - r)).sqrt());
    }

    #[test]
    fn a_crossing_by_hand() {
        // From 0.01 at the beginning, 0.01 a year, seen for one year; limit 0.04 from a reference of 0: after three years.
        let line = Line { first: 0.01, last: 0.02, slope: 0.01, sigma: 0.002 };
        let [at, earliest, latest] = crossing(&line, 0.0, 1.0, 0.04).unwrap();
        near(at.unwrap(), 3.0);
        near(earliest.unwrap(), 1.0 + 0.02 / 0.014);
        near(latest.unwrap(), 1.0 + 0.02 / 0.006);
        // Downwards from −0.01 to −0.02.
        let down = Line { first: -0.01, last: -0.02, slope: -0.01, sigma: 0.002 };
        near(crossing(&down, 0.0, 1.0, 0.04).unwrap()[0].unwrap(), 3.0);
        // A slope that may be none crosses nothing; one that may be flat has no latest date.
        assert_eq!(crossing(&Line { sigma: 0.005, ..line }, 0.0, 1.0, 0.04), None);
        // Already beyond.
        near(crossing(&Line { last: 0.05, slope: 0.04, ..line }, 0.0, 1.0, 0.04).unwrap()[0].unwrap(), 0.75);
        near(crossing(&line, -0.04, 1.0, 0.04).unwrap()[0].unwrap(), 0.0);
        assert_eq!(crossing(&Line { slope: 1e-5, sigma: 0.0, ..line }, 0.0, 1.0, 0.04), None);
    }
}
