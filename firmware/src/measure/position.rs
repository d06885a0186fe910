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
