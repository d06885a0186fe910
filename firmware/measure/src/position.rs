//! Where windows lie between the frames, and the frequency that two of them tell.

use wyelog_electrical::Phasor;
use wyelog_protocol::FRAMES_PER_SECOND;

/// A position between frames: whole frames since the start, and 2^-32 of one.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Position {
    /// Whole frames since the start.
    pub frame: u64,
    /// Part of a frame in 2^-32.
    pub fraction: u32,
}

impl Position {
    /// The position `q32` (frames in 2^-32) later.
    pub const fn advance(self, q32: u64) -> Self {
        let (fraction, carry) = self.fraction.overflowing_add((q32 & 0xFFFF_FFFF) as u32);
        let whole = self.frame.wrapping_add(q32 >> 32);
        Self { frame: if carry { whole.wrapping_add(1) } else { whole }, fraction }
    }

    /// Frames from an earlier position to this one; `None` if it is not earlier, or by more than 2^20 frames.
    #[expect(clippy::cast_precision_loss, reason = "24 bits suffice")]
    pub fn frames_since(self, earlier: Self) -> Option<f32> {
        let whole = self.frame.checked_sub(earlier.frame).filter(|frames| *frames < 1 << 20)?;
        let part = (self.fraction as f32 - earlier.fraction as f32) * (1.0 / 4_294_967_296.0);
        Some(whole as f32 + part)
    }
}

/// Where a window lies and what phase it saw.
#[derive(Clone, Copy, Debug)]
pub struct Sighting {
    /// Its first instant.
    pub first: Position,
    /// Frame of its end.
    pub end: u64,
    /// Its length in frames.
    pub length: f32,
    /// A fundamental in it.
    pub phasor: Phasor,
}

/// The measured frequency in Hz: from how far the fundamental's phase moved between the middles of two windows.
///
/// Both were cut to whole cycles of an estimate; where that was off, the phase at the second window's middle is not
/// what it should be, and the difference tells the true frequency, free of harmonics. `None` when the windows overlap by more than
/// half, or there is a gap between them.
pub fn frequency(cycles: u16, before: &Sighting, after: &Sighting) -> Option<f32> {
    let follows = before.end == after.first.frame;
    if after.first.frame > before.end {
        return None;
    }
    let mean_length = 0.5 * (before.length + after.length);
    let between = if follows {
        mean_length
    } else {
        after.first.frames_since(before.first)? + 0.5 * (after.length - before.length)
    };
    if !(0.5 * mean_length..=1.5 * mean_length).contains(&between) {
        return None;
    }
    let turn = (after.phasor * before.phasor.conj()).direction()?.angle() / core::f32::consts::TAU;
    // Each phase is that of the window's first instant, whole cycles before its middle.
    let whole = libm::roundf(f32::from(cycles) * between / mean_length - turn);
    #[expect(clippy::cast_precision_loss, reason = "4800 is exact")]
    let hz = (whole + turn) * FRAMES_PER_SECOND as f32 / between;
    hz.is_finite().then_some(hz)
}

#[cfg(test)]
mod tests {
    use super::*;

    const HALF: u32 = 1 << 31;

    #[test]
    fn fractions_carry_into_frames() {
        let at = Position { frame: 7, fraction: HALF };
        assert_eq!(at.advance(u64::from(HALF)), Position { frame: 8, fraction: 0 });
        assert_eq!(at.advance(3 << 32), Position { frame: 10, fraction: HALF });
        assert_eq!(at.advance(3 << 32).frames_since(at), Some(3.0));
        assert_eq!(Position { frame: 8, fraction: 0 }.frames_since(at), Some(0.5));
        assert_eq!(at.frames_since(Position { frame: 8, fraction: 0 }), None);
        assert_eq!(Position { frame: 7 + (1 << 20), fraction: 0 }.frames_since(at), None);
    }

    /// A window of twelve cycles of 60.02 Hz that begins at `first`, over a signal of `hz`.
    fn sighting(first: Position, hz: f64) -> Sighting {
        let length = 12.0 / 60.02 * 4800.0;
        let middle = first.frame as f64 + f64::from(first.fraction) / 4_294_967_296.0 + 0.5 * length;
        let turns = libm::fmod(hz / 4800.0 * middle, 1.0);
        let phasor = Phasor::from_polar(1.0, (turns * core::f64::consts::TAU) as f32);
        let q32 = (length * 4_294_967_296.0) as u64;
        Sighting { first, end: first.advance(q32).frame, length: length as f32, phasor }
    }

    #[test]
    fn the_phase_between_two_windows_tells_the_frequency() {
        let first = Position { frame: 1000, fraction: HALF };
        let q32 = (12.0 / 60.02 * 4800.0 * 4_294_967_296.0) as u64;
        for hz in [57.8, 59.95, 60.013, 62.1] {
            // One behind the other, and one that begins half a window early.
            for later in [q32, q32 / 2 + (5 << 32)] {
                let found = frequency(12, &sighting(first, hz), &sighting(first.advance(later), hz));
                assert!(found.is_some_and(|found| (f64::from(found) - hz).abs() < 5e-4), "{hz}: {found:?}");
            }
        }
    }

    #[test]
    fn a_gap_or_a_long_overlap_tells_nothing() {
        let first = Position { frame: 1000, fraction: 0 };
        let before = sighting(first, 60.0);
        let gap = Position { frame: before.end + 1, fraction: 0 };
        assert_eq!(frequency(12, &before, &sighting(gap, 60.0)), None);
        assert_eq!(frequency(12, &before, &sighting(first.advance(400 << 32), 60.0)), None);
    }
}
