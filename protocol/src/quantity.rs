//! Every number on the wire: a scaled integer with unit, resolution and range, or absent.
//!
//! On the wire a quantity is one postcard varint `u32`: 0 is *absent*; otherwise, with `n` the number of steps,
//! a quantity that cannot be negative is `n + 1`, one that can be is `zigzag(n) + 1`. A value outside the range is
//! refused when read and saturated when written by [`Quantity::quantise`], the one place where a float becomes a
//! record: NaN becomes absent, −0 becomes 0, so the same float bits give the same record bytes on every machine.

mod stepped;

use core::fmt;
use core::marker::PhantomData;

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

pub use stepped::{
    CurrentHarmonic, CurrentHarmonicScale, STEPPED, Stepped, VoltageHarmonic, VoltageHarmonicScale,
};

/// Unit, resolution and range of one kind of quantity.
pub trait Scale: Copy + Eq + 'static {
    /// Name of the scale in `schema.txt`.
    const NAME: &'static str;
    /// Unit, as printed behind the number ("V", "%", or "pu").
    const UNIT: &'static str;
    /// Steps in one unit: 10 means a resolution of 0.1 unit.
    const STEPS_PER_UNIT: f32;
    /// Smallest number of steps; 0 for a quantity that cannot be negative.
    const MIN: i32;
    /// Largest number of steps.
    const MAX: i32;
}

macro_rules! scales {
    ($($(#[$doc:meta])* $alias:ident = $scale:ident($unit:literal, $per_unit:literal, $min:literal..=$max:literal);)*) => {
        $(
            #[doc = concat!("Scale of [`", stringify!($alias), "`].")]
            #[derive(Clone, Copy, Debug, PartialEq, Eq)]
            pub struct $scale;
            impl Scale for $scale {
                const NAME: &'static str = stringify!($alias);
                const UNIT: &'static str = $unit;
                const STEPS_PER_UNIT: f32 = $per_unit;
                const MIN: i32 = $min;
                const MAX: i32 = $max;
            }
            $(#[$doc])*
            pub type $alias = Quantity<$scale>;
        )*

        /// Every scale as (name, unit, steps per unit, smallest, largest number of steps).
        pub const SCALES: &[(&str, &str, f32, i32, i32)] =
            &[$((stringify!($alias), $unit, $per_unit, $min, $max)),*];
    };
}

scales! {
    /// rms voltage, primary: 0.1 V, 0 to 100 kV.
    Voltage = VoltageScale("V", 10.0, 0..=1_000_000);
    /// rms current, primary: 1 mA, 0 to 100 kA.
    Current = CurrentScale("A", 1000.0, 0..=100_000_000);
    /// Frequency: 0.1 mHz, 0 to 100 Hz.
    Frequency = FrequencyScale("Hz", 10_000.0, 0..=1_000_000);
    /// Angle: 0.01°, −180° to 180°.
    Angle = AngleScale("deg", 100.0, -18_000..=18_000);
    /// Unbalance and other ratios: 0.001 %, 0 to 1000 %. Saturated means 'or more' (a negative-sequence
    /// feeder has an unbounded u2).
    Percent = PercentScale("%", 1000.0, 0..=1_000_000);
    /// Distortion: 0.01 %, 0 to 1000 %. Saturated means 'or more'.
    Distortion = DistortionScale("%", 100.0, 0..=100_000);
    /// What a capacitor is loaded with over its rating: 0.1 %, 0 to 1000 %. Saturated means 'or more'.
    Loading = LoadingScale("%", 10.0, 0..=10_000);
    /// Per unit of the bank's rated current, or capacitance over rated capacitance: 0.0001, −1000 to 1000.
    PerUnit = PerUnitScale("pu", 10_000.0, -10_000_000..=10_000_000);
    /// Reactive power: 1 var, 0 to 100 Mvar.
    ReactivePower = ReactivePowerScale("kvar", 1000.0, 0..=100_000_000);
}

/// A number of steps of the scale `S`, or absent.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Quantity<S> {
    /// `ABSENT`, or within `S::MIN..=S::MAX`.
    steps: i32,
    scale: PhantomData<S>,
}

/// Steps of a quantity that is absent.
pub(crate) const ABSENT: i32 = i32::MIN;

impl<S: Scale> Quantity<S> {
    /// Not measured, or not a number.
    pub const ABSENT: Self = Self { steps: ABSENT, scale: PhantomData };

    /// The nearest step to `value` (in units; halves away from zero), saturated to the range; NaN is absent.
    pub fn quantise(value: f32) -> Self {
        if value.is_nan() {
            return Self::ABSENT;
        }
        Self { steps: nearest(value * S::STEPS_PER_UNIT).clamp(S::MIN, S::MAX), scale: PhantomData }
    }

    /// `steps` if it is within the range, else absent.
    pub const fn from_steps(steps: i32) -> Self {
        if steps < S::MIN || steps > S::MAX { Self::ABSENT } else { Self { steps, scale: PhantomData } }
    }

    /// Number of steps, `None` when absent.
    pub const fn steps(self) -> Option<i32> {
        if self.steps == ABSENT { None } else { Some(self.steps) }
    }

    /// Number of steps, [`ABSENT`] when absent.
    pub(crate) const fn raw(self) -> i32 {
        self.steps
    }

    /// The quantity of [`Quantity::raw`]; `None` outside the range.
    pub(crate) const fn from_raw(steps: i32) -> Option<Self> {
        if steps == ABSENT || (steps >= S::MIN && steps <= S::MAX) {
            Some(Self { steps, scale: PhantomData })
        } else {
            None
        }
    }

    /// The value in units, `None` when absent.
    pub fn value(self) -> Option<f32> {
        // At most 2^27 steps: beyond 2^24 f32 rounds, by less than the 1e-7 that any f32 carries.
        #[expect(clippy::cast_precision_loss, reason = "an f32 value is asked for")]
        self.steps().map(|steps| steps as f32 / S::STEPS_PER_UNIT)
    }

    /// The value in units as `f64`, exact to the step, for hosts.
    #[cfg(not(target_os = "none"))]
    pub fn value_f64(self) -> Option<f64> {
        self.steps().map(|steps| f64::from(steps) / f64::from(S::STEPS_PER_UNIT))
    }

    /// The value in units, NaN when absent.
    pub fn value_or_nan(self) -> f32 {
        self.value().unwrap_or(f32::NAN)
    }
}

/// The nearest whole number, halves away from zero. One for all scales, as [`write`] is.
#[inline(never)]
fn nearest(steps: f32) -> i32 {
    // Float to integer `as` saturates and is defined for every value; what it saturates to is clamped by who asks.
    #[expect(clippy::cast_possible_truncation, reason = "saturates, clamped by the caller")]
    let nearest = libm::roundf(steps) as i32;
    nearest
}

impl<S: Scale> Default for Quantity<S> {
    fn default() -> Self {
        Self::ABSENT
    }
}

impl<S: Scale> fmt::Debug for Quantity<S> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl<S: Scale> fmt::Display for Quantity<S> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        show::<S>(self.value(), f)
    }
}

/// A value with its unit.
fn show<S: Scale>(value: Option<f32>, f: &mut fmt::Formatter<'_>) -> fmt::Result {
    match value {
        None => f.write_str("absent"),
        Some(value) => {
            let decimals = f.precision().unwrap_or_else(|| decimals(S::STEPS_PER_UNIT));
            write!(f, "{value:.decimals$} {}", S::UNIT)
        }
    }
}

/// Decimals that show every step.
fn decimals(steps_per_unit: f32) -> usize {
    match steps_per_unit {
        s if s >= 9_999.0 => 4,
        s if s >= 999.0 => 3,
        s if s >= 19.0 => 2,
        s if s >= 9.0 => 1,
        _ => 0,
    }
}

impl<S: Scale> Serialize for Quantity<S> {
    fn serialize<W: Serializer>(&self, serializer: W) -> Result<W::Ok, W::Error> {
        // The name adds no byte; a test reads it to compare every field with `schema.txt`.
        write(serializer, S::NAME, self.steps(), S::MIN < 0)
    }
}

/// One for all scales, and out of line: a record holds dozens of quantities, and flash is small.
#[inline(never)]
fn write<W: Serializer>(
    serializer: W,
    name: &'static str,
    steps: Option<i32>,
    is_signed: bool,
) -> Result<W::Ok, W::Error> {
    let code = match steps {
        None => 0,
        Some(steps) if is_signed => zigzag(steps).wrapping_add(1),
        Some(steps) => steps.unsigned_abs().wrapping_add(1),
    };
    serializer.serialize_newtype_struct(name, &code)
}

impl<'de, S: Scale> Deserialize<'de> for Quantity<S> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        match read(deserializer, S::MIN, S::MAX)? {
            None => Ok(Self::ABSENT),
            Some(steps) => Ok(Self::from_steps(steps)),
        }
    }
}

/// Number of steps within the range; one for all scales, as [`write`] is.
#[inline(never)]
fn read<'de, D: Deserializer<'de>>(deserializer: D, min: i32, max: i32) -> Result<Option<i32>, D::Error> {
    let Some(code) = u32::deserialize(deserializer)?.checked_sub(1) else { return Ok(None) };
    let steps = if min < 0 { Some(unzigzag(code)) } else { i32::try_from(code).ok() };
    match steps {
        Some(steps) if (min..=max).contains(&steps) => Ok(Some(steps)),
        _ => Err(D::Error::custom("quantity out of range")),
    }
}

pub(crate) const fn zigzag(n: i32) -> u32 {
    (n.cast_unsigned() << 1) ^ (n >> 31).cast_unsigned()
}

pub(crate) const fn unzigzag(code: u32) -> i32 {
    (code >> 1).cast_signed() ^ 0_i32.wrapping_sub((code & 1).cast_signed())
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use proptest::prelude::*;

    fn wire<S: Scale>(q: Quantity<S>) -> std::vec::Vec<u8> {
        postcard::to_stdvec(&q).unwrap()
    }

    #[test]
    fn quantise_rounds_saturates_and_knows_absent() {
        assert_eq!(Voltage::quantise(7200.04).steps(), Some(72_000));
        assert_eq!(Voltage::quantise(7200.06).steps(), Some(72_001));
        assert_eq!(Voltage::quantise(f32::NAN), Voltage::ABSENT);
        assert_eq!(Voltage::quantise(f32::INFINITY).steps(), Some(1_000_000));
        assert_eq!(Voltage::quantise(-5.0).steps(), Some(0));
        assert_eq!(Angle::quantise(-0.0).steps(), Some(0));
        assert_eq!(Angle::quantise(-90.005).steps(), Some(-9001));
        assert_eq!(PerUnit::quantise(f32::NEG_INFINITY).steps(), Some(-10_000_000));
    }

    #[test]
    fn wire_bytes_are_pinned() {
        assert_eq!(wire(Voltage::ABSENT).as_slice(), [0]);
        assert_eq!(wire(Voltage::from_steps(0)).as_slice(), [1]);
        assert_eq!(wire(Voltage::from_steps(72_000)).as_slice(), [0xC1, 0xB2, 0x04]);
        assert_eq!(wire(Angle::from_steps(-1)).as_slice(), [2]);
        assert_eq!(wire(Angle::from_steps(1)).as_slice(), [3]);
    }

    #[test]
    fn a_value_out_of_range_is_refused() {
        let bytes = postcard::to_stdvec::<u32>(&1_000_002).unwrap();
        assert!(postcard::from_bytes::<Voltage>(&bytes).is_err());
        let bytes = postcard::to_stdvec::<u32>(&u32::MAX).unwrap();
        assert!(postcard::from_bytes::<Angle>(&bytes).is_err());
    }

    #[test]
    fn display_shows_every_step() {
        use std::string::ToString;
        assert_eq!(Voltage::quantise(7199.97).to_string(), "7200.0 V");
        assert_eq!(Angle::quantise(180.0).to_string(), "180.00 deg");
        assert_eq!(Angle::ABSENT.to_string(), "absent");
    }

    proptest! {
        #[test]
        fn every_step_survives_the_wire(steps in AngleScale::MIN..=AngleScale::MAX, volts in 0..=VoltageScale::MAX) {
            let q = Angle::from_steps(steps);
            prop_assert_eq!(postcard::from_bytes::<Angle>(&wire(q)).unwrap(), q);
            let q = Voltage::from_steps(volts);
            prop_assert_eq!(postcard::from_bytes::<Voltage>(&wire(q)).unwrap(), q);
        }

        #[test]
        fn quantise_is_within_half_a_step(value in 0.0f32..100_000.0) {
            let back = Voltage::quantise(value).value().unwrap();
            // Half a step, and what an f32 of this size rounds.
            prop_assert!((back - value).abs() <= 0.05 + value * 1.2e-7);
        }
    }
}
