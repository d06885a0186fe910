//! What a stretch of time without a change of the circuit looks like: phasors and decaying transients.

use super::network::Shunt;
use super::source::Triple;
use crate::complex::Complex;

/// Between two changes of the circuit.
#[derive(Debug, Clone)]
pub(super) struct Segment {
    pub start_s: f64,
    /// Frequency at its start, in Hz.
    pub hz: f64,
    /// What hangs on each phase.
    pub shunts: [Shunt; 3],
    /// Voltages at the bank by order, in V peak.
    pub volts: Vec<Triple>,
    /// Currents into the bank by order, in A peak.
    pub amps: Vec<Triple>,
    /// Transients of voltage and current, by phase.
    pub volts_decay: [Decay; 3],
    pub amps_decay: [Decay; 3],
    /// What a sensor between fuse and switch sees, by phase, and what one at the capacitors sees.
    pub behind_fuse: [Node; 3],
    pub at_capacitors: [Node; 3],
    /// Positive sequence of the source, in parts of what it is at the start.
    pub strength: f64,
    /// Connected capacitance over the rated one if all poles were closed: the truth.
    pub y: [f64; 3],
    /// Position of the poles.
    pub closed: [bool; 3],
}

/// A place on a phase of the bank.
#[derive(Debug, Clone, Copy)]
pub(super) enum Node {
    /// Connected to the line.
    Line,
    /// On the capacitors alone, which keep their charge for a while.
    Held(Decay),
    /// Connected to nothing.
    Dead,
}

/// `e^(−rate·t)·(cos·cos(omega·t) + sin·sin(omega·t))`, t from the start of the segment; nothing if all zero.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Decay {
    pub rate: f64,
    pub omega: f64,
    pub cos: f64,
    pub sin: f64,
}

impl Decay {
    pub fn at(&self, t: f64) -> f64 {
        let exponent = self.rate * t;
        // Below a millionth of its size it is over.
        if self.rate == 0.0 || exponent > 14.0 || t < 0.0 {
            return 0.0;
        }
        if self.omega == 0.0 {
            return libm::exp(-exponent) * self.cos;
        }
        let (sin, cos) = libm::sincos(self.omega * t);
        libm::exp(-exponent) * (self.cos * cos + self.sin * sin)
    }
}

/// The fundamental's angle through time, with a steadily drifting frequency.
#[derive(Debug, Clone, Copy)]
pub(super) struct Angle {
    pub hz: f64,
    pub hz_per_s: f64,
}

impl Angle {
    /// `e^(jθ)` at time `t` in s.
    pub fn unit(&self, t: f64) -> Complex {
        let cycles = t * (self.hz + 0.5 * self.hz_per_s * t);
        let (sin, cos) = libm::sincos(core::f64::consts::TAU * (cycles - libm::floor(cycles)));
        Complex::new(cos, sin)
    }

    /// Frequency at time `t`, in Hz.
    pub fn hz(&self, t: f64) -> f64 {
        self.hz + self.hz_per_s * t
    }
}

/// Sum over the orders of `Re(phasor · unit^order)`.
pub(super) fn wave(orders: &[u32], phasors: impl Iterator<Item = Complex>, unit: Complex) -> f64 {
    let (mut power, mut reached, mut sum) = (unit, 1, 0.0);
    for (&order, phasor) in orders.iter().zip(phasors) {
        while reached < order {
            power = power * unit;
            reached += 1;
        }
        sum += phasor.re * power.re - phasor.im * power.im;
    }
    sum
}
