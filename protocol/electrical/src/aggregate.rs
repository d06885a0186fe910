//! Combining rms values over time (IEC 61000-4-30 4.4, from memory): the root of the mean of the squares, at every
//! level.

/// Accumulator of squares.
///
/// The sum is compensated (Kahan and Neumaier's), so its relative error stays below 2e-7 for any number of windows a
/// `u32` can count within reason: 18 000 windows of 200 ms, one hour, are tested. A plain `f32` sum of that many would
/// lose three to four digits. Values may be per unit or volts: squares up to 3e38 are held.
///
/// All zero when new, so that a static one lies in zeroed memory.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct MeanSquare {
    sum: f32,
    compensation: f32,
    count: u32,
}

impl MeanSquare {
    /// Empty.
    #[must_use]
    pub const fn new() -> Self {
        Self { sum: 0.0, compensation: 0.0, count: 0 }
    }

    /// Adds one rms value, of the same duration as all others. Returns whether it was taken: one that is not finite, or
    /// whose square is not, is left out and not counted.
    #[must_use = "a value left out makes the interval incomplete"]
    pub fn push(&mut self, rms: f32) -> bool {
        let square = rms * rms;
        let total = self.sum + square;
        if !total.is_finite() {
            return false;
        }
        // What the addition rounded away. Both numbers are positive: the larger one is the one that kept its digits.
        self.compensation +=
            if self.sum >= square { (self.sum - total) + square } else { (square - total) + self.sum };
        self.sum = total;
        self.count = self.count.saturating_add(1);
        true
    }

    /// Number of values taken.
    #[must_use]
    pub const fn count(&self) -> u32 {
        self.count
    }

    /// Root of the mean of the squares; `None` when empty.
    #[must_use]
    pub fn rms(&self) -> Option<f32> {
        (self.count > 0).then(|| libm::sqrtf((self.sum + self.compensation) / real(self.count)))
    }
}

/// A count as a real number: exact to 2²⁴ (39 days of 200 ms windows), rounded to nearest above. There is no `From`.
const fn real(count: u32) -> f32 {
    count as f32
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(values: impl IntoIterator<Item = f32>) -> MeanSquare {
        let mut sum = MeanSquare::new();
        for v in values {
            assert!(sum.push(v));
        }
        sum
    }

    #[test]
    fn empty_and_not_finite() {
        let mut sum = MeanSquare::new();
        assert_eq!(sum.rms(), None);
        for bad in [f32::NAN, f32::INFINITY, 1e20] {
            assert!(!sum.push(bad), "{bad}");
        }
        assert_eq!((sum.count(), sum.rms()), (0, None));
        assert!(sum.push(3.0));
        assert_eq!(sum.rms(), Some(3.0));
    }

    /// One hour of 200 ms windows, in per unit and in volts, against double precision.
    #[test]
    fn an_hour_keeps_its_digits() {
        for scale in [1.0_f32, 7200.0] {
            let values: [f32; 18_000] =
                core::array::from_fn(|i| scale * (0.95 + 0.1 * ((i as f32 * 0.618_034) % 1.0)));
            let exact = values.iter().map(|v| f64::from(*v) * f64::from(*v)).sum::<f64>() / 18_000.0;
            let rms = f64::from(of(values).rms().unwrap());
            assert!((rms / libm::sqrt(exact) - 1.0).abs() < 1.2e-7, "{rms} {exact}");
            // The plain sum is the mutation this test must notice.
            let plain = f64::from(values.iter().fold(0.0_f32, |s, v| s + v * v) / 18_000.0);
            assert!((libm::sqrt(plain / exact) - 1.0).abs() > 1.2e-7);
        }
    }
}
