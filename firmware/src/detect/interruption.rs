//! `interruption`: all voltages below the threshold (IEC 61000-4-30 5.5). It begins when the last one falls below and
//! ends when the first is above threshold plus hysteresis.

use wyelog_protocol::bank::Limits;

use super::lifecycle::{Lifecycle, Observation};

/// Judges half-cycle rms values.
#[derive(Debug)]
pub struct Interruption {
    /// Of all phases together.
    pub lifecycle: Lifecycle,
    /// Per unit of the rated voltage.
    below: f32,
    /// Per unit of the rated voltage.
    above: f32,
}

impl Interruption {
    /// With the limits of the settings.
    pub fn new(limits: &Limits) -> Self {
        let below = limits.interruption.value_or_nan() / 100.0;
        let above = below + limits.hysteresis.value_or_nan() / 100.0;
        Self { lifecycle: Lifecycle::default(), below, above }
    }

    /// What the half-cycle rms of A, B, C (per unit of the rated voltage) say.
    pub fn observe(&self, rms: [f32; 3]) -> Observation {
        // Once begun it goes on until a voltage is above threshold plus hysteresis.
        let below = if self.lifecycle.is_active() { self.above } else { self.below };
        if rms.iter().all(|rms| *rms < below) { Observation::Present } else { Observation::Absent }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_must_fall_and_one_must_rise() {
        let interruption = Interruption::new(&Limits::DEFAULT);
        assert_eq!(interruption.observe([0.05, 0.09, 0.11]), Observation::Absent);
        assert_eq!(interruption.observe([0.05, 0.09, 0.0999]), Observation::Present);
    }

    #[test]
    fn a_rating_that_is_absent_never_alarms() {
        let limits = Limits { interruption: Default::default(), ..Limits::DEFAULT };
        assert_eq!(Interruption::new(&limits).observe([0.0; 3]), Observation::Absent);
    }
}
