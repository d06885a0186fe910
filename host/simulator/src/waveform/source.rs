//! The feeder without the bank: source phasors by harmonic, as events change them.

use crate::complex::Complex;
use crate::scenario::{Feeder, FeederEventKind, Phase, Sequence};

/// Peak phasors of A, B, C at one harmonic. The instantaneous value is `Re(phasor · e^(j·h·θ))`.
pub(super) type Triple = [Complex; 3];

/// The source.
#[derive(Debug, Clone)]
pub(super) struct Source {
    /// Orders present, the fundamental first, then upwards.
    pub orders: Vec<u32>,
    /// Undisturbed phasors by order, in V.
    undisturbed: Vec<Triple>,
}

impl Source {
    pub fn new(feeder: &Feeder) -> Self {
        let sequence = &feeder.sequence;
        let peak = feeder.kv_ll * 1000.0 / libm::sqrt(3.0) * libm::sqrt(2.0);
        let v1 = sequence.v1_pu * peak;
        let relative = |(percent, angle): (f64, f64)| {
            Complex::polar(v1 * percent / 100.0, sequence.v1_angle_deg + angle)
        };
        let mut orders = vec![1];
        let mut undisturbed = vec![add(
            add(
                turning(Complex::polar(v1, sequence.v1_angle_deg), Sequence::Positive),
                turning(relative(sequence.u2), Sequence::Negative),
            ),
            turning(relative(sequence.u0), Sequence::Zero),
        )];
        let mut harmonics = feeder.harmonics.clone();
        harmonics.sort_by_key(|harmonic| harmonic.order);
        for harmonic in harmonics {
            let phasor = Complex::polar(v1 * harmonic.percent / 100.0, harmonic.angle_deg);
            let triple = turning(phasor, harmonic.sequence);
            match undisturbed.last_mut() {
                Some(last) if orders.last() == Some(&harmonic.order) => *last = add(*last, triple),
                _ => {
                    orders.push(harmonic.order);
                    undisturbed.push(triple);
                }
            }
        }
        if feeder.is_reversed {
            for triple in &mut undisturbed {
                let [a, b, c] = *triple;
                *triple = [a, c, b];
            }
        }
        Self { orders, undisturbed }
    }

    /// Phasors by order at time `at_s`. Events that overlap multiply.
    pub fn phasors(&self, feeder: &Feeder, at_s: f64) -> Vec<Triple> {
        let mut phasors = self.undisturbed.clone();
        for event in &feeder.events {
            if at_s < event.at_s || at_s >= event.at_s + event.duration_s {
                continue;
            }
            for triple in &mut phasors {
                *triple = disturbed(*triple, event.kind);
            }
        }
        phasors
    }
}

fn disturbed(triple: Triple, kind: FeederEventKind) -> Triple {
    let scale = |keep: [f64; 3]| {
        let [a, b, c] = triple;
        let [x, y, z] = keep;
        [a.scaled(x), b.scaled(y), c.scaled(z)]
    };
    match kind {
        FeederEventKind::Interruption => [Complex::ZERO; 3],
        FeederEventKind::Sag { phases, depth } => {
            scale(Phase::ALL.map(|phase| if phases.contains(phase) { 1.0 - depth } else { 1.0 }))
        }
        FeederEventKind::GroundFaultElsewhere { phase, depth, shift } => {
            let [a, b, c] = triple;
            let faulted = match phase {
                Phase::A => a,
                Phase::B => b,
                Phase::C => c,
            };
            let moved = faulted.scaled(shift);
            let mut result = [a - moved, b - moved, c - moved];
            if let Some(slot) = result.get_mut(phase.index()) {
                *slot = faulted.scaled(1.0 - depth);
            }
            result
        }
    }
}

/// Three phasors from that of A.
fn turning(a: Complex, sequence: Sequence) -> Triple {
    let third = Complex::polar(1.0, 120.0);
    let back = Complex::polar(1.0, -120.0);
    match sequence {
        Sequence::Positive => [a, a * back, a * third],
        Sequence::Negative => [a, a * third, a * back],
        Sequence::Zero => [a, a, a],
    }
}

fn add([a, b, c]: Triple, [x, y, z]: Triple) -> Triple {
    [a + x, b + y, c + z]
}
