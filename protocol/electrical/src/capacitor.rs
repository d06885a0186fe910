//! What a capacitor bank is rated for and what it delivers (IEEE Std 18, IEEE Std 1036).
//!
//! Units are SI (var, V, A, Ω, F, Hz, s) unless a value is per unit of the rating. Every function gives `None` when a
//! rating is zero, negative or not finite.

use crate::{SQRT_3, finite, larger};

/// Continuous rms voltage, per unit of rated (IEEE Std 18).
pub const LIMIT_RMS_VOLTAGE: f32 = 1.10;
/// Continuous peak voltage with harmonics and without transients, per unit of the rated peak √2·V_r (IEEE Std 18).
pub const LIMIT_PEAK_VOLTAGE: f32 = 1.20;
/// Continuous rms current, fundamental and harmonics, per unit of nominal (IEEE Std 18).
pub const LIMIT_CURRENT: f32 = 1.35;
/// Continuous reactive power, fundamental, harmonics and tolerance, per unit of rated (IEEE Std 18).
pub const LIMIT_REACTIVE: f32 = 1.35;
/// Short power-frequency overvoltages: (rms, per unit of rated; longest duration, s) (IEEE Std 18 and 1036).
pub const SHORT_OVERVOLTAGE: [(f32, f32); 6] =
    [(2.20, 0.1), (2.00, 0.25), (1.70, 1.0), (1.40, 15.0), (1.30, 60.0), (1.25, 1800.0)];
/// Smallest and largest capacitance of a new unit at 25 °C over rated (IEEE Std 18-2002 and 2012, from memory; the 1992
/// edition allowed 1.15).
pub const CAPACITANCE_TOLERANCE: (f32, f32) = (1.0, 1.10);
/// A unit above 600 V discharges itself to this voltage within [`DISCHARGE_SECONDS`] (IEEE Std 18, from memory).
pub const DISCHARGE_VOLTS: f32 = 50.0;
/// See [`DISCHARGE_VOLTS`].
pub const DISCHARGE_SECONDS: f32 = 300.0;

/// Most harmonic orders that [`Loading::of`] reads.
pub const MOST_ORDERS: usize = 100;

/// Rounding allowance of a comparison with a limit: a bank *at* its limit does not exceed it.
const AT_LIMIT: f32 = 1e-6;

/// Rated current of a phase in A: I_r = Q/(√3·V_LL), from three-phase var and line-to-line V.
#[must_use]
pub fn rated_current(three_phase_var: f32, line_to_line_volts: f32) -> Option<f32> {
    finite(positive(three_phase_var)? / (SQRT_3 * positive(line_to_line_volts)?))
}

/// Rated capacitance in F: C = Q/(2πf·V²), from the var, voltage and frequency of one phase or unit.
#[must_use]
pub fn capacitance(phase_var: f32, phase_volts: f32, hertz: f32) -> Option<f32> {
    let volts = positive(phase_volts)?;
    let omega = 2.0 * core::f32::consts::PI * positive(hertz)?;
    finite(positive(phase_var)? / (omega * volts * volts))
}

/// Reactance at rated frequency in Ω: X = V²/Q, from the var and voltage of one phase or unit.
#[must_use]
pub fn reactance(phase_var: f32, phase_volts: f32) -> Option<f32> {
    let volts = positive(phase_volts)?;
    finite(volts * volts / positive(phase_var)?)
}

/// Delivered reactive power of a phase, in the unit of `rated` (var or kvar): Q = y·Q_r·(V/V_r)²·(f/f_r), with y the
/// connected over the rated capacitance and both ratios per unit of the **unit's** rating.
#[must_use]
pub fn delivered(y: f32, rated: f32, voltage_ratio: f32, frequency_ratio: f32) -> f32 {
    y * rated * voltage_ratio * voltage_ratio * frequency_ratio
}

/// y of a phase with `out` of its `parallel` equal units disconnected: 1 − out/parallel. `None` for no units or more out
/// than there are.
#[must_use]
pub fn y_with_units_out(parallel: u8, out: u8) -> Option<f32> {
    (parallel > 0 && out <= parallel).then(|| 1.0 - f32::from(out) / f32::from(parallel))
}

/// y of a phase of `parallel` units, one of which has one of its `sections` series sections shorted:
/// 1 + 1/((sections−1)·parallel). `None` below two sections (that unit is a short circuit) or for no units.
#[must_use]
pub fn y_with_section_shorted(parallel: u8, sections: u8) -> Option<f32> {
    (parallel > 0 && sections > 1).then(|| 1.0 + 1.0 / ((f32::from(sections) - 1.0) * f32::from(parallel)))
}

/// Largest discharge resistance in Ω that brings a unit of `farads` from the peak of `rated_volts` (rms) down to
/// `end_volts` within `seconds`: R = t/(C·ln(√2·V/V_end)). `None` also when it starts below the end voltage.
#[must_use]
pub fn discharge_resistance(farads: f32, rated_volts: f32, end_volts: f32, seconds: f32) -> Option<f32> {
    finite(positive(seconds)? / (positive(farads)? * decay(rated_volts, end_volts)?))
}

/// Time in s in which a resistance of `ohms` brings `farads` from the peak of `rated_volts` (rms) down to `end_volts`;
/// `None` also when it starts below the end voltage.
#[must_use]
pub fn discharge_time(farads: f32, ohms: f32, rated_volts: f32, end_volts: f32) -> Option<f32> {
    finite(positive(ohms)? * positive(farads)? * decay(rated_volts, end_volts)?)
}

/// Time constants from √2·V to the end voltage.
fn decay(rated_volts: f32, end_volts: f32) -> Option<f32> {
    let peak = core::f32::consts::SQRT_2 * positive(rated_volts)?;
    positive(libm::logf(peak / positive(end_volts)?))
}

fn positive(value: f32) -> Option<f32> {
    (value > 0.0 && value.is_finite()).then_some(value)
}

/// Harmonic loading of one phase, per unit of its rating (IEEE Std 18).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Loading {
    /// √ΣV_h².
    pub rms_voltage: f32,
    /// ΣV_h: the peak if all harmonics peak together, so an upper bound.
    pub peak_voltage: f32,
    /// y·(f/f_r)·√Σ(h·V_h)².
    pub current: f32,
    /// y·(f/f_r)·Σh·V_h².
    pub reactive: f32,
}

impl Loading {
    /// From pairs of harmonic order (1 is the fundamental) and rms voltage per unit of rated; the first
    /// [`MOST_ORDERS`] are read. `y` is the connected over the rated capacitance, `frequency_ratio` the fundamental over
    /// the rated frequency. `None` when the result is not finite.
    #[must_use]
    pub fn of(voltages: impl IntoIterator<Item = (u8, f32)>, y: f32, frequency_ratio: f32) -> Option<Self> {
        let (mut squares, mut peak, mut current, mut reactive) = (0.0, 0.0, 0.0, 0.0);
        for (order, volts) in voltages.into_iter().take(MOST_ORDERS) {
            let order = f32::from(order);
            squares += volts * volts;
            peak += volts.abs();
            current += (order * volts) * (order * volts);
            reactive += order * volts * volts;
        }
        let susceptance = y * frequency_ratio;
        Some(Self {
            rms_voltage: finite(libm::sqrtf(squares))?,
            peak_voltage: finite(peak)?,
            current: finite(susceptance * libm::sqrtf(current))?,
            reactive: finite(susceptance * reactive)?,
        })
    }

    /// Which continuous limits are exceeded. At a limit (within 1e-6) is not above it.
    #[must_use]
    pub fn exceeded(self) -> Exceeded {
        let above = |value: f32, limit: f32| value > limit * (1.0 + AT_LIMIT);
        Exceeded {
            rms_voltage: above(self.rms_voltage, LIMIT_RMS_VOLTAGE),
            peak_voltage: above(self.peak_voltage, LIMIT_PEAK_VOLTAGE),
            current: above(self.current, LIMIT_CURRENT),
            reactive: above(self.reactive, LIMIT_REACTIVE),
        }
    }

    /// The largest of the four over its limit: 1 is exactly at a limit.
    #[must_use]
    pub fn utilisation(self) -> f32 {
        let voltage = larger(self.rms_voltage / LIMIT_RMS_VOLTAGE, self.peak_voltage / LIMIT_PEAK_VOLTAGE);
        larger(voltage, larger(self.current / LIMIT_CURRENT, self.reactive / LIMIT_REACTIVE))
    }
}

/// Continuous limits of IEEE Std 18 that a [`Loading`] exceeds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Exceeded {
    /// Above [`LIMIT_RMS_VOLTAGE`].
    pub rms_voltage: bool,
    /// Above [`LIMIT_PEAK_VOLTAGE`].
    pub peak_voltage: bool,
    /// Above [`LIMIT_CURRENT`].
    pub current: bool,
    /// Above [`LIMIT_REACTIVE`].
    pub reactive: bool,
}

impl Exceeded {
    /// Whether any limit is exceeded.
    #[must_use]
    pub fn any(self) -> bool {
        self.rms_voltage || self.peak_voltage || self.current || self.reactive
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn impossible_ratings_are_none() {
        for bad in [0.0, -1.0, f32::NAN, f32::INFINITY] {
            assert_eq!(rated_current(bad, 12_470.0), None);
            assert_eq!(rated_current(600e3, bad), None);
            assert_eq!(capacitance(200e3, bad, 60.0), None);
            assert_eq!(capacitance(200e3, 7200.0, bad), None);
            assert_eq!(reactance(bad, 7200.0), None);
            assert_eq!(discharge_resistance(10e-6, 7200.0, bad, 300.0), None);
        }
        assert_eq!(discharge_time(10e-6, 1e6, 30.0, 50.0), None, "starts below the end voltage");
        assert_eq!(Loading::of([(1, f32::NAN)], 1.0, 1.0), None);
    }

    #[test]
    fn susceptance_of_one_phase() {
        assert_eq!(y_with_units_out(2, 1), Some(0.5));
        assert_eq!(y_with_units_out(3, 3), Some(0.0));
        assert_eq!(y_with_units_out(0, 0), None);
        assert_eq!(y_with_units_out(2, 3), None);
        assert_eq!(y_with_section_shorted(1, 4), Some(1.0 + 1.0 / 3.0));
        assert_eq!(y_with_section_shorted(1, 1), None);
        assert_eq!(y_with_section_shorted(0, 4), None);
    }

    #[test]
    fn resistor_and_time_are_inverse() {
        let r = discharge_resistance(10e-6, 7200.0, DISCHARGE_VOLTS, DISCHARGE_SECONDS);
        let t = r.and_then(|r| discharge_time(10e-6, r, 7200.0, DISCHARGE_VOLTS));
        assert!(t.is_some_and(|t| (t - 300.0).abs() < 1e-3), "{t:?}");
    }

    #[test]
    fn the_rated_phase_is_at_one_and_a_larger_one_carries_more() {
        let rated = Loading::of([(1, 1.0)], 1.0, 1.0);
        assert_eq!(rated, Some(Loading { rms_voltage: 1.0, peak_voltage: 1.0, current: 1.0, reactive: 1.0 }));
        assert!(rated.is_some_and(|l| !l.exceeded().any() && l.utilisation() < 1.0));
        let large = Loading::of([(1, 1.1)], 1.15, 1.0).unwrap();
        assert!(large.exceeded().reactive && !large.exceeded().current && !large.exceeded().rms_voltage);
        assert!(large.utilisation() > 1.0);
    }
}
