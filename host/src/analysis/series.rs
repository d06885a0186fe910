//! The values of one bank in memory: any stretch of them is thinned at once, as who zooms wants it.

use super::samples::Samples;
use super::trend::{Bucket, Span, Trend};
use crate::store::{INTERVALS, Store, StoreError};

/// Intervals that are summed up ahead, so that thinning a year does not look at each of its minutes.
const BLOCK: usize = 64;

/// Every interval of a bank that has a time.
#[derive(Clone, Debug)]
pub struct Series {
    interval_ms: i64,
    samples: Samples,
    /// Of each [`BLOCK`] of them.
    blocks: Vec<Bucket>,
}

impl Series {
    /// Reads it.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn read(store: &Store, span: &Span<'_>) -> Result<Self, StoreError> {
        let filter = span.filter();
        let mut samples = Samples::default();
        for frame in store.of_device(span.device).scan_each(&INTERVALS)? {
            samples.append(Samples::of(filter.apply(frame, "time"))?);
        }
        Ok(Self::new(samples, span.interval_ms()))
    }

    fn new(mut samples: Samples, interval_ms: i64) -> Self {
        samples.sort();
        let of_block = |begin: usize| {
            let mut bucket = Bucket::default();
            for index in begin..(begin + BLOCK).min(samples.len()) {
                bucket.take(&samples.get(index));
            }
            bucket
        };
        let blocks = (0..samples.len()).step_by(BLOCK).map(of_block).collect();
        Self { interval_ms, samples, blocks }
    }

    /// How many intervals it has.
    pub fn len(&self) -> usize {
        self.samples.len()
    }

    /// Whether it has none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Length of an interval in ms.
    pub const fn interval_ms(&self) -> i64 {
        self.interval_ms
    }

    /// Beginning of the first interval and end of the last one: UTC ms.
    pub fn range(&self) -> Option<(i64, i64)> {
        let times = self.samples.times();
        Some((times.first()?.saturating_sub(self.interval_ms), *times.last()?))
    }

    /// From `from_ms` to `to_ms` in at most `most` stretches, each a whole number of intervals: as
    /// [`trend`](super::trend::trend).
    /// Smallest and largest values of a stretch are those of every interval in it.
    pub fn trend(&self, from_ms: i64, to_ms: i64, most: usize) -> Trend {
        // Stretches begin where intervals begin.
        let begin = self.range().map_or(from_ms, |(begin, _)| begin);
        let ahead = from_ms.saturating_sub(begin).rem_euclid(self.interval_ms);
        let mut trend = Trend::empty(from_ms.saturating_sub(ahead), to_ms, self.interval_ms, most);
        let half = self.interval_ms / 2;
        // The first interval with its middle at this time or later.
        let first_at = |ms: i64| self.samples.times().partition_point(|end| end.saturating_sub(half) < ms);
        let mut from = first_at(trend.start_ms);
        for index in 0..trend.buckets.len() {
            let to = first_at(trend.begin_ms(index + 1)).max(from);
            if let Some(bucket) = trend.buckets.get_mut(index) {
                *bucket = self.sum(from, to);
            }
            from = to;
        }
        trend
    }

    /// All of the intervals from number `from` to before number `to`.
    fn sum(&self, from: usize, to: usize) -> Bucket {
        let mut bucket = Bucket::default();
        let mut index = from;
        while index < to {
            if index.is_multiple_of(BLOCK)
                && index + BLOCK <= to
                && let Some(block) = self.blocks.get(index / BLOCK)
            {
                bucket.merge(block);
                index += BLOCK;
            } else {
                bucket.take(&self.samples.get(index));
                index += 1;
            }
        }
        bucket
    }
}

#[cfg(test)]
mod tests {
    use super::super::samples::Sample;
    use super::*;

    const MINUTE: i64 = 60_000;

    /// Minutes of 7200 V with one of 5000 V, one of which nothing is known and one flagged; clocks a little off.
    fn series(minutes: i64, dip: i64) -> Series {
        let mut samples = Samples::default();
        for minute in (0..minutes).rev() {
            samples.push(&Sample {
                time_ms: (minute + 1) * MINUTE + minute % 7 * 1000,
                is_flagged: minute == 5,
                voltage: [Some(if minute == dip { 5000.0 } else { 7200.0 }), None, None],
                u2: (minute != 9).then_some(1.0),
                ..Sample::default()
            });
        }
        Series::new(samples, MINUTE)
    }

    #[test]
    fn a_dip_of_a_minute_is_in_every_zoom_of_a_year() {
        let (year, dip) = (525_600, 300_017);
        let series = series(year, dip);
        for (from, to) in [(0, year), (dip - 100_000, dip + 2), (dip - 700, dip + 1400), (dip - 3, dip + 9)] {
            let trend = series.trend(from * MINUTE, to * MINUTE, 480);
            assert!((1..=480).contains(&trend.buckets.len()));
            let lowest = trend.buckets.iter().filter_map(|bucket| bucket.voltage[0].range());
            assert_eq!(lowest.map(|(low, _)| low).fold(f64::INFINITY, f64::min), 5000.0, "{from} {to}");
            // Every stretch has its intervals, though clocks are off.
            assert!(trend.buckets.iter().all(|bucket| bucket.intervals > 0), "{from} {to}");
        }
        let all = series.trend(0, year * MINUTE, 480);
        assert_eq!(all.buckets.iter().map(|bucket| i64::from(bucket.intervals)).sum::<i64>(), year);
        assert_eq!(all.buckets.iter().map(|bucket| bucket.flagged).sum::<u32>(), 1);
    }

    #[test]
    fn blocks_change_nothing() {
        let series = series(1000, 400);
        for (from, to) in [(0, 0), (0, 1000), (1, 64), (64, 128), (63, 129), (700, 1000)] {
            let mut one_by_one = Bucket::default();
            for index in from..to {
                one_by_one.take(&series.samples.get(index));
            }
            assert_eq!(series.sum(from, to), one_by_one, "{from} {to}");
        }
    }

    #[test]
    fn odd_ranges_are_no_worry() {
        let series = series(20, 3);
        for (from, to) in [(0, 0), (i64::MIN, i64::MAX), (i64::MAX, i64::MIN), (5 * MINUTE, 6 * MINUTE)] {
            assert!((1..=480).contains(&series.trend(from, to, 480).buckets.len()), "{from} {to}");
        }
        let before = series.trend(-100 * MINUTE, -50 * MINUTE, 480);
        assert!(before.buckets.iter().all(|bucket| *bucket == Bucket::default()));
        assert_eq!(before.buckets.len(), 50);
        let none = Series::new(Samples::default(), MINUTE);
        assert!(none.is_empty() && none.range().is_none());
        assert_eq!(none.trend(0, 10 * MINUTE, 480).buckets.len(), 10);
        assert_eq!(
            (series.len(), series.interval_ms(), series.range()),
            (20, MINUTE, Some((0, 20 * MINUTE + 5000)))
        );
    }
}
