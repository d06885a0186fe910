//! Frames are the clock; UTC hangs on one of them.

use wyelog_protocol::record::{Moment, Stamp};

/// Counts frames and knows UTC as of the last time it was set.
#[derive(Clone, Copy, Debug, Default)]
pub struct Clock {
    boot: u32,
    frames: u64,
    /// A frame, and UTC in ms since 1970-01-01 at it.
    anchor: Option<(u64, u64)>,
}

impl Clock {
    /// At frame 0 of start number `boot`; UTC not known.
    pub const fn new(boot: u32) -> Self {
        Self { boot, frames: 0, anchor: None }
    }

    /// So many frames have passed.
    pub const fn advance(&mut self, frames: u32) {
        self.frames = self.frames.wrapping_add(frames as u64);
    }

    /// Time has gone on to this frame.
    pub const fn advance_to(&mut self, frame: u64) {
        self.frames = frame;
    }

    /// Frames since the start.
    pub const fn frames(&self) -> u64 {
        self.frames
    }

    /// UTC is `utc_ms` at the next frame. Returns what it was until now.
    pub fn set(&mut self, utc_ms: u64) -> Option<u64> {
        let before = self.utc_ms(self.frames);
        self.anchor = Some((self.frames, utc_ms));
        before
    }

    /// UTC at a frame of this start, in ms since 1970-01-01. Out of line: it divides 64 bits, and every stamp needs it.
    #[inline(never)]
    pub fn utc_ms(&self, frame: u64) -> Option<u64> {
        let (anchor, utc_ms) = self.anchor?;
        match frame.checked_sub(anchor) {
            Some(after) => utc_ms.checked_add(frames_to_ms(after)?),
            None => utc_ms.checked_sub(frames_to_ms(anchor.wrapping_sub(frame))?),
        }
    }

    /// The first frame at or behind UTC `utc_ms`, once the clock has been set.
    pub fn frame_at(&self, utc_ms: u64) -> Option<u64> {
        let (anchor, anchor_ms) = self.anchor?;
        match utc_ms.checked_sub(anchor_ms) {
            Some(after) => anchor.checked_add(ms_to_frames(after)?),
            None => Some(anchor.saturating_sub(ms_to_frames(anchor_ms.wrapping_sub(utc_ms))?)),
        }
    }

    /// A frame of this start, as records hold it.
    pub fn moment(&self, frame: u64) -> Moment {
        Moment { frame, utc_ms: self.utc_ms(frame) }
    }

    /// The same with the number of the start.
    pub fn stamp(&self, frame: u64) -> Stamp {
        Stamp { boot: self.boot, frame, utc_ms: self.utc_ms(frame) }
    }
}

/// Milliseconds that so many frames take, rounded down: 24 frames are 5 ms.
pub const fn frames_to_ms(frames: u64) -> Option<u64> {
    match frames.checked_mul(5) {
        Some(fifths) => Some(fifths / 24),
        None => None,
    }
}

const fn ms_to_frames(ms: u64) -> Option<u64> {
    match ms.checked_mul(24) {
        Some(frames) => Some(frames.div_ceil(5)),
        None => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn utc_goes_with_the_frames_in_both_directions() {
        let mut clock = Clock::new(3);
        clock.advance(4800);
        assert_eq!(clock.stamp(10), Stamp { boot: 3, frame: 10, utc_ms: None });
        assert_eq!(clock.set(1_900_000_000_000), None);
        clock.advance(48_000);
        assert_eq!(clock.utc_ms(52_800), Some(1_900_000_010_000));
        assert_eq!(clock.utc_ms(0), Some(1_899_999_999_000));
        assert_eq!(clock.frame_at(1_900_000_010_000), Some(52_800));
        assert_eq!(clock.frame_at(1_899_999_999_000), Some(0));
        assert_eq!(clock.set(1_900_000_000_000), Some(1_900_000_010_000));
    }

    #[test]
    fn a_clock_before_its_own_epoch_is_absent() {
        let mut clock = Clock::new(0);
        clock.advance(48_000);
        clock.set(5);
        assert_eq!(clock.utc_ms(0), None);
    }
}
