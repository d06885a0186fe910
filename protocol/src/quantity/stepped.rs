//! Quantities of which the reading matters, not the last digit: one byte each.

use core::fmt;
use core::marker::PhantomData;

use serde::{Serialize, Serializer};

use super::{Scale, nearest, show};

/// Scale of [`VoltageHarmonic`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct VoltageHarmonicScale;

/// Scale of [`CurrentHarmonic`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CurrentHarmonicScale;

impl Scale for VoltageHarmonicScale {
    const NAME: &'static str = "VoltageHarmonic";
    const UNIT: &'static str = "%";
    const STEPS_PER_UNIT: f32 = 100.0;
    const MIN: i32 = 0;
    const MAX: i32 = LARGEST;
}

impl Scale for CurrentHarmonicScale {
    const NAME: &'static str = "CurrentHarmonic";
    const UNIT: &'static str = "%";
    const STEPS_PER_UNIT: f32 = 20.0;
    const MIN: i32 = 0;
    const MAX: i32 = LARGEST;
}

/// Voltage harmonic over the rated voltage: 0.01 % below 0.64 %, from there on 1.6 % to 3.1 % of the value, to 39.68 %.
/// Saturated means 'or more'. Half a step is at most a fifth of what class I of IEC 61000-4-7 allows below 1 % (0.05 % of the
/// rated voltage), and a third of what it allows above (5 % of the reading).
pub type VoltageHarmonic = Stepped<VoltageHarmonicScale>;

/// Harmonic of the neutral current over the bank's rated current: 0.05 % below 3.2 %, from there on 1.6 % to 3.1 % of the value, to
/// 198.4 %. Saturated means 'or more'. Class I of IEC 61000-4-7 allows 0.15 % of the rated current below 3 %, and 5 % of the
/// reading above.
pub type CurrentHarmonic = Stepped<CurrentHarmonicScale>;

/// Every stepped scale as (name, unit, steps per unit).
pub const STEPPED: &[(&str, &str, f32)] = &[
    (VoltageHarmonicScale::NAME, VoltageHarmonicScale::UNIT, VoltageHarmonicScale::STEPS_PER_UNIT),
    (CurrentHarmonicScale::NAME, CurrentHarmonicScale::UNIT, CurrentHarmonicScale::STEPS_PER_UNIT),
];

/// Steps of the highest index: 62 · 2^6.
const LARGEST: i32 = 3968;

/// Index of an absent value.
const ABSENT: u8 = 255;

/// A value by its index on a scale whose steps grow with it, or absent.
///
/// Index *i* is *i* steps below 64; from there on every 32 indexes double the value: (32 + *i* mod 32) · 2^(⌊*i*/32⌋ − 1).
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Stepped<S> {
    index: u8,
    scale: PhantomData<S>,
}

impl<S: Scale> Stepped<S> {
    /// Not measured, or not a number.
    pub const ABSENT: Self = Self { index: ABSENT, scale: PhantomData };

    /// The index nearest to `value` (in units), saturated to the range; NaN is absent. Two are as near: the larger one.
    pub fn quantise(value: f32) -> Self {
        if value.is_nan() {
            return Self::ABSENT;
        }
        Self::from_index(index(value * S::STEPS_PER_UNIT))
    }

    /// The value of an index; 255 is absent.
    pub const fn from_index(index: u8) -> Self {
        Self { index, scale: PhantomData }
    }

    /// Its index; 255 is absent.
    pub const fn index(self) -> u8 {
        self.index
    }

    /// Number of steps, `None` when absent.
    pub const fn steps(self) -> Option<u16> {
        match (self.index, self.index >> 5) {
            (ABSENT, _) => None,
            (index, 0 | 1) => Some(index as u16),
            (index, octave) => Some((32 | (index & 31) as u16) << octave.wrapping_sub(1)),
        }
    }

    /// The value in units, `None` when absent.
    pub fn value(self) -> Option<f32> {
        self.steps().map(|steps| f32::from(steps) / S::STEPS_PER_UNIT)
    }

    /// The value in units as `f64`, for hosts.
    #[cfg(not(target_os = "none"))]
    pub fn value_f64(self) -> Option<f64> {
        self.steps().map(|steps| f64::from(steps) / f64::from(S::STEPS_PER_UNIT))
    }
}

/// The nearest index to a number of steps, in whole numbers alone: sixteenths of a step, of which the highest six bits count.
#[inline(never)]
fn index(steps: f32) -> u8 {
    let sixteenths = nearest(steps * 16.0).clamp(0, LARGEST * 16).unsigned_abs();
    let bits = 32_u32.wrapping_sub(sixteenths.leading_zeros());
    // Four bits are no whole step; of a larger value so many that six are left.
    let shift = if bits > 10 { bits.wrapping_sub(6) } else { 4 };
    let rounded = sixteenths.wrapping_add(1 << shift.wrapping_sub(1)) >> shift;
    let index = rounded.wrapping_add(shift.wrapping_sub(4).wrapping_mul(32));
    u8::try_from(index).unwrap_or(ABSENT)
}

impl<S: Scale> Default for Stepped<S> {
    fn default() -> Self {
        Self::ABSENT
    }
}

impl<S: Scale> fmt::Debug for Stepped<S> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl<S: Scale> fmt::Display for Stepped<S> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        show::<S>(self.value(), f)
    }
}

impl<S: Scale> Serialize for Stepped<S> {
    fn serialize<W: Serializer>(&self, serializer: W) -> Result<W::Ok, W::Error> {
        serializer.serialize_newtype_struct(S::NAME, &self.index)
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn every_index_is_the_nearest_to_its_own_value() {
        let mut last = None;
        for index in 0..=254 {
            let value = VoltageHarmonic::from_index(index);
            let steps = value.steps().unwrap();
            assert!(last < Some(steps), "they grow: {index}");
            last = Some(steps);
            assert_eq!(VoltageHarmonic::quantise(value.value().unwrap()), value, "{index}");
            assert_eq!(CurrentHarmonic::quantise(f32::from(steps) / 20.0).index(), index);
        }
        assert_eq!(last, Some(LARGEST as u16));
    }

    #[test]
    fn values_at_the_seams() {
        let index = |percent| VoltageHarmonic::quantise(percent).index();
        assert_eq!([0.0, -0.0, 0.004, 0.0051, 0.63, 0.64].map(index), [0, 0, 0, 1, 63, 64]);
        assert_eq!([0.648, 0.652, 1.27, 1.28, 2.56].map(index), [64, 65, 96, 96, 128]);
        assert_eq!([-3.0, 39.68, 1e9, f32::INFINITY, f32::NAN].map(index), [0, 254, 254, 254, 255]);
        assert_eq!(VoltageHarmonic::ABSENT.steps(), None);
    }

    #[test]
    fn display_shows_every_step() {
        use std::string::ToString;
        assert_eq!(VoltageHarmonic::quantise(2.236).to_string(), "2.24 %");
        assert_eq!(CurrentHarmonic::quantise(0.05).to_string(), "0.05 %");
        assert_eq!(VoltageHarmonic::ABSENT.to_string(), "absent");
    }

    proptest! {
        /// A third of the ±5 % of class I above 1 %, and a fifth of the ±0.05 % below.
        #[test]
        fn half_a_step_is_far_within_class_1(percent in 0.0f32..39.0) {
            let back = VoltageHarmonic::quantise(percent).value().unwrap();
            let allowed = if percent < 1.0 { 0.0105 } else { 0.0164 * percent };
            prop_assert!((back - percent).abs() <= allowed, "{percent} {back}");
        }

        #[test]
        fn half_a_step_of_the_current_is_too(percent in 0.0f32..190.0) {
            let back = CurrentHarmonic::quantise(percent).value().unwrap();
            let allowed = if percent < 3.0 { 0.0265 } else { 0.0164 * percent };
            prop_assert!((back - percent).abs() <= allowed, "{percent} {back}");
        }
    }
}
