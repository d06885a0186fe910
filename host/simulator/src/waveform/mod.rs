//! Sample by sample, what the logger's sensors would give in a scenario.
//!
//! ```text
//! scenario ──▶ source   what the feeder would be without the bank, by harmonic
//!              network  the bank's voltages and currents against the source impedance, by harmonic
//!              circuit  ──▶ segments: between two changes of the circuit everything is a sum of phasors
//!                           and decaying transients; poles and fuses clear at their own current zeros
//!              channel  its place on the riser, gain, angle, own harmonics, noise, clipping, broken leads
//!              sensor   ──▶ frames, one by one, or the steady state for a level of windows
//!              truth    what really happened, for studies
//! ```
//!
//! Within a segment the solution is the exact steady state of the network, plus for each phase the transient of
//! its own R-L-C circuit that keeps capacitor voltage and source current continuous across the change. What this
//! leaves out: coupling of the *transients* between phases, transients above 2 kHz (the logger's front end removes
//! them), and everything on the feeder that a source behind an impedance does not show.

mod channel;
mod circuit;
mod mark;
mod network;
mod noise;
mod phase;
mod schedule;
mod segment;
mod sensor;
mod source;
mod transient;
mod truth;

pub use mark::{Mark, What};
pub use sensor::{Frame, Steady, SteadyChannel, Waveform};
pub use truth::{Fact, TrueEvent, Truth};

#[cfg(test)]
mod tests;
