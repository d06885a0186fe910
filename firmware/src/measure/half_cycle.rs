//! rms of one cycle, refreshed each half cycle: Urms(1/2) of IEC 61000-4-30 5.4.
//!
//! Cycles of the rated frequency's length are used, not cut at zero crossings: beside a frequency that is off by 1 % the
//! value is off by up to 1 %. Exact integers, so nothing drifts.

use wyelog_protocol::bank::RatedFrequency;

use crate::frontend::Frame;

/// Squares of counts, summed: 96 times 2^46 fits with room.
type Sums = [i64; 3];

/// Sums the squares of the three voltages.
#[derive(Debug)]
pub struct HalfCycles {
    frames_per_half: u16,
    position: u16,
    current: Sums,
    /// The half cycle before; `None` at the start and after lost frames.
    previous: Option<Sums>,
}

impl HalfCycles {
    /// For the rated frequency.
    pub const fn new(rated: RatedFrequency) -> Self {
        Self { frames_per_half: rated.frames_per_cycle() / 2, position: 0, current: [0; 3], previous: None }
    }

    /// Takes a frame; at the end of each half cycle gives the rms of A, B, C over the last cycle, in counts.
    pub fn push(&mut self, frame: &Frame) -> Option<[f32; 3]> {
        for (sum, count) in self.current.iter_mut().zip(frame.channels) {
            *sum = sum.wrapping_add(i64::from(count).wrapping_mul(i64::from(count)));
        }
        self.position = self.position.wrapping_add(1);
        if self.position < self.frames_per_half {
            return None;
        }
        self.position = 0;
        let current = core::mem::take(&mut self.current);
        let previous = self.previous.replace(current)?;
        let frames = 2.0 * f32::from(self.frames_per_half);
        let mut rms = [0.0; 3];
        for (rms, (now, before)) in rms.iter_mut().zip(current.iter().zip(previous)) {
            #[expect(clippy::cast_precision_loss, reason = "24 bits of a square suffice")]
            let mean = now.wrapping_add(before) as f32 / frames;
            *rms = libm::sqrtf(mean);
        }
        Some(rms)
    }

    /// Forgets the half cycle before: after lost frames.
    pub const fn interrupt(&mut self) {
        self.position = 0;
        self.current = [0; 3];
        self.previous = None;
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use std::vec::Vec;

    #[test]
    fn a_step_to_seven_tenths_at_a_zero_crossing() {
        // IEC 61000-4-30 Urms(1/2), worked in numpy: 1, 0.863134 (= sqrt((1 + 0.49)/2)), 0.7.
        let mut watch = HalfCycles::new(RatedFrequency::Hz60);
        let mut seen = Vec::new();
        for n in 0..320 {
            let size = if n < 160 { 1.0 } else { 0.7 };
            let sine = size * libm::sin(core::f64::consts::TAU * f64::from(n) / 80.0);
            let count = (sine * core::f64::consts::SQRT_2 * 4e6) as i32;
            if let Some(rms) = watch.push(&Frame { channels: [count; 4] }) {
                seen.push(rms[1] / 4e6);
            }
        }
        let expected = [1.0, 1.0, 1.0, 0.863_134, 0.7, 0.7, 0.7];
        assert_eq!(seen.len(), expected.len());
        for (seen, expected) in seen.iter().zip(expected) {
            assert!((seen - expected).abs() < 2e-6, "{seen} {expected}");
        }
    }
}
