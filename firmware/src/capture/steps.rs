//! Steps of a voltage or of the neutral current, within a cycle of their happening.

use crate::FRAMES_PER_SECOND;
use crate::frontend::{Frame, Scaling};

/// A change of the rms value over a cycle against the cycle before that is a step: of rated voltage, and of rated current.
const STEP: f32 = 0.05;

/// Sum of the squares of A, B, C, N over half a cycle, in counts.
#[derive(Clone, Copy, Debug, Default)]
struct Half {
    squares: [i64; 4],
    frames: u16,
}

/// Watches for steps.
#[derive(Debug)]
pub struct Steps {
    /// Frames of a half cycle at the present frequency.
    length: u16,
    current: Half,
    /// The three half cycles before, newest first.
    before: [Half; 3],
    /// How many of them there are.
    known: u8,
}

impl Steps {
    /// Nothing seen yet; `length` is half a cycle of the rated frequency in frames.
    pub const fn new(length: u16) -> Self {
        const NONE: Half = Half { squares: [0; 4], frames: 0 };
        Self { length, current: NONE, before: [NONE; 3], known: 0 }
    }

    /// Takes a frame; at the end of a half cycle that makes a step, returns the frames since the earliest moment at which it
    /// can have happened.
    ///
    /// The rms over the last cycle is held against that over the one before it: a step shows at the end of the half cycle it
    /// lies in, or one or two half cycles later.
    pub fn push(&mut self, frame: &Frame, scaling: &Scaling, frequency: f32) -> Option<u64> {
        for (sum, count) in self.current.squares.iter_mut().zip(frame.channels) {
            // 192 times 2^46 fits with room.
            *sum = sum.wrapping_add(i64::from(count).wrapping_mul(i64::from(count)));
        }
        self.current.frames = self.current.frames.wrapping_add(1);
        if self.current.frames < self.length {
            return None;
        }
        self.length = half_cycle(frequency);
        let [one, two, three] = self.before;
        let now = core::mem::take(&mut self.current);
        self.before = [now, one, two];
        if self.known < 3 {
            self.known = self.known.wrapping_add(1);
            return None;
        }
        let [a, b, c] = scaling.voltage;
        let scales = [a, b, c, scaling.neutral];
        let is_step = rms(&now, &one)
            .iter()
            .zip(rms(&two, &three))
            .zip(scales)
            .any(|((now, before), scale)| ((now - before) * scale).abs() > STEP);
        let frames =
            u64::from(now.frames).wrapping_add(u64::from(one.frames)).wrapping_add(u64::from(two.frames));
        is_step.then_some(frames)
    }

    /// Forgets what was before: after lost frames.
    pub const fn interrupt(&mut self) {
        *self = Self::new(self.length);
    }

    /// Frames of the present cycle.
    pub fn cycle(&self) -> u64 {
        u64::from(self.length).saturating_mul(2)
    }
}

/// Frames of half a cycle at 40 to 73 Hz.
fn half_cycle(frequency: f32) -> u16 {
    #[expect(clippy::cast_precision_loss, reason = "4800 is exact")]
    let frames = libm::roundf(0.5 * FRAMES_PER_SECOND as f32 / frequency);
    if !(frames > 33.0 && frames < 60.0) {
        return 60;
    }
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between 33 and 60")]
    let frames = frames as u16;
    frames
}

/// rms of A, B, C, N over two half cycles, in counts.
fn rms(one: &Half, two: &Half) -> [f32; 4] {
    let frames = f32::from(one.frames) + f32::from(two.frames);
    let mut rms = [0.0; 4];
    for (rms, (one, two)) in rms.iter_mut().zip(one.squares.iter().zip(two.squares)) {
        #[expect(clippy::cast_precision_loss, reason = "24 bits of a square suffice")]
        let mean = one.wrapping_add(two) as f32 / frames;
        *rms = libm::sqrtf(mean);
    }
    rms
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use crate::testing::{Bank, settings};

    /// Frames from the change to its being seen, and frames that it is then said to be old at most.
    fn seen(before: Bank, after: Bank, change: u64, hz: f32) -> std::vec::Vec<(u64, u64)> {
        let (mut steps, scaling) = (Steps::new(40), Scaling::new(&settings()));
        (0..change + 2000)
            .filter_map(|n| {
                let bank = if n < change { before } else { after };
                steps.push(&bank.frame(n), &scaling, hz).map(|age| (n + 1 - change, age))
            })
            .collect()
    }

    #[test]
    fn a_lost_phase_and_a_sag_of_a_tenth_are_seen_wherever_in_the_cycle_they_begin() {
        for hz in [51.0, 60.0, 69.0] {
            let healthy = Bank { hz, ..Bank::default() };
            let cycle = 4800.0 / hz;
            for (voltage, y) in [([1.0, 1.02, 0.98], [0.0, 1.0, 1.0]), ([1.0, 0.91, 0.98], [1.0; 3])] {
                for change in 3000..3160 {
                    let seen = seen(healthy, Bank { voltage, y, ..healthy }, change, hz as f32);
                    let (at, age) = *seen.first().unwrap_or_else(|| panic!("{hz} Hz, {change}: not seen"));
                    assert!(at as f64 <= 1.5 * cycle + 3.0 && at <= age, "{hz} Hz: {at} of {age} frames");
                    let (last, _) = *seen.last().unwrap();
                    assert!((last as f64) < 2.5 * cycle, "{hz} Hz: still seen after {last} frames");
                }
            }
        }
    }

    #[test]
    fn steady_states_make_no_step_at_any_frequency() {
        // Also with a phase lost, whose neutral current is largest.
        for y in [[1.0; 3], [1.0, 0.0, 1.0]] {
            for tenth in 510..=690 {
                let bank = Bank { hz: f64::from(tenth) / 10.0, y, ..Bank::default() };
                assert!(seen(bank, bank, 2000, bank.hz as f32).is_empty(), "{} Hz", bank.hz);
            }
        }
    }

    #[test]
    fn four_percent_is_no_step() {
        let after = Bank { voltage: [1.0, 1.02, 0.94], ..Bank::default() };
        // The neutral current moves as much.
        assert!(seen(Bank::default(), after, 3000, 60.0).is_empty());
    }
}
