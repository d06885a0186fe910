//! The values of one bank over time, thinned to what a chart can show.

use polars::prelude::{DataType, LazyFrame, col};

use super::cells::Cells;
use super::fleet::Phasor;
use super::{Filter, PHASES};
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

/// The span in at most `most` stretches, each a whole number of intervals. Intervals without a time are not in it. Only one
/// file of the store is held at a time.
///
/// # Errors
/// The store cannot be read.
pub fn trend(store: &Store, span: &Span<'_>, most: usize) -> Result<Trend, StoreError> {
    let interval_ms = ((span.interval_s * 1000.0) as i64).clamp(1, 86_400_000);
    let start_ms = span.first_ms.saturating_sub(interval_ms);
    let length = span.last_ms.saturating_sub(start_ms).max(interval_ms);
    let most = i64::try_from(most.max(1)).unwrap_or(i64::MAX);
    let intervals_per_bucket = steps(steps(length, interval_ms), most).max(1);
    let width_ms = interval_ms.saturating_mul(intervals_per_bucket);
    let count = steps(length, width_ms).min(most);
    let mut trend = Trend {
        start_ms,
        width_ms,
        intervals_per_bucket,
        buckets: vec![Bucket::default(); usize::try_from(count).unwrap_or(0)],
    };
    let filter = Filter {
        from_ms: Some(span.first_ms),
        to_ms: Some(span.last_ms.saturating_add(1)),
        banks: vec![span.bank.to_owned()],
        ..Filter::default()
    };
    for frame in store.of_device(span.device).scan_each(&INTERVALS)? {
        trend.take(filter.apply(frame, "time"))?;
    }
    Ok(trend)
}

/// How many `step`s hold `length`; both above zero.
const fn steps(length: i64, step: i64) -> i64 {
    length.saturating_add(step - 1) / step
}

impl Trend {
    fn take(&mut self, frame: LazyFrame) -> Result<(), StoreError> {
        let mut columns = vec![
            col("time").cast(DataType::Int64).cast(DataType::Float64).alias("time_ms"),
            col("flagged").cast(DataType::Float64),
        ];
        let values = ["neutral_phasor_pu", "neutral_phasor_deg", "residual_phasor_pu", "residual_phasor_deg"];
        let others = ["u2_percent", "u0_percent", "rated_kvar_phase", "unit_voltage_v"];
        columns.extend(values.into_iter().chain(others).map(col));
        columns.extend(PHASES.map(|phase| col(format!("voltage_{phase}_v").as_str())));
        columns.extend(PHASES.map(|phase| col(format!("kvar_{phase}").as_str())));
        let frame = frame.select(columns).collect()?;
        let cells = Cells(&frame);
        let times = cells.reals("time_ms");
        let flagged = cells.reals("flagged");
        let [n_pu, n_deg, r_pu, r_deg] = values.map(|name| cells.reals(name));
        let [u2, u0, rated_kvar, unit_volts] = others.map(|name| cells.reals(name));
        let volts = PHASES.map(|phase| cells.reals(&format!("voltage_{phase}_v")));
        let kvar = PHASES.map(|phase| cells.reals(&format!("kvar_{phase}")));
        for (row, time) in times.iter().enumerate() {
            let at = |column: &[Option<f64>]| column.get(row).copied().flatten();
            // The time of an interval is its end.
            let Some(offset) = time.map(|time| time as i64 - 1 - self.start_ms).filter(|ms| *ms >= 0) else {
                continue;
            };
            let bucket = usize::try_from(offset / self.width_ms.max(1)).unwrap_or(usize::MAX);
            let Some(bucket) = self.buckets.get_mut(bucket) else { continue };
            bucket.intervals += 1;
            if at(&flagged).is_some_and(|flagged| flagged > 0.0) {
                bucket.flagged += 1;
                continue;
            }
            for phase in 0..3 {
                bucket.voltage[phase].push(at(&volts[phase]));
                bucket.kvar[phase].push(at(&kvar[phase]));
            }
            bucket.u2.push(at(&u2));
            bucket.u0.push(at(&u0));
            let rated_a = at(&rated_kvar).zip(at(&unit_volts)).map(|(kvar, volts)| kvar * 1000.0 / volts);
            let measured = at(&n_pu).zip(at(&n_deg)).map(|(pu, deg)| Phasor::from_polar(pu, deg));
            let residual = at(&r_pu).zip(at(&r_deg)).map(|(pu, deg)| Phasor::from_polar(pu, deg));
            bucket.measured_a.push(measured.zip(rated_a).map(|(n, amps)| n.size() * amps));
            let explained = measured.zip(residual).map(|(n, r)| n.less(r).size());
            bucket.explained_a.push(explained.zip(rated_a).map(|(pu, amps)| pu * amps));
        }
        Ok(())
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
    fn minutes_become_stretches() {
        use polars::prelude::{IntoLazy, df};
        // Minutes that end at 1, 2, 3 and 7; two a stretch; the third is flagged. 1 pu is 200 kvar over 7200 V: 27.78 A.
        let nothing = [None::<f64>; 4];
        let frame = df!(
            "time" => [60_000_i64, 120_000, 180_000, 420_000],
            "flagged" => [0_u32, 0, 9, 0],
            "neutral_phasor_pu" => [0.3, 0.3, 0.3, 0.0],
            "neutral_phasor_deg" => [0.0, 90.0, 0.0, 0.0],
            "residual_phasor_pu" => [0.4, 0.0, 0.0, 0.5],
            "residual_phasor_deg" => [90.0, 0.0, 0.0, 180.0],
            "u2_percent" => [3.0, 4.0, 9.0, 1.0],
            "u0_percent" => nothing,
            "rated_kvar_phase" => [200.0; 4],
            "unit_voltage_v" => [7200.0; 4],
            "voltage_a_v" => [7000.0, 7100.0, 0.0, 7200.0],
            "voltage_b_v" => nothing,
            "voltage_c_v" => nothing,
            "kvar_a" => [190.0, 210.0, 0.0, 200.0],
            "kvar_b" => nothing,
            "kvar_c" => nothing,
        );
        let mut trend = Trend {
            start_ms: 0,
            width_ms: 120_000,
            intervals_per_bucket: 2,
            buckets: vec![Bucket::default(); 4],
        };
        trend.take(frame.unwrap().lazy()).unwrap();
        let [first, flagged, gap, last] = trend.buckets.try_into().unwrap();
        let near = |value: Option<f64>, expected: f64| assert!((value.unwrap() - expected).abs() < 1e-9);
        assert_eq!((first.intervals, first.flagged), (2, 0));
        near(first.u2.rms(), 12.5_f64.sqrt());
        assert_eq!(first.voltage[0].range(), Some((7000.0, 7100.0)));
        near(first.kvar[0].mean(), 200.0);
        near(first.measured_a.rms(), 0.3 * 200_000.0 / 7200.0);
        // 0.3 less 0.4j is 0.5; 0.3j less nothing is 0.3.
        near(first.explained_a.rms(), ((0.25_f64 + 0.09) / 2.0).sqrt() * 200_000.0 / 7200.0);
        assert_eq!((flagged.intervals, flagged.flagged, flagged.u2.rms()), (1, 1, None));
        assert_eq!(gap, Bucket::default());
        near(last.explained_a.mean(), 0.5 * 200_000.0 / 7200.0);
        assert_eq!((steps(1, 60), steps(60, 60), steps(61, 60)), (1, 1, 2));
    }
}
