//! `blown_fuse`: the residual stands where the loss of a phase puts it. It has ended only when the neutral carries what the
//! voltages explain, not when it carries nothing.
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
    /// Residual of the window before; `None` behind a gap in the evidence.
    before: Option<Phasor>,
    /// First frame of the run of windows, up to the one before, in which the residual was on its way or could not be told.
    moving: Option<u64>,
}

impl BlownFuse {
    /// With the limits of the settings.
    pub fn new(limits: &Limits) -> Self {
        Self {
            phases: [Lifecycle::default(); 3],
            limit: limits.lost_phase.value_or_nan(),
            before: None,
            moving: None,
        }
    }

    /// Since when what this window shows may have been so: since the window in which the residual began to move, or since
    /// the voltages were no evidence any more. While the bank is told to be open nothing can begin.
    pub fn begin(&mut self, measured: &Measured, identified: Option<&Identified>, told_open: bool) -> u64 {
        let begin = self.moving.unwrap_or(measured.begin);
        let residual = identified.map(|identified| identified.residual);
        let moves = match (residual, self.before) {
            (Some(now), Some(before)) => (now - before).magnitude() > STEP,
            // The first one behind a gap ends it.
            (Some(_), None) => false,
            (None, _) => !told_open,
        };
        self.before = residual;
        self.moving = moves.then_some(begin);
        begin
    }
}

/// Below this the neutral carries nothing that tells a whole bank on a balanced feeder from an open one, or from one that
/// has lost all three fuses: stray current can be 1.5 % of the rated one.
const SILENT: f32 = 0.02;

/// What a window says of the fuse of `phase`.
pub fn observe(phase: usize, identified: Option<&Identified>, limit: f32) -> Observation {
    let Some(identified) = identified else { return Observation::Unknown };
    if identified.neutral < SILENT {
        return Observation::Unknown;
    }
    let signature = &identified.signature;
    let named = signature.lost.phases().get(phase).copied().unwrap_or(false);
    if named && signature.distance < limit && signature.healthy_distance > limit {
        Observation::Present
    } else {
        Observation::Absent
    }
}
