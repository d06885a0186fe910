//! What the fuzz targets do with an input: one module for each parser of bytes from outside.
//!
//! `targets/*.rs` hand them to libFuzzer; the tests run them over the kept corpus and over mutations of it, with no tool but
//! cargo.
// The allocator of the tests counts.
#![cfg_attr(not(test), forbid(unsafe_code))]

pub mod comtrade;
pub mod frame;
pub mod journal;
pub mod link;
pub mod log;
mod logger;
pub mod message;
mod packets;
pub mod record;
pub mod rings;
pub mod scenario;
pub mod tape;
pub mod waveform;

#[cfg(test)]
mod allocation;
#[cfg(test)]
mod tests;

/// A target.
pub type Target = fn(&[u8]);

/// Every target by its name: that of its corpus, and of its file in `targets`.
pub const TARGETS: [(&str, Target); 11] = [
    ("comtrade", comtrade::run),
    ("frame", frame::run),
    ("journal", journal::run),
    ("link", link::run),
    ("log", log::run),
    ("message", message::run),
    ("record", record::run),
    ("rings", rings::run),
    ("scenario", scenario::run),
    ("tape", tape::run),
    ("waveform", waveform::run),
];
