//! The judge of the measurement: signals of which the truth is known, played through the shipped code.

pub mod cases;
pub mod document;
pub mod heard;
pub mod judge;
pub mod plot;
pub mod report;
pub mod sag;
pub mod signal;
pub mod sweep;
pub mod tally;
pub mod truth;
