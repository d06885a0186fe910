//! The last frames, as a ring.

use crate::frame::Frame;

/// Frames kept: the longest window (10 cycles at 42.5 Hz are 1130 frames) while the one that it overlaps is still being
/// measured (120 frames) and then itself (37), and the reach of the resampling kernel on both sides.
pub const FRAMES: u32 = 1344;

/// The same as a length.
const PLACES: usize = FRAMES as usize;

/// The four channels of a frame in counts; an f32 holds 24 bits exactly.
pub type Counts = [f32; 4];

/// The last [`FRAMES`] frames.
#[derive(Debug)]
pub struct History {
    ring: [Counts; PLACES],
    /// Place of the next frame.
    place: usize,
    /// Frames pushed since the start.
    count: u64,
}

impl Default for History {
    fn default() -> Self {
        Self::new()
    }
}

impl History {
    /// All zero, as if zeros had been sampled for ever.
    pub const fn new() -> Self {
        Self { ring: [[0.0; 4]; PLACES], place: 0, count: 0 }
    }

    /// Takes the next frame.
    pub fn push(&mut self, frame: &Frame) {
        #[expect(clippy::cast_precision_loss, reason = "24 bits fit")]
        if let Some(counts) = self.ring.get_mut(self.place) {
            *counts = frame.channels.map(|count| count as f32);
        }
        self.place = self.place.wrapping_add(1);
        if self.place >= PLACES {
            self.place = 0;
        }
        self.count = self.count.wrapping_add(1);
    }

    /// Takes `frames` zeros in the place of frames that were lost.
    pub fn skip(&mut self, frames: u32) {
        for _ in 0..frames.min(FRAMES) {
            self.push(&Frame::default());
        }
        self.count = self.count.wrapping_add(u64::from(frames.saturating_sub(FRAMES)));
    }

    /// So many frames have passed of which nothing is known: whoever reads across them reads what was there before.
    pub const fn jump(&mut self, frames: u64) {
        self.count = self.count.wrapping_add(frames);
    }

    /// Frames pushed since the start; the newest one has this number less one.
    pub const fn count(&self) -> u64 {
        self.count
    }

    /// Frame number `frame`; `None` if it is not there any more, or not yet.
    pub fn get(&self, frame: u64) -> Option<&Counts> {
        let back = usize::try_from(self.count.checked_sub(frame)?).ok()?;
        if back > PLACES || back == 0 {
            return None;
        }
        self.ring.get(match self.place.checked_sub(back) {
            Some(place) => place,
            None => self.place.wrapping_add(PLACES).wrapping_sub(back),
        })
    }

    /// `N` frames from frame number `first` on; `None` if one of them is not there any more, or not yet.
    /// `scratch` is used where the ring wraps.
    pub fn read<'s, const N: usize>(
        &'s self,
        first: u64,
        scratch: &'s mut [Counts; N],
    ) -> Option<&'s [Counts; N]> {
        let back = usize::try_from(self.count.checked_sub(first)?).ok()?;
        if back > PLACES || back < N {
            return None;
        }
        let start = match self.place.checked_sub(back) {
            Some(start) => start,
            None => self.place.wrapping_add(PLACES).wrapping_sub(back),
        };
        let (before, from_start) = self.ring.split_at_checked(start)?;
        if let Some(run) = from_start.first_chunk::<N>() {
            return Some(run);
        }
        across(scratch, from_start, before);
        Some(scratch)
    }
}

/// What lies on both sides of the ring's end, in one run. Rare: out of line, so that no reader holds a copy.
#[cold]
#[inline(never)]
fn across(run: &mut [Counts], end: &[Counts], start: &[Counts]) {
    for (place, counts) in run.iter_mut().zip(end.iter().chain(start)) {
        *place = *counts;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_what_was_pushed_also_across_the_wrap() {
        let mut history = History::new();
        for n in 0..2000_i32 {
            history.push(&Frame { channels: [n, -n, 0, 1] });
        }
        let mut scratch = [[0.0; 4]; 24];
        for first in 656..=1976_u64 {
            let run = history.read(first, &mut scratch).unwrap();
            assert_eq!(run[0][0], first as f32);
            assert_eq!(history.get(first).unwrap()[0], first as f32);
            assert_eq!(run[23][1], -(first as f32) - 23.0);
        }
        assert!(history.read(655, &mut scratch).is_none(), "overwritten");
        assert!(history.read(1977, &mut scratch).is_none(), "not there yet");
        assert!(history.get(655).is_none() && history.get(2000).is_none());
        assert_eq!(history.get(1999).unwrap()[0], 1999.0);
    }
}
