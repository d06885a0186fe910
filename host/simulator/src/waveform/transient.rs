//! The free response of one phase to a change.

use super::network::{FAULT_OHM, Impedance, Shunt};
use super::segment::Decay;

/// Added damping of a transient by the feeder's loads, in 1/s: gone after some two cycles (common practice, no
/// source).
const LOAD_DAMPING: f64 = 100.0;
/// Transients above this are removed by the logger's front end.
const HIGHEST_TRANSIENT_HZ: f64 = 2_000.0;
/// The free response of a phase whose capacitor voltage and source current are off the new steady state by
/// this much: R, L and C in series.
pub(super) fn transient(
    impedance: &Impedance,
    shunt: Shunt,
    volts_off: f64,
    amps_off: f64,
) -> (Decay, Decay) {
    let none = Decay::default();
    let (ohm, henry) = (impedance.self_ohm, impedance.self_henry);
    if henry == 0.0 {
        return (none, none);
    }
    match shunt {
        Shunt::Open => (none, none),
        Shunt::Fault => {
            (none, Decay { rate: (ohm + FAULT_OHM) / henry, omega: 0.0, cos: amps_off, sin: 0.0 })
        }
        Shunt::Capacitor(farads) => {
            let rate = ohm / (2.0 * henry) + LOAD_DAMPING;
            let squared = 1.0 / (henry * farads) - rate * rate;
            let omega = if squared > 0.0 { libm::sqrt(squared) } else { 0.0 };
            if omega == 0.0 || omega > core::f64::consts::TAU * HIGHEST_TRANSIENT_HZ {
                return (none, none);
            }
            let (a, b) = (volts_off, (amps_off / farads + rate * volts_off) / omega);
            let volts = Decay { rate, omega, cos: a, sin: b };
            let amps = Decay {
                rate,
                omega,
                cos: farads * (omega * b - rate * a),
                sin: -farads * (rate * b + omega * a),
            };
            (volts, amps)
        }
    }
}
