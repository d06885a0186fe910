//! What is there now, in the judge's words.

use wyelog_protocol::cause::Cause;
use wyelog_protocol::condition::{Condition, Phases};

/// A condition that is there now.
#[derive(Clone, Copy, Debug)]
pub struct Finding {
    /// Which.
    pub condition: Condition,
    /// The phases concerned.
    pub phases: Phases,
    /// Frame since which it has been so.
    pub begin: u64,
    /// Part of a phase's rated capacitance that was lost (negative: gained); NaN where that means nothing.
    pub fraction: f32,
    /// What may be behind it, the likeliest first.
    pub causes: &'static [Cause],
}

impl Finding {
    /// Without a fraction.
    pub const fn new(condition: Condition, phases: Phases, begin: u64, causes: &'static [Cause]) -> Self {
        Self { condition, phases, begin, fraction: f32::NAN, causes }
    }
}

/// All that is there now; what finds no room is not there.
pub type Findings = heapless::Vec<Finding, 12>;
