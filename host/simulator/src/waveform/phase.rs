//! A phase of the bank: its cutout, its pole, its units.

use super::segment::{Decay, Node};
use crate::scenario::{Phase, SimulatedBank};

/// What waits for the next zero of a phase's current.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Armed {
    pub fuse: bool,
    pub pole: bool,
    pub contact: bool,
    pub units: u8,
}

impl Armed {
    pub fn any(self) -> bool {
        self.fuse || self.pole || self.contact || self.units > 0
    }
}

/// A phase as it now stands.
#[derive(Debug, Clone, Copy)]
pub(super) struct PhaseState {
    /// Whether the bank has this phase.
    pub exists: bool,
    /// The pole.
    pub closed: bool,
    pub fused: bool,
    /// A loose contact at the cutout has parted.
    pub dropped: bool,
    pub faulted: bool,
    pub units: u8,
    /// What shorted sections add, in parts of the rated capacitance of the phase.
    pub gain: f64,
    pub armed: Armed,
    /// The pole will re-ignite so long after it has cleared, in s.
    pub restrike: Option<f64>,
    /// Voltage left on the open capacitor, and since when.
    pub trapped: (f64, f64),
}

impl PhaseState {
    pub fn new(bank: &SimulatedBank, phase: Phase) -> Self {
        Self {
            exists: bank.nameplate.phases.contains(phase),
            closed: bank.closed_at_start,
            fused: true,
            dropped: false,
            faulted: false,
            units: bank.nameplate.units_per_phase,
            gain: 0.0,
            armed: Armed::default(),
            restrike: None,
            trapped: (0.0, 0.0),
        }
    }

    /// Whether there is a way from the line to its units, the pole aside.
    pub fn is_whole(&self) -> bool {
        self.exists && self.fused && !self.dropped && self.units > 0
    }

    pub fn is_connected(&self) -> bool {
        self.is_whole() && self.closed
    }

    /// Everything behind the switch is as new, and was shorted for the work.
    pub fn repair(&mut self, units: u8, at: f64) {
        (self.fused, self.dropped, self.faulted, self.units, self.gain) = (true, false, false, units, 0.0);
        self.armed = Armed { pole: self.armed.pole, ..Armed::default() };
        self.trapped = (0.0, at);
    }

    /// What a sensor between fuse and switch sees, and one at the capacitors.
    pub fn nodes(&self, discharge: f64) -> (Node, Node) {
        let capacitors = if self.exists && self.units > 0 {
            Node::Held(Decay { rate: discharge, omega: 0.0, cos: self.trapped.0, sin: 0.0 })
        } else {
            Node::Dead
        };
        match (self.fused && !self.dropped, self.closed) {
            (true, true) => (Node::Line, Node::Line),
            (true, false) => (Node::Line, capacitors),
            (false, true) => (capacitors, capacitors),
            (false, false) => (Node::Dead, capacitors),
        }
    }
}
