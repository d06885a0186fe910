//! What the switch did, as a record.

use wyelog_protocol::quantity::{Current, PerUnit};
use wyelog_protocol::record::{Action, Operation};

use crate::FRAMES_PER_SECOND;
use crate::clock::Clock;

/// An operation as the judge saw it, in frames and per unit.
#[derive(Clone, Copy, Debug)]
pub struct Seen {
    /// What the switch did.
    pub action: Action,
    /// Whether it was told to; `None` without a contact input.
    pub told: Option<bool>,
    /// First frame.
    pub begin: u64,
    /// Frames from `begin` to the current zero at which each pole cleared; NaN where it was not seen.
    pub poles: [f32; 3],
    /// Largest instantaneous neutral current, per unit of the rms rated current.
    pub peak: f32,
    /// Change of the mean voltage, per unit; NaN when it is not known.
    pub voltage_step: f32,
    /// Frame of the last opening.
    pub opened: Option<u64>,
}

impl Seen {
    /// The record, decided at frame `now`; `base_current` is the rated current in A.
    pub fn record(&self, now: u64, clock: &Clock, base_current: f32) -> Operation {
        #[expect(clippy::cast_precision_loss, reason = "4800")]
        let us = 1e6 / FRAMES_PER_SECOND as f32;
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "'as' saturates")]
        let poles_us = self.poles.map(|frames| (frames >= 0.0).then(|| libm::roundf(frames * us) as u32));
        Operation {
            stamp: clock.stamp(now),
            action: self.action,
            told: self.told,
            begin: clock.moment(self.begin),
            poles_us,
            neutral_peak: Current::quantise(self.peak * base_current),
            voltage_step: PerUnit::quantise(self.voltage_step),
            since_opening_ms: self.opened.map(|opened| {
                // 4800 frames are 1000 ms.
                self.begin.saturating_sub(opened).saturating_mul(5).div_euclid(24)
            }),
        }
    }
}
