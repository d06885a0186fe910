//! Round numbers on axes.

use super::text::{civil, grouped, short_month};
use wyelog_simulator::civil::Civil;

/// An axis from a value to a value, and what stands along it.
#[derive(Clone, Debug, PartialEq)]
pub struct Axis {
    /// Value at its beginning.
    pub from: f64,
    /// Value at its end; larger.
    pub to: f64,
    /// Values with their labels.
    pub ticks: Vec<(f64, String)>,
    /// Values that only have a mark.
    pub minor: Vec<f64>,
}

impl Axis {
    /// Where a value lies: 0 at the beginning, 1 at the end.
    pub fn part(&self, value: f64) -> f64 {
        (value - self.from) / (self.to - self.from)
    }

    /// Of numbers, from a round one to a round one, in about `steps` steps.
    pub fn numbers(low: f64, high: f64, steps: f64) -> Self {
        let is_sound =
            low.is_finite() && high.is_finite() && low < high && high.abs() < 1e12 && low.abs() < 1e12;
        let (low, high) = if is_sound { (low, high) } else { (0.0, 1.0) };
        let raw = ((high - low) / steps).max(1e-9);
        let power = libm::pow(10.0, libm::floor(libm::log10(raw)));
        let step =
            [1.0, 2.0, 5.0, 10.0].into_iter().map(|n| n * power).find(|s| *s >= raw * 0.999).unwrap_or(raw);
        let first = libm::floor(low / step + 1e-9);
        let last = libm::ceil(high / step - 1e-9).max(first + 1.0);
        let decimals = if step >= 1.0 { 0 } else { (-libm::floor(libm::log10(step) + 1e-9)) as usize };
        let count = (last - first).min(20.0) as u32;
        let ticks =
            (0..=count).map(|n| (first + f64::from(n)) * step).map(|value| (value, grouped(value, decimals)));
        Self { from: first * step, to: last * step, ticks: ticks.collect(), minor: Vec::new() }
    }

    /// Of time, from UTC ms to UTC ms, with at most `most` labels.
    pub fn time(from: i64, to: i64, most: usize) -> Self {
        // A clock may have said anything.
        let from = from.clamp(0, LAST_MS - 1000);
        let to = to.clamp(from + 1000, LAST_MS);
        let length = to - from;
        let most_i = i64::try_from(most.max(1)).unwrap_or(i64::MAX);
        let step = STEPS.into_iter().find(|step| length / step < most_i);
        let ticks = match step {
            Some(step) => {
                let first = from.div_euclid(step) * step + if from.rem_euclid(step) == 0 { 0 } else { step };
                let ticks = (0..=most_i).map(|n| first + n * step).take_while(|tick| *tick <= to);
                let mut month = 0;
                let label = |tick: i64| {
                    let at = civil(tick);
                    // The month once, and where it changes.
                    let is_new = std::mem::replace(&mut month, at.month) != at.month;
                    if step >= DAY && !is_new { at.day.to_string() } else { time_label(tick, step) }
                };
                let labels: Vec<i64> = ticks.collect();
                labels.iter().map(|tick| *tick as f64).zip(labels.iter().copied().map(label)).collect()
            }
            None => months(from, to, most),
        };
        let day_marks = length / DAY <= 62 && step.is_none_or(|step| step > DAY);
        let minor = if day_marks {
            let first = from.div_euclid(DAY) + 1;
            (0..).map(|n| (first + n) * DAY).take_while(|day| *day <= to).map(|day| day as f64).collect()
        } else {
            Vec::new()
        };
        Self { from: from as f64, to: to as f64, ticks, minor }
    }
}

/// End of the year 9999.
const LAST_MS: i64 = 253_402_300_800_000;

const SECOND: i64 = 1000;
const MINUTE: i64 = 60 * SECOND;
const HOUR: i64 = 60 * MINUTE;
const DAY: i64 = 24 * HOUR;

/// Round steps of time; beyond them, months.
const STEPS: [i64; 19] = [
    SECOND,
    5 * SECOND,
    15 * SECOND,
    30 * SECOND,
    MINUTE,
    2 * MINUTE,
    5 * MINUTE,
    10 * MINUTE,
    20 * MINUTE,
    30 * MINUTE,
    HOUR,
    2 * HOUR,
    3 * HOUR,
    6 * HOUR,
    12 * HOUR,
    DAY,
    2 * DAY,
    4 * DAY,
    7 * DAY,
];

fn time_label(ms: i64, step: i64) -> String {
    let at = civil(ms);
    if ms.rem_euclid(DAY) == 0 {
        format!("{} {}", at.day, short_month(&at))
    } else if step < MINUTE {
        format!("{:02}:{:02}:{:02}", at.hour, at.minute, at.second)
    } else {
        format!("{:02}:{:02}", at.hour, at.minute)
    }
}

/// First days of months or years.
fn months(from: i64, to: i64, most: usize) -> Vec<(f64, String)> {
    let (first, last) = (civil(from), civil(to));
    let span = (last.year - first.year) * 12 + last.month - first.month + 1;
    let steps = [1, 2, 3, 6, 12, 24, 60, 120, 600, 1200, 6000];
    let step = steps.into_iter().find(|step| span / step < most as i64).unwrap_or(60_000);
    let begin = (first.year * 12 + first.month - 1).div_euclid(step) * step;
    let ticks = (0..).map(|n| begin + n * step).take_while(|month| *month < last.year * 12 + last.month);
    ticks
        .filter_map(|month| {
            let (year, month) = (month.div_euclid(12), month.rem_euclid(12) + 1);
            let day = Civil { year, month, day: 1, hour: 0, minute: 0, second: 0 };
            let ms = day.unix_seconds()? * 1000;
            let label = if step < 12 { format!("{} {year}", short_month(&day)) } else { format!("{year}") };
            (from..=to).contains(&ms).then_some((ms as f64, label))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(axis: &Axis) -> Vec<&str> {
        axis.ticks.iter().map(|(_, label)| label.as_str()).collect()
    }

    #[test]
    fn numbers_are_round() {
        assert_eq!(labels(&Axis::numbers(7133.0, 7391.0, 4.0)), ["7,100", "7,200", "7,300", "7,400"]);
        assert_eq!(labels(&Axis::numbers(0.0, 1.3, 4.0)), ["0.0", "0.5", "1.0", "1.5"]);
        assert_eq!(labels(&Axis::numbers(0.0, 0.021, 4.0)), ["0.00", "0.01", "0.02", "0.03"]);
        for (low, high) in [(f64::NAN, 1.0), (1.0, 1.0), (0.0, f64::INFINITY), (0.0, 1e300), (5.0, 4.0)] {
            let axis = Axis::numbers(low, high, 4.0);
            assert!(axis.to > axis.from && axis.ticks.len() > 1, "{low} {high}");
        }
    }

    #[test]
    fn times_are_round_for_minutes_days_and_years() {
        let start = 1_903_824_000_000;
        let labels = |length: i64| {
            let axis = Axis::time(start, start + length, 6);
            labels(&axis).iter().map(|label| (*label).to_owned()).collect::<Vec<_>>()
        };
        assert_eq!(labels(3 * HOUR), ["1 May", "01:00", "02:00", "03:00"]);
        assert_eq!(labels(14 * DAY), ["2 May", "6", "10", "14"]);
        assert_eq!(labels(35 * DAY), ["2 May", "9", "16", "23", "30"]);
        assert_eq!(labels(400 * DAY), ["July 2030", "Oct 2030", "Jan 2031", "Apr 2031"]);
        assert!(!labels(40_000 * DAY).is_empty());
        for length in [0, 1, 61_000, DAY - 1, 62 * DAY, 200 * DAY, 5000 * DAY] {
            assert!((1..=8).contains(&labels(length).len()), "{length}: {:?}", labels(length));
        }
        assert!(!Axis::time(i64::MIN, i64::MAX, 6).ticks.is_empty());
        assert!(Axis::time(i64::MAX, i64::MAX, 6).minor.len() < 99);
        assert_eq!(Axis::time(start, start + 14 * DAY, 6).minor.len(), 14);
    }
}
