//! Steady state of three phases behind a coupled source impedance, at one harmonic.

use super::source::Triple;
use crate::complex::Complex;
use crate::scenario::Feeder;

/// What hangs between a phase and ground at the bank.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Shunt {
    /// Nothing.
    Open,
    /// A capacitance in F.
    Capacitor(f64),
    /// A failed unit: a short with the resistance of its arc.
    Fault,
}

/// Resistance of a failed unit in ohms (common practice for an arc inside a tank, no source). It also keeps the
/// current of a fault on an ideal source finite.
pub(super) const FAULT_OHM: f64 = 0.1;

/// Source impedance as self and mutual resistance and inductance of the phases.
#[derive(Debug, Clone, Copy)]
pub(super) struct Impedance {
    /// Self resistance, in ohms.
    pub self_ohm: f64,
    /// Self inductance, in H.
    pub self_henry: f64,
    mutual_ohm: f64,
    mutual_henry: f64,
}

impl Impedance {
    /// From the sequence impedances at `rated_hz`: self is (Z0 + 2·Z1)/3, mutual (Z0 − Z1)/3.
    pub fn new(feeder: &Feeder, rated_hz: f64) -> Self {
        let ((r1, x1), (r0, x0)) = (feeder.impedance_ohm, feeder.zero_impedance_ohm);
        let omega = core::f64::consts::TAU * rated_hz;
        Self {
            self_ohm: (r0 + 2.0 * r1) / 3.0,
            self_henry: (x0 + 2.0 * x1) / 3.0 / omega,
            mutual_ohm: (r0 - r1) / 3.0,
            mutual_henry: (x0 - x1) / 3.0 / omega,
        }
    }

    /// Voltages at the bank and currents into it for the source phasors `source` at angular frequency `omega`
    /// (the harmonic's own).
    pub fn solve(&self, source: Triple, shunts: [Shunt; 3], omega: f64) -> (Triple, Triple) {
        let own = Complex::new(self.self_ohm, omega * self.self_henry);
        let mutual = Complex::new(self.mutual_ohm, omega * self.mutual_henry);
        let mut rows = [[Complex::ZERO; 4]; 3];
        for (index, ((row, shunt), emf)) in rows.iter_mut().zip(shunts).zip(source).enumerate() {
            let load = match shunt {
                Shunt::Open => None,
                Shunt::Capacitor(farads) => Some(Complex::new(0.0, -1.0 / (omega * farads))),
                Shunt::Fault => Some(Complex::new(FAULT_OHM, 0.0)),
            };
            let [a, b, c, right] = row;
            for (column, slot) in [a, b, c].into_iter().enumerate() {
                *slot = match load {
                    // An open phase: its current is zero.
                    None if column == index => Complex::ONE,
                    None => Complex::ZERO,
                    Some(load) if column == index => own + load,
                    Some(_) => mutual,
                };
            }
            *right = if load.is_some() { emf } else { Complex::ZERO };
        }
        let amps = eliminate(rows);
        let [x, y, z] = amps;
        let total = x + y + z;
        let [a, b, c] = source;
        let drop = |amps: Complex| own * amps + mutual * (total - amps);
        ([a - drop(x), b - drop(y), c - drop(z)], amps)
    }
}

/// Solves three equations (the fourth column is the right side). Each diagonal holds its own load or a one, and is
/// the largest of its column in every circuit that the language can state, except at an exact resonance.
fn eliminate(mut rows: [[Complex; 4]; 3]) -> Triple {
    for pivot in 0..3 {
        let best = (pivot..3).max_by(|&i, &j| rows[i][pivot].abs().total_cmp(&rows[j][pivot].abs()));
        rows.swap(pivot, best.unwrap_or(pivot));
        let top = rows[pivot];
        for (index, row) in rows.iter_mut().enumerate() {
            if index != pivot {
                let factor = row[pivot] / top[pivot];
                for (slot, value) in row.iter_mut().zip(top) {
                    *slot = *slot - factor * value;
                }
            }
        }
    }
    [0, 1, 2].map(|index| rows[index][3] / rows[index][index])
}
