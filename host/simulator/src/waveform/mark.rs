//! What happened to the bank and when, as the circuit's solver finds it.

use crate::scenario::Phase;

/// Something that happened to a phase of the bank, as the simulator knows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mark {
    /// When, in s.
    pub at_s: f64,
    /// In which phase.
    pub phase: Phase,
    /// What.
    pub what: What,
}

/// What happened to a phase.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum What {
    /// A unit failed to a short.
    FaultBegins,
    /// The fuse cleared, at a zero of its current.
    FuseClears,
    /// A unit was disconnected.
    UnitOut,
    /// A pole of the switch cleared, at a zero of its current.
    PoleClears,
    /// A pole of the switch made.
    PoleMakes,
    /// A section of a unit was shorted.
    ElementShort,
    /// The contact at the cutout parted, at a zero of the current.
    DropsOut,
    /// The contact at the cutout made again.
    Returns,
    /// Fuses, units and contacts are as new.
    Repaired,
    /// A pole re-ignited.
    Restrikes,
}
