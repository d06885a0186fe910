//! The simulated side of wyelog: scenarios, waveforms, recorded waveforms, tapes, simulated boards and faults.
//!
//! Everything here is a function of its input and a seed, to the last bit and on every machine: float functions
//! are libm's, random numbers come from a named generator, no clock is read.
#![forbid(unsafe_code)]

pub mod board;
pub mod civil;
pub mod complex;
pub mod comtrade;
pub mod emulator;
pub mod flash;
pub mod levels;
pub mod line;
pub mod resample;
pub mod scenario;
pub mod tape;
pub mod waveform;

/// Frames per second as a float: [`wyelog_protocol::FRAMES_PER_SECOND`].
pub(crate) fn frames_per_second() -> f64 {
    f64::from(wyelog_protocol::FRAMES_PER_SECOND)
}
