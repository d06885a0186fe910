//! `blown_fuse`: the residual stands where the loss of a phase puts it.
//!
//! Valid where the voltage sensors sit on the source side of the fuse: the fuse then takes away the current alone.

use wyelog_electrical::Phasor;
use wyelog_protocol::bank::Limits;

use super::lifecycle::{Lifecycle, Observation};
use crate::identify::{Identified, Measured};

/// A change of the residual by more than this from one window to the next means that something happened in the later one.
const STEP: f32 = 0.1;

/// One lifecycle a phase: two fuses are two occurrences.
#[derive(Debug)]
pub struct BlownFuse {
    /// Of A, B, C.
    pub phases: [Lifecycle; 3],
    /// How near the residual must be to that of a lost phase, per unit of the rated current.
    pub limit: f32,
    before: Option<(u64, Phasor)>,
    /// First frame of the window in which the residual last stepped.
    stepped: u64,
}

impl BlownFuse {
    /// With the limits of the settings.
    pub fn new(limits: &Limits) -> Self {
        Self {
            phases: [Lifecycle::default(); 3],
            limit: limits.lost_phase.value_or_nan(),
            before: None,
            stepped: 0,
        }
    }

    /// Since when what this window shows may have been so: the change lies in the window before when that one showed
    /// the residual on its way.
    pub fn begin(&mut self, measured: &Measured, identified: Option<&Identified>) -> u64 {
        let Some(identified) = identified else {
            // A gap in the evidence: what comes behind it may have begun in it.
            if self.before.take().is_some() {
                self.stepped = measured.begin;
            }
            return measured.begin;
        };
        if let Some((begin, before)) = self.before
            && (identified.residual - before).magnitude() > STEP
        {
            // Of two stepped windows in a row the first one holds the change.
            if self.stepped != begin {
                self.stepped = measured.begin;
            }
        }
        self.before = Some((measured.begin, identified.residual));
        self.stepped
    }
}

/// What a window says of the fuse of `phase`.
pub fn observe(phase: usize, identified: Option<&Identified>, limit: f32) -> Observation {
    let Some(identified) = identified else { return Observation::Unknown };
    let signature = &identified.signature;
    let named = signature.lost.phases().get(phase).copied().unwrap_or(false);
    if named && signature.distance < limit && signature.healthy_distance > limit {
        Observation::Present
    } else {
        Observation::Absent
    }
}
