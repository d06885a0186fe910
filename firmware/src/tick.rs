//! When intervals end.

use crate::FRAMES_PER_SECOND;
use crate::clock::Clock;

/// Multiples of a length of time: in UTC once it is known, until then of the time since the start.
#[derive(Debug)]
pub struct Ticks {
    seconds: u16,
    next: u64,
}

impl Ticks {
    /// Every so many seconds; the first one at the first multiple.
    pub fn new(seconds: u16, clock: &Clock) -> Self {
        let mut ticks = Self { seconds, next: 0 };
        ticks.place(clock);
        ticks
    }

    /// Frame of the next tick, as of the last [`Ticks::place`].
    pub const fn next(&self) -> u64 {
        self.next
    }

    /// The first tick behind now: after the last one has passed, and when the clock has been set.
    pub fn place(&mut self, clock: &Clock) {
        let now = clock.frames();
        let length_ms = u64::from(self.seconds).saturating_mul(1000);
        let tick = clock
            .utc_ms(now)
            .and_then(|utc| utc.checked_div(length_ms)?.checked_add(1)?.checked_mul(length_ms))
            .and_then(|tick| clock.frame_at(tick));
        let length = u64::from(self.seconds).saturating_mul(u64::from(FRAMES_PER_SECOND));
        let multiple = now.checked_div(length).map_or(0, |n| n.saturating_add(1).saturating_mul(length));
        self.next = tick.unwrap_or(multiple);
    }

    /// The end of an interval whose last window ended at frame `end`: the tick, or that end if windows are missing between.
    pub const fn close(&self, end: u64) -> u64 {
        /// A window of 42.5 Hz.
        const WINDOW: u64 = 1130;
        if end.saturating_sub(self.next) > WINDOW { end } else { self.next }
    }
}
