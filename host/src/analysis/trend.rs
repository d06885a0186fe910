//! The values of one bank over time, thinned to what a chart can show.

use super::Filter;
use super::samples::{Sample, Samples};
use crate::store::{INTERVALS, Store, StoreError};

/// Mean and extremes of the values that fell into a stretch of time.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Spread {
    count: u32,
    sum: f64,
    squares: f64,
    /// Smallest and largest.
    range: Option<(f64, f64)>,
}

impl Spread {
    fn push(&mut self, value: Option<f64>) {
        let Some(value) = value.filter(|value| value.is_finite()) else { return };
        self.count += 1;
        self.sum += value;
        self.squares += value * value;
        self.range = Some(self.range.map_or((value, value), |(low, high)| (low.min(value), high.max(value))));
    }

    /// Takes in what another one has.
    fn merge(&mut self, other: &Self) {
        self.count += other.count;
        self.sum += other.sum;
        self.squares += other.squares;
        self.range = match (self.range, other.range) {
            (Some((low, high)), Some((lower, higher))) => Some((low.min(lower), high.max(higher))),
            (one, None) | (None, one) => one,
        };
    }

    /// Arithmetic mean.
    pub fn mean(&self) -> Option<f64> {
        (self.count > 0).then(|| self.sum / f64::from(self.count))
    }

    /// Root of the mean of the squares, as IEC 61000-4-30 4.5 combines rms values.
    pub fn rms(&self) -> Option<f64> {
        (self.count > 0).then(|| libm::sqrt(self.squares / f64::from(self.count)))
    }

    /// Smallest and largest value.
    pub const fn range(&self) -> Option<(f64, f64)> {
        self.range
    }
}

/// What happened in one stretch of time. Values of flagged intervals are not in it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Bucket {
    /// Intervals that ended in it.
    pub intervals: u32,
    /// Flagged ones among them.
    pub flagged: u32,
    /// Voltage to ground of A, B, C: rms of the intervals, in V.
    pub voltage: [Spread; 3],
    /// u2 in percent.
    pub u2: Spread,
    /// u0 in percent.
    pub u0: Spread,
    /// Fundamental of the neutral current, in A.
    pub measured_a: Spread,
    /// What the voltages explain of it, in A.
    pub explained_a: Spread,
    /// Delivered by A, B, C.
    pub kvar: [Spread; 3],
}

impl Bucket {
    /// Takes in an interval.
    pub(super) fn take(&mut self, sample: &Sample) {
        self.intervals += 1;
        if sample.is_flagged {
            self.flagged += 1;
            return;
        }
        for phase in 0..3 {
            self.voltage[phase].push(sample.voltage[phase]);
            self.kvar[phase].push(sample.kvar[phase]);
        }
        self.u2.push(sample.u2);
        self.u0.push(sample.u0);
        self.measured_a.push(sample.measured_a);
        self.explained_a.push(sample.explained_a);
    }

    /// Takes in what another stretch has.
    pub(super) fn merge(&mut self, other: &Self) {
        self.intervals += other.intervals;
        self.flagged += other.flagged;
        for phase in 0..3 {
            self.voltage[phase].merge(&other.voltage[phase]);
            self.kvar[phase].merge(&other.kvar[phase]);
        }
        self.u2.merge(&other.u2);
        self.u0.merge(&other.u0);
        self.measured_a.merge(&other.measured_a);
        self.explained_a.merge(&other.explained_a);
    }
}

/// A bank over time: stretches of one length, the empty ones too.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Trend {
    /// Beginning of the first stretch: UTC ms.
    pub start_ms: i64,
    /// Length of a stretch.
    pub width_ms: i64,
    /// Intervals that a stretch can hold; above 1 the values are thinned.
    pub intervals_per_bucket: i64,
    /// The stretches.
    pub buckets: Vec<Bucket>,
}

impl Trend {
    /// End of the last stretch: UTC ms.
    pub fn end_ms(&self) -> i64 {
        self.begin_ms(self.buckets.len())
    }

    /// Beginning of a stretch: UTC ms.
    pub fn begin_ms(&self, bucket: usize) -> i64 {
        self.start_ms.saturating_add(self.width_ms.saturating_mul(bucket as i64))
    }

    /// Middle of a stretch: UTC ms.
    pub fn middle_ms(&self, bucket: usize) -> f64 {
        self.start_ms as f64 + self.width_ms as f64 * (bucket as f64 + 0.5)
    }
}

/// Which bank, and which stretch of its life.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Span<'n> {
    /// Name of the bank.
    pub bank: &'n str,
    /// Serial number of the logger.
    pub device: &'n str,
    /// End of the first interval: UTC ms.
    pub first_ms: i64,
    /// End of the last one.
    pub last_ms: i64,
    /// Length of an interval in s.
    pub interval_s: f64,
}

impl Span<'_> {
    /// Length of an interval in ms.
    pub(super) fn interval_ms(&self) -> i64 {
        ((self.interval_s * 1000.0) as i64).clamp(1, 86_400_000)
    }

    /// The intervals of it.
    pub(super) fn filter(&self) -> Filter {
        Filter {
            from_ms: Some(self.first_ms),
            to_ms: Some(self.last_ms.saturating_add(1)),
            banks: vec![self.bank.to_owned()],
            ..Filter::default()
        }
    }
}

/// The span in at most `most` stretches, each a whole number of intervals. Intervals without a time are not in it. Only one
/// file of the store is held at a time.
///
/// # Errors
/// The store cannot be read.
pub fn trend(store: &Store, span: &Span<'_>, most: usize) -> Result<Trend, StoreError> {
    let interval_ms = span.interval_ms();
    let mut trend = Trend::empty(span.first_ms.saturating_sub(interval_ms), span.last_ms, interval_ms, most);
    let filter = span.filter();
    for frame in store.of_device(span.device).scan_each(&INTERVALS)? {
        let samples = Samples::of(filter.apply(frame, "time"))?;
        for index in 0..samples.len() {
            let sample = samples.get(index);
            if let Some(bucket) = trend.of_interval(sample.time_ms) {
                bucket.take(&sample);
            }
        }
    }
    Ok(trend)
}

/// How many `step`s hold `length`; both above zero.
const fn steps(length: i64, step: i64) -> i64 {
    length.saturating_add(step - 1) / step
}

impl Trend {
    /// Without values: at most `most` stretches.
    pub(super) fn empty(start_ms: i64, end_ms: i64, interval_ms: i64, most: usize) -> Self {
        let length = end_ms.saturating_sub(start_ms).max(interval_ms);
        let most = i64::try_from(most.max(1)).unwrap_or(i64::MAX);
        let intervals_per_bucket = steps(steps(length, interval_ms), most).max(1);
        let width_ms = interval_ms.saturating_mul(intervals_per_bucket);
        let count = steps(length, width_ms).min(most);
        let buckets = vec![Bucket::default(); usize::try_from(count).unwrap_or(0)];
        Self { start_ms, width_ms, intervals_per_bucket, buckets }
    }

    /// The stretch of the interval that ended at `end_ms`: where its middle lies, so that a clock that is a little off leaves no
    /// stretch empty.
    fn of_interval(&mut self, end_ms: i64) -> Option<&mut Bucket> {
        let half = self.width_ms / self.intervals_per_bucket.max(1) / 2;
        let offset = end_ms.saturating_sub(half).saturating_sub(self.start_ms);
        let bucket = usize::try_from(offset.checked_div_euclid(self.width_ms)?).ok()?;
        self.buckets.get_mut(bucket)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spread_by_hand() {
        let mut spread = Spread::default();
        assert_eq!((spread.mean(), spread.rms(), spread.range()), (None, None, None));
        for value in [Some(3.0), None, Some(4.0), Some(f64::NAN)] {
            spread.push(value);
        }
        assert_eq!(spread.mean(), Some(3.5));
        assert!((spread.rms().unwrap() - 12.5_f64.sqrt()).abs() < 1e-12);
        assert_eq!(spread.range(), Some((3.0, 4.0)));
    }

    #[test]
    fn two_spreads_by_hand() {
        let of = |values: &[f64]| {
            let mut spread = Spread::default();
            values.iter().for_each(|value| spread.push(Some(*value)));
            spread
        };
        let mut both = of(&[3.0, 4.0]);
        both.merge(&of(&[1.0]));
        both.merge(&Spread::default());
        assert_eq!(both, of(&[3.0, 4.0, 1.0]));
    }

    #[test]
    fn an_interval_counts_where_its_middle_lies() {
        let mut trend = Trend::empty(0, 480_000, 60_000, 4);
        assert_eq!((trend.width_ms, trend.intervals_per_bucket, trend.buckets.len()), (120_000, 2, 4));
        // Ends at minutes 1, 2, 3 and 7; a clock that is off by less than half an interval changes nothing.
        for end in [60_000, 120_000, 180_000 - 29_000, 420_000 + 29_000, 0, 520_000, i64::MIN, i64::MAX] {
            if let Some(bucket) = trend.of_interval(end) {
                bucket.intervals += 1;
            }
        }
        assert_eq!(trend.buckets.iter().map(|b| b.intervals).collect::<Vec<_>>(), [2, 1, 0, 1]);
        assert_eq!((steps(1, 60), steps(60, 60), steps(61, 60)), (1, 1, 2));
    }
}
