//! From the measured window to what it says of the bank: the residual, and the connected capacitance of each phase.
//!
//! The neutral current of a healthy bank is explained by its voltages. What is left is the residual; its angle and size
//! tell which phase has lost how much. Only *differences* between the phases can be seen so; the common part is the
//! nameplate's.

use wyelog_electrical::capacitor::Loading;
use wyelog_electrical::{Phasor, Rotation, SequenceComponents, neutral, unbalance};
use wyelog_protocol::condition::Phases;

use crate::bank::look::Look;
use crate::frontend::Scaling;
use crate::measure::harmonics::{self, Harmonics};
use crate::measure::position::{self, Position, Sighting};
use crate::measure::window::Window;

/// Voltages outside this range of the rated one are no evidence about the bank: a sag, or a broken sensor wire that
/// floats at 2–40 % of a neighbour.
const PLAUSIBLE: core::ops::RangeInclusive<f32> = 0.7..=1.3;

/// So far from the rated frequency, in Hz, a feeder has another rated one.
const FOREIGN: f32 = 6.0;

/// A window in per unit, with all angles against the positive-sequence voltage.
#[derive(Clone, Copy, Debug)]
pub struct Measured {
    /// First frame.
    pub begin: u64,
    /// Frame behind the last.
    pub end: u64,
    /// What of the frame `begin` lies before the first instant, in 2^-32.
    pub fraction: u32,
    /// Whether its values need a second look: the first minute of a sag or swell, or an interruption touched it (IEC 61000-4-30 4.7, from memory), or
    /// it is in doubt.
    pub flagged: bool,
    /// Whether a frame in it, or in the ten cycles before it, was clipped or lost: it is no evidence of anything.
    pub in_doubt: bool,
    /// Whether a frame in it was lost: all values but these and `overlaps` are then made of frames that never were.
    pub gap: bool,
    /// Whether it begins at the tick of an interval, before the window before it ended.
    pub overlaps: bool,
    /// Frequency in Hz; NaN without a window before it to compare with.
    pub frequency: f32,
    /// True rms voltage of A, B, C, per unit of the rated line-to-neutral voltage.
    pub voltage_rms: [f32; 3],
    /// True rms neutral current, per unit of the rated current.
    pub neutral_rms: f32,
    /// Largest instantaneous voltage of A, B, C, of either sign, per unit of the rated rms one.
    pub voltage_peak: [f32; 3],
    /// Harmonic subgroups of the voltages of A, B, C (IEC 61000-4-7), rms, per unit of the rated voltage.
    pub voltage_harmonics: [Harmonics; 3],
    /// Harmonic subgroups of the neutral current, rms, per unit of the rated current.
    pub neutral_harmonics: Harmonics,
    /// Total harmonic distortion of the voltages through the 25th, in percent; NaN without a fundamental.
    pub thd: [f32; 3],
    /// What the voltages load the rated capacitors of A, B, C with, per unit of their ratings (IEEE Std 18), through the
    /// 25th harmonic.
    pub loading: [Option<Loading>; 3],
    /// Mean of the voltages of A, B, C, per unit of the rated rms one: a capacitor that keeps its charge shows here.
    pub voltage_mean: [f32; 3],
    /// Whether the frequency is that of the other rated one.
    pub frequency_is_foreign: bool,
    /// Fundamentals, when there is a positive-sequence voltage to refer them to.
    pub fundamental: Option<Fundamental>,
}

/// The fundamentals of a window. Angle zero is the positive-sequence voltage.
#[derive(Clone, Copy, Debug)]
pub struct Fundamental {
    /// Order of the phases.
    pub rotation: Rotation,
    /// Voltage to ground of A, B, C, per unit of the rated line-to-neutral voltage.
    pub voltage: [Phasor; 3],
    /// Neutral current, per unit of the rated current.
    pub neutral: Phasor,
    /// Third harmonic of the voltages, like them, against three times their angle.
    pub third_voltage: [Phasor; 3],
    /// Third harmonic of the neutral current.
    pub third: Phasor,
    /// u2 in percent (IEC 61000-4-30 5.7).
    pub u2: Option<f32>,
    /// u0 in percent (IEC 61000-4-30 5.7).
    pub u0: Option<f32>,
    /// NEMA MG 1 unbalance of the line-to-line voltages in percent.
    pub nema: Option<f32>,
}

/// What the last window said of the bank.
#[derive(Clone, Copy, Debug)]
pub struct Identified {
    /// Measured minus explained neutral current, per unit of the rated current. Angle zero is the ideal capacitor
    /// current of phase A: the positive-sequence voltage plus 90°.
    pub residual: Phasor,
    /// Connected capacitance over rated capacitance of A, B, C; NaN where it cannot be identified.
    pub connected: [f32; 3],
}

/// Turns windows in counts into per unit and compares each with the one before for the frequency.
#[derive(Debug)]
pub struct Identifier {
    scaling: Scaling,
    cycles: u16,
    /// The positive-sequence voltage in the window before.
    before: Option<Sighting>,
    /// The last frequency, for a window that overlaps the one before too far for a new one; NaN behind a gap.
    frequency: f32,
    rotation: Rotation,
}

impl Identifier {
    /// For the scaling of the settings.
    pub const fn new(scaling: Scaling, cycles: u16) -> Self {
        Self { scaling, cycles, before: None, frequency: f32::NAN, rotation: Rotation::Abc }
    }

    /// The window in per unit.
    pub fn measure(&mut self, window: &Window) -> Measured {
        let [scale_a, scale_b, scale_c] = self.scaling.voltage;
        let [rms_a, rms_b, rms_c, rms_n] = window.rms;
        let scales = [scale_a, scale_b, scale_c, self.scaling.neutral];
        let (mut fundamentals, mut thirds) = (window.fundamental, window.third);
        for (((first, third), scale), lag) in
            fundamentals.iter_mut().zip(&mut thirds).zip(scales).zip(self.scaling.lag)
        {
            *first = first.scale(scale) * lag;
            *third = third.scale(scale) * (lag * lag * lag);
        }
        let [a, b, c, neutral] = fundamentals;
        let [third_a, third_b, third_c, third] = thirds;
        let is_complete = self.scaling.measured == Phases::ABC;
        let mut voltage = [a, b, c];
        if !is_complete {
            voltage = completed(voltage, self.scaling.measured);
        } else if voltage.iter().all(|v| v.magnitude() > 0.3)
            && let Some(rotation) = Rotation::detect(voltage)
        {
            // A dead feeder's noise has no order.
            self.rotation = rotation;
        }
        let sequence = SequenceComponents::from_phases(voltage, self.rotation);
        // Below 5 % there is no phase to refer to.
        let positive = (sequence.positive.magnitude() > 0.05).then_some(sequence.positive);
        let sighting =
            |phasor| Sighting { first: window.first(), end: window.end, length: window.length, phasor };
        let now = positive.map(sighting);
        let measured = now.and_then(|now| position::frequency(self.cycles, &self.before?, &now));
        self.frequency = match measured {
            Some(hz) => hz,
            None if window.overlaps => self.frequency,
            None => f32::NAN,
        };
        self.before = now.filter(|_| !window.gap);
        let frequency = self.frequency;
        let [harmonics_a, harmonics_b, harmonics_c, harmonics_n] = &window.harmonics;
        let [peak_a, peak_b, peak_c, _] = window.peak;
        let [mean_a, mean_b, mean_c, _] = window.mean;
        let voltage_harmonics =
            [scaled(harmonics_a, scale_a), scaled(harmonics_b, scale_b), scaled(harmonics_c, scale_c)];
        let ratio = if frequency.is_nan() { 1.0 } else { frequency / self.scaling.rated_hz };
        let loading = |harmonics: &Harmonics| {
            let units = (1_u8..).zip(harmonics.map(|rms| rms * self.scaling.unit_ratio));
            Loading::of(units, 1.0, ratio)
        };
        let fundamental = positive.and_then(Phasor::direction).map(|direction| {
            let turn = direction.conj();
            Fundamental {
                rotation: self.rotation,
                voltage: voltage.map(|v| v * turn),
                neutral: neutral * turn,
                third_voltage: [third_a, third_b, third_c].map(|v| v * turn * turn * turn),
                third: third * turn * turn * turn,
                u2: sequence.u2_percent().filter(|_| is_complete),
                u0: sequence.u0_percent().filter(|_| is_complete),
                nema: unbalance::nema_percent_of_phases(voltage).filter(|_| is_complete),
            }
        });
        Measured {
            begin: window.begin,
            end: window.end,
            fraction: window.fraction,
            flagged: window.flagged,
            in_doubt: window.flagged,
            gap: window.gap,
            overlaps: window.overlaps,
            frequency,
            voltage_rms: self.scaling.known([rms_a * scale_a, rms_b * scale_b, rms_c * scale_c]),
            neutral_rms: rms_n * self.scaling.neutral,
            voltage_peak: [peak_a * scale_a, peak_b * scale_b, peak_c * scale_c],
            voltage_harmonics,
            neutral_harmonics: scaled(harmonics_n, self.scaling.neutral),
            thd: voltage_harmonics.each_ref().map(harmonics::thd_percent),
            loading: voltage_harmonics.each_ref().map(loading),
            voltage_mean: [mean_a * scale_a, mean_b * scale_b, mean_c * scale_c],
            frequency_is_foreign: (frequency - self.scaling.rated_hz).abs() > FOREIGN,
            fundamental,
        }
    }

    /// The last window went on like this until frame `end`, whole windows later: the next one follows it there.
    pub fn hold(&mut self, end: u64) {
        if let Some(before) = &mut self.before {
            before.end = end;
        }
    }

    /// The window as the judge of the bank looks at it; `None` without a positive-sequence voltage.
    pub fn look(&self, measured: &Measured) -> Option<Look> {
        let fundamental = measured.fundamental.as_ref()?;
        let to_units = |v: Phasor| v.scale(self.scaling.unit_ratio);
        let mut shown = fundamental.voltage.map(to_units);
        for (phase, shown) in shown.iter_mut().enumerate() {
            if !self.scaling.measured.contains(phase) {
                *shown = Phasor::ZERO;
            }
        }
        let overtones = measured.neutral_rms * measured.neutral_rms - fundamental.neutral.magnitude_squared();
        Some(Look {
            begin: measured.begin,
            end: measured.end,
            voltage: fundamental.voltage.map(to_units),
            shown,
            steady_voltage: measured.voltage_mean.map(|mean| mean * self.scaling.unit_ratio),
            neutral: fundamental.neutral,
            third: fundamental.third,
            overtones: if overtones > 0.0 { libm::sqrtf(overtones) } else { 0.0 },
            third_voltage: fundamental.third_voltage.map(to_units),
            ratio: self.frequency_ratio(measured),
        })
    }

    /// Frequency over the rated one; a missing frequency (first window) is the rated one.
    fn frequency_ratio(&self, measured: &Measured) -> f32 {
        if measured.frequency.is_nan() { 1.0 } else { measured.frequency / self.scaling.rated_hz }
    }

    /// Measured minus explained neutral current with the rated capacitances; `None` when the voltages are no evidence.
    pub fn residual(&self, measured: &Measured) -> Option<Phasor> {
        let fundamental = measured.fundamental.as_ref()?;
        if measured.in_doubt || !fundamental.voltage.iter().all(|v| PLAUSIBLE.contains(&v.magnitude())) {
            return None;
        }
        let voltage = fundamental.voltage.map(|v| v.scale(self.scaling.unit_ratio));
        let explained = neutral::explained(voltage, self.scaling.rated, self.frequency_ratio(measured));
        Some(-neutral::residual(fundamental.neutral, explained).times_j())
    }
}

/// Voltages with those that are not measured made of the others, turned by 120° (ABC rotation is taken for granted).
fn completed(voltage: [Phasor; 3], measured: Phases) -> [Phasor; 3] {
    let [a, b, c] = voltage;
    let (mut sum, mut count) = (Phasor::ZERO, 0.0);
    for (phase, as_a) in [a, b.rotate_degrees(120.0), c.rotate_degrees(-120.0)].into_iter().enumerate() {
        if measured.contains(phase) {
            sum += as_a;
            count += 1.0;
        }
    }
    let mean = sum.scale(1.0 / count);
    let made = [mean, mean.rotate_degrees(-120.0), mean.rotate_degrees(120.0)];
    let mut whole = voltage;
    for (phase, (place, made)) in whole.iter_mut().zip(made).enumerate() {
        if !measured.contains(phase) {
            *place = made;
        }
    }
    whole
}

fn scaled(harmonics: &Harmonics, scale: f32) -> Harmonics {
    harmonics.map(|rms| rms * scale)
}

impl Measured {
    /// Its first instant.
    pub const fn first(&self) -> Position {
        Position { frame: self.begin, fraction: self.fraction }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::settings;

    /// A window of node 675 of the IEEE 13-node test feeder (published voltages), with the neutral current that a bank
    /// with these `y` has there.
    fn residual(y: [f32; 3]) -> Phasor {
        let scaling = Scaling::new(&settings());
        let voltage = [
            Phasor::from_polar_degrees(0.9835, -5.56),
            Phasor::from_polar_degrees(1.0553, -122.52),
            Phasor::from_polar_degrees(0.9758, 116.03),
        ];
        let neutral = neutral::explained(voltage.map(|v| v.scale(scaling.unit_ratio)), y, 1.0);
        let [sa, sb, sc] = scaling.voltage;
        let [a, b, c] = voltage;
        let fundamental =
            [a.scale(1.0 / sa), b.scale(1.0 / sb), c.scale(1.0 / sc), neutral.scale(1.0 / scaling.neutral)];
        let mut identifier = Identifier::new(scaling, 12);
        let window =
            Window { rms: fundamental.map(Phasor::magnitude), fundamental, ..Window::of_zeros(0, 960) };
        let measured = identifier.measure(&window);
        identifier.residual(&measured).unwrap()
    }

    #[test]
    fn a_healthy_bank_on_an_unbalanced_feeder_leaves_no_residual() {
        let healthy = residual([1.0; 3]);
        assert!(healthy.magnitude() < 1e-5, "{healthy:?}");
    }

    #[test]
    fn each_lost_phase_has_its_angle() {
        // Design values on a balanced feeder: A 180°, B +60°, C −60°; here within the feeder's own unbalance.
        for (phase, degrees) in [(0, 180.0), (1, 60.0), (2, -60.0)] {
            let mut y = [1.0; 3];
            y[phase] = 0.0;
            let lost = residual(y);
            let off = (lost.angle_degrees() - degrees + 540.0) % 360.0 - 180.0;
            assert!(off.abs() < 4.0, "{lost:?}");
        }
    }

    #[test]
    fn what_is_not_measured_is_made_of_the_others() {
        let balanced = Phasor::balanced(1.02);
        for measured in 1..7 {
            let phases = Phases::from_bits(measured);
            let mut seen = balanced;
            for (phase, seen) in seen.iter_mut().enumerate() {
                if !phases.contains(phase) {
                    *seen = Phasor::new(0.3, 0.7);
                }
            }
            for (made, real) in completed(seen, phases).into_iter().zip(balanced) {
                assert!((made - real).magnitude() < 1e-6);
            }
        }
    }
}
