//! The charts of a bank over time.

use super::axis::Axis;
use super::chart::Chart;
use super::text::grouped;
use crate::analysis::fleet::FleetRow;
use crate::analysis::trend::{Bucket, Spread, Trend};

/// Most labels along a time axis.
pub const TIME_LABELS: usize = 8;
const LETTERS: [&str; 3] = ["A", "B", "C"];
const CLASSES: [&str; 3] = ["pa", "pb", "pc"];

/// Which charts have bands from the smallest to the largest interval where several are one point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Bands {
    /// That of the voltages.
    Voltages,
    /// All of them.
    All,
}

/// Values in a stretch of time.
type Of = fn(&Bucket) -> &Spread;

fn points(trend: &Trend, of: impl Fn(&Bucket) -> Option<f64>) -> impl Iterator<Item = (f64, Option<f64>)> {
    trend.buckets.iter().enumerate().map(move |(index, bucket)| (trend.middle_ms(index), of(bucket)))
}

fn last(trend: &Trend, of: impl Fn(&Bucket) -> Option<f64>) -> Option<f64> {
    trend.buckets.iter().rev().find_map(of)
}

/// Smallest and largest of values.
fn extent(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    values.fold(None, |range, value| {
        Some(range.map_or((value, value), |(low, high): (f64, f64)| (low.min(value), high.max(value))))
    })
}

fn time(trend: &Trend) -> Axis {
    Axis::time(trend.start_ms, trend.end_ms(), TIME_LABELS)
}

/// Room for what lies in `extent`, and at least `least` of it.
fn roomy(extent: Option<(f64, f64)>, least: f64) -> (f64, f64) {
    let (low, high) = extent.unwrap_or((0.0, 1.0));
    let missing = (least - (high - low)).max(0.0) / 2.0;
    (low - missing, high + missing)
}

fn empty(id: &str, trend: &Trend, what: &str, unit: &str) -> String {
    let mut chart = Chart::new(id, time(trend), Axis::numbers(0.0, 1.0, 2.0));
    chart.label("ink", 0.5, "no values".to_owned());
    chart.finish(what, "There are no values that could be shown.", unit)
}

/// Bands of values where the lines are thinned.
fn bands(chart: &mut Chart, trend: &Trend, class: &str, of: impl Fn(&Bucket) -> &Spread) {
    let buckets = trend.buckets.iter().enumerate();
    chart.band(class, buckets.map(|(index, bucket)| (trend.middle_ms(index), of(bucket).range())));
}

/// rms of the three voltages, with a band from the smallest to the largest interval where several are one point.
pub fn voltages(id: &str, trend: &Trend) -> String {
    let title = "Voltage to ground of phases A, B, C";
    let ranges =
        trend.buckets.iter().flat_map(|bucket| bucket.voltage.iter().filter_map(|spread| spread.range()));
    let Some((low, high)) = extent(ranges.flat_map(|(low, high)| [low, high])) else {
        return empty(id, trend, title, "V");
    };
    let (low, high) = roomy(Some((low, high)), high * 0.03);
    let mut chart = Chart::new(id, time(trend), Axis::numbers(low.max(0.0), high, 4.0));
    let mut said = Vec::new();
    if trend.intervals_per_bucket > 1 {
        for (phase, class) in CLASSES.into_iter().enumerate() {
            bands(&mut chart, trend, class, |bucket| &bucket.voltage[phase]);
        }
    }
    for phase in 0..3 {
        let of = |bucket: &Bucket| bucket.voltage[phase].rms();
        chart.line(CLASSES[phase], points(trend, of));
        if let Some(value) = last(trend, of) {
            chart.label(CLASSES[phase], value, format!("{} {}", LETTERS[phase], grouped(value, 0)));
            said.push(format!("{} {} V", LETTERS[phase], grouped(value, 0)));
        }
    }
    let flagged = trend.buckets.iter().enumerate().filter(|(_, bucket)| bucket.flagged > 0);
    chart.marks(flagged.map(|(index, _)| trend.middle_ms(index)));
    let desc = format!("From {} to {} V; at the end {}.", grouped(low, 0), grouped(high, 0), said.join(", "));
    chart.finish(title, &desc, "V, rms")
}

/// A line of a chart that begins at zero: class, name, value, decimals of its label.
type Line = (&'static str, &'static str, Of, usize);

/// What a chart that begins at zero shows: title, unit, what its axis reaches to at least, lines.
struct FromZero<'l> {
    title: &'l str,
    unit: &'l str,
    least: f64,
    lines: &'l [Line],
}

fn from_zero(id: &str, trend: &Trend, of: &FromZero<'_>, with: Bands) -> String {
    let FromZero { title, unit, least, lines } = *of;
    let is_banded = with == Bands::All && trend.intervals_per_bucket > 1;
    let top = |spread: &Spread| spread.range().filter(|_| is_banded).map(|(_, high)| high).or(spread.rms());
    let values = lines.iter().flat_map(|(_, _, of, _)| trend.buckets.iter().filter_map(|b| top(of(b))));
    let Some((_, high)) = extent(values) else { return empty(id, trend, title, unit) };
    let mut chart = Chart::new(id, time(trend), Axis::numbers(0.0, high.max(least), 4.0));
    let mut said = Vec::new();
    for (class, name, of, decimals) in lines {
        if is_banded {
            bands(&mut chart, trend, class, of);
        }
        let of = |bucket: &Bucket| of(bucket).rms();
        chart.line(class, points(trend, of));
        if let Some(value) = last(trend, of) {
            let decimals = if value < 10.0 { *decimals } else { decimals.saturating_sub(1) };
            chart.label(class, value, format!("{name} {}", grouped(value, decimals)));
            said.push(format!("{name} {}", grouped(value, decimals)));
        }
    }
    let desc = format!("At most {} {unit}; at the end {}.", grouped(high, 2), said.join(", "));
    chart.finish(title, &desc, unit)
}

/// u2 and u0.
pub fn unbalance(id: &str, trend: &Trend, with: Bands) -> String {
    let lines: [Line; 2] = [("ink", "u2", |bucket| &bucket.u2, 2), ("dash", "u0", |bucket| &bucket.u0, 2)];
    let of = FromZero { title: "Voltage unbalance u2 and u0", unit: "%", least: 0.5, lines: &lines };
    from_zero(id, trend, &of, with)
}

/// The neutral current, and what the voltages explain of it.
pub fn neutral(id: &str, trend: &Trend, with: Bands) -> String {
    let lines: [Line; 2] = [
        ("ink", "measured", |bucket| &bucket.measured_a, 2),
        ("dash", "explained", |bucket| &bucket.explained_a, 2),
    ];
    let title = "Neutral current, measured and explained by the voltages";
    let of = FromZero { title, unit: "A, fundamental", least: 0.5, lines: &lines };
    from_zero(id, trend, &of, with)
}

/// Reactive power of the phases, with the rated one.
pub fn kvar(id: &str, trend: &Trend, row: &FleetRow, with: Bands) -> String {
    let title = "Reactive power delivered by phases A, B, C";
    let is_banded = with == Bands::All && trend.intervals_per_bucket > 1;
    let ends = |spread: &Spread| match spread.range().filter(|_| is_banded) {
        Some((low, high)) => [Some(low), Some(high)],
        None => [spread.mean(), None],
    };
    let spreads = trend.buckets.iter().flat_map(|bucket| &bucket.kvar);
    let values = spreads.flat_map(ends).flatten();
    let Some((low, high)) = extent(values) else { return empty(id, trend, title, "kvar") };
    let high = high.max(row.rated_kvar_phase.unwrap_or(0.0));
    // A phase that is gone gives a little less or more than nothing: no reason for an axis below zero.
    let low = if low < -0.05 * high { low } else { 0.0 };
    let mut chart = Chart::new(id, time(trend), Axis::numbers(low, high.max(1.0), 4.0));
    if let Some(rated) = row.rated_kvar_phase {
        chart.level(rated);
        chart.label("soft", rated, format!("rated {}", grouped(rated, 0)));
    }
    let mut said = Vec::new();
    for phase in 0..3 {
        if is_banded {
            bands(&mut chart, trend, CLASSES[phase], |bucket| &bucket.kvar[phase]);
        }
        let of = |bucket: &Bucket| bucket.kvar[phase].mean();
        chart.line(CLASSES[phase], points(trend, of));
        if let Some(value) = last(trend, of) {
            chart.label(CLASSES[phase], value, format!("{} {}", LETTERS[phase], grouped(value, 0)));
            said.push(format!("{} {} kvar", LETTERS[phase], grouped(value, 0)));
        }
    }
    chart.finish(title, &format!("At the end {}.", said.join(", ")), "kvar")
}
