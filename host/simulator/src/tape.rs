//! Tapes: a scenario or a record as the inputs of a logger, item by item.
//!
//! The form of a tape is the firmware's ([`wyelog_firmware::tape`]): settings, then frames of 24-bit counts with
//! contact and clock between them. A [`Tape`] is computed as it is read, so an hour of it takes no memory.

use std::io::{self, Write};

use wyelog_firmware::frontend::{FULL_SCALE, Frame, Input};
use wyelog_firmware::tape::{Item, encode, encode_head};
use wyelog_protocol::bank::Settings;

use crate::comtrade::{BankSignals, Error, Record};
use crate::scenario::{BankFile, Scenario};
use crate::waveform::Waveform;

/// The settings of a logger and everything that enters it, in order.
///
/// Iterating gives the inputs; a clone begins again where the original stands.
pub struct Tape {
    settings: Settings,
    source: Box<dyn Iterator<Item = Sample> + Send>,
    scale: [f64; 4],
    frames: u64,
    clock_ms: Option<u64>,
    contact: Option<bool>,
    /// Inputs due before the next sample is taken: frames lost so far, and a sample already taken.
    lost: u32,
    held: Option<Sample>,
}

/// One sample in primary units; `None` for a channel value that the source does not have.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Sample {
    volts: [f64; 3],
    neutral_amps: f64,
    closed: Option<bool>,
}
