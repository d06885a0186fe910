//! The frequency to place windows by: phasors over cycles of the rated frequency.
//!
//! Each cycle of 80 or 96 frames gives the positive-sequence voltage against an oscillator of the rated frequency,
//! in exact integers, over this cycle and the one before: weighed by a triangle, so that harmonics of a frequency off the
//! rated one leave a tenth of what they would leave in a cycle alone (at worst 7 instead of 60 mHz). Its phase turns by 2π(f − f_rated) a second; the slope over the last 10 or 12 cycles is the
//! frequency of the last 200 ms, good to a few mHz: a window of the standard needs 18 mHz (0.03 % of its length,
//! IEC 61000-4-7 4.4.1, from memory).

use wyelog_electrical::{Phasor, Rotation, SequenceComponents, trig};
use wyelog_protocol::bank::RatedFrequency;

use crate::frame::Frame;

/// Most cycles in a slope: 12 at 60 Hz.
const CYCLES: usize = 12;

/// Most frames in a cycle: 96 at 50 Hz.
const MAX_FRAMES: usize = 96;

/// Watches the frequency of the positive-sequence voltage.
#[derive(Debug)]
pub struct CycleWatch {
    /// cos and −sin of the oscillator in units of 2^-20, one cycle.
    oscillator: [[i32; 2]; MAX_FRAMES],
    frames_per_cycle: u16,
    cycles: u16,
    rated_hz: f32,
    /// Frame within the cycle.
    position: u16,
    /// Sums of the cycle so far: real and imaginary part, of A, B, C.
    sums: [[i64; 2]; 3],
    /// The same, each frame weighed by the frames from it to the end of the cycle.
    falling: [[i64; 2]; 3],
    /// The cycle before, each frame weighed by its place in it; `None` without one.
    rising: Option<[Phasor; 3]>,
    /// Phase steps between the last cycles in rad, oldest first.
    steps: [f32; CYCLES],
    /// How many of `steps` are there.
    filled: u16,
    last: Option<Phasor>,
    /// Whether the negative sequence is watched: the feeder's rotation is ACB.
    negative: bool,
    frequency: f32,
    /// Cycles until what a phase jump did to the slope has left it.
    unsettled: u16,
    /// Frequency as of before the last phase jump.
    settled: f32,
}

/// A step of the phase that is this far from what the frequency makes of it is a jump, in rad: 1.7°. A ramp of 1 Hz/s makes
/// 0.01 of it, 10 % of a harmonic in one phase on a frequency 7.5 Hz off the rated one 0.007.
const JUMP: f32 = 0.03;

impl CycleWatch {
    /// For the rated frequency.
    pub fn new(rated: RatedFrequency) -> Self {
        let frames = rated.frames_per_cycle();
        let mut oscillator = [[0; 2]; MAX_FRAMES];
        let mut n = 0.0;
        for place in &mut oscillator {
            let angle = n / f32::from(frames) * core::f32::consts::TAU;
            #[expect(clippy::cast_possible_truncation, reason = "at most 2^20")]
            let fixed = |x: f32| libm::roundf(x * 1_048_576.0) as i32;
            let (sin, cos) = trig::sin_cos(angle);
            *place = [fixed(cos), fixed(-sin)];
            n += 1.0;
        }
        Self {
            oscillator,
            frames_per_cycle: frames,
            cycles: rated.cycles_per_window(),
            rated_hz: rated.hz(),
            position: 0,
            sums: [[0; 2]; 3],
            falling: [[0; 2]; 3],
            rising: None,
            steps: [0.0; CYCLES],
            filled: 0,
            last: None,
            negative: false,
            frequency: rated.hz(),
            unsettled: 0,
            settled: rated.hz(),
        }
    }

    /// Takes a frame; whether it ended a cycle: the frequency may have changed.
    ///
    /// `weights` make the three channels comparable (per unit a count).
    // Out of line: near a pointer of their own, the sums are read and written in pairs of words.
    #[inline(never)]
    pub fn push(&mut self, frame: &Frame, weights: &[f32; 3]) -> bool {
        if let Some(oscillator) = self.oscillator.get(usize::from(self.position)) {
            // 24 bits by 21 bits, 96 times: 52 bits; by 7 bits more: 59.
            let left = i32::from(self.frames_per_cycle.wrapping_sub(self.position).cast_signed());
            for ((sums, falling), count) in self.sums.iter_mut().zip(&mut self.falling).zip(frame.channels) {
                for ((sum, falling), part) in sums.iter_mut().zip(falling).zip(oscillator) {
                    *sum = sum.wrapping_add(i64::from(*part).wrapping_mul(i64::from(count)));
                    let weighed = part.wrapping_mul(left);
                    *falling = falling.wrapping_add(i64::from(weighed).wrapping_mul(i64::from(count)));
                }
            }
        }
        self.position = self.position.wrapping_add(1);
        if self.position < self.frames_per_cycle {
            return false;
        }
        self.position = 0;
        self.finish_cycle(weights);
        true
    }

    /// Frequency in Hz, within 15 % of the rated one; the rated one until a cycle has been seen, the last one while there is
    /// no voltage.
    pub const fn frequency(&self) -> f32 {
        self.frequency
    }

    /// The same, but as of before a jump of the phase while that is within the slope: what half cycles are cut by.
    pub const fn settled_frequency(&self) -> f32 {
        self.settled
    }

    /// Forgets the phases, not the frequency: after lost frames.
    pub fn interrupt(&mut self) {
        self.last = None;
        self.filled = 0;
        self.position = 0;
        self.sums = [[0; 2]; 3];
        self.falling = [[0; 2]; 3];
        self.rising = None;
    }

    fn finish_cycle(&mut self, weights: &[f32; 3]) {
        let scale = core::f32::consts::SQRT_2 / 1_048_576.0 / f32::from(self.frames_per_cycle);
        let sums = phasors_of(&mut self.sums, scale, weights);
        let falling = phasors_of(&mut self.falling, scale / f32::from(self.frames_per_cycle), weights);
        let mut rising = sums;
        for (rising, falling) in rising.iter_mut().zip(falling) {
            *rising -= falling;
        }
        let Some(before) = self.rising.replace(rising) else { return };
        let mut phasors = falling;
        for (phasor, rising) in phasors.iter_mut().zip(before) {
            *phasor += rising;
        }
        // The sequence that the feeder has; the other one would be noise. With one phase alive both are the same size, 120°
        // apart: stay with one, or each change would look like a step of the phase.
        let SequenceComponents { positive, negative, .. } =
            SequenceComponents::from_phases(phasors, Rotation::Abc);
        let (same, other) = if self.negative { (negative, positive) } else { (positive, negative) };
        let strongest = if other.magnitude() > 2.0 * same.magnitude() {
            self.negative = !self.negative;
            self.last = None;
            other
        } else {
            same
        };
        // Below 5 % there is no phase to speak of.
        let present = strongest.magnitude() > 0.05;
        match (present, self.last) {
            (true, Some(last)) => self.take_step((strongest * last.conj()).angle()),
            (true, None) => {}
            (false, _) => self.filled = 0,
        }
        self.last = present.then_some(strongest);
    }

    fn take_step(&mut self, step: f32) {
        let expected = core::f32::consts::TAU * (self.frequency / self.rated_hz - 1.0);
        // While the slope is being filled, it is what there is.
        let is_full = self.filled.saturating_add(1) >= self.cycles;
        if self.unsettled == 0 && is_full && (step - expected).abs() > JUMP {
            self.unsettled = self.cycles.saturating_add(1);
        }
        self.steps.rotate_left(1);
        if let Some(newest) = self.steps.last_mut() {
            *newest = step;
        }
        self.filled = self.filled.saturating_add(1).min(self.cycles.wrapping_sub(1));
        // The least-squares slope over n + 1 phases weighs the n steps by a parabola: k(n + 1 − k).
        let n = f32::from(self.filled);
        let (mut sum, mut weights, mut k) = (0.0, 0.0, 1.0);
        for step in self.steps.iter().rev().take(usize::from(self.filled)) {
            let weight = k * (n + 1.0 - k);
            sum += weight * step;
            weights += weight;
            k += 1.0;
        }
        let cycles = sum / weights / core::f32::consts::TAU;
        let frequency = self.rated_hz * (1.0 + cycles);
        // Windows of 42.5–57.5 Hz and 51–69 Hz are asked for (IEC 61000-4-30 5.1.2, from memory).
        let (low, high) = (0.845 * self.rated_hz, 1.155 * self.rated_hz);
        self.frequency = if frequency < low {
            low
        } else if frequency > high {
            high
        } else {
            frequency
        };
        match self.unsettled.checked_sub(1) {
            Some(left) => self.unsettled = left,
            None => self.settled = self.frequency,
        }
    }
}

/// Sums of A, B, C as phasors; the sums begin anew.
fn phasors_of(sums: &mut [[i64; 2]; 3], scale: f32, weights: &[f32; 3]) -> [Phasor; 3] {
    let mut phasors = [Phasor::ZERO; 3];
    for ((phasor, sums), weight) in phasors.iter_mut().zip(sums).zip(weights) {
        #[expect(clippy::cast_precision_loss, reason = "the last of 59 bits are below the noise")]
        let [re, im] = core::mem::take(sums).map(|sum| sum as f32 * scale * weight);
        *phasor = Phasor::new(re, im);
    }
    phasors
}

#[cfg(test)]
mod tests {
    use super::*;

    fn measured(rated: RatedFrequency, hz: f64, u2: f64, rotation: f64) -> f32 {
        let mut watch = CycleWatch::new(rated);
        for n in 0..4800 {
            let t = f64::from(n) / 4800.0 * core::f64::consts::TAU * hz;
            let phase = |k: f64| {
                let turn = core::f64::consts::TAU / 3.0 * k;
                4e6 * (libm::cos(t - rotation * turn) + u2 * libm::cos(t + rotation * turn + 0.3))
            };
            let channels = [phase(0.0) as i32, phase(1.0) as i32, phase(2.0) as i32, 0];
            let _ = watch.push(&Frame { channels }, &[1.0 / 4e6; 3]);
        }
        watch.frequency()
    }

    #[test]
    fn the_frequency_is_good_enough_to_place_windows() {
        for rated in [RatedFrequency::Hz50, RatedFrequency::Hz60] {
            for offset in [-0.145, -0.05, -0.01, 0.0, 0.001, 0.02, 0.145] {
                let hz = f64::from(rated.hz()) * (1.0 + offset);
                let error = f64::from(measured(rated, hz, 0.02, 1.0)) - hz;
                // 0.03 % of the window's length.
                assert!(error.abs() < 3e-4 * hz / 3.0, "{hz} Hz: {error}");
            }
        }
    }

    #[test]
    fn a_feeder_of_the_other_rotation_is_followed_too() {
        let error = f64::from(measured(RatedFrequency::Hz60, 59.5, 0.01, -1.0)) - 59.5;
        assert!(error.abs() < 0.005, "{error}");
    }

    #[test]
    fn one_phase_alone_is_followed() {
        for alive in 0..3 {
            let mut watch = CycleWatch::new(RatedFrequency::Hz60);
            let mut noise = 1_u32;
            for n in 0..9600 {
                let t = f64::from(n) / 4800.0 * core::f64::consts::TAU * 60.0;
                let mut channels = [0; 4];
                for channel in channels.iter_mut().take(3) {
                    noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    *channel = (noise >> 22) as i32 - 512;
                }
                channels[alive] += (4e6 * libm::cos(t)) as i32;
                let _ = watch.push(&Frame { channels }, &[1.0 / 4e6; 3]);
                if n > 2000 {
                    assert!((watch.frequency() - 60.0).abs() < 2e-3, "phase {alive}: {}", watch.frequency());
                }
            }
        }
    }

    #[test]
    fn without_voltage_the_last_frequency_stays() {
        let mut watch = CycleWatch::new(RatedFrequency::Hz50);
        for _ in 0..1000 {
            let _ = watch.push(&Frame::default(), &[1.0; 3]);
        }
        assert_eq!(watch.frequency(), 50.0);
    }
}
