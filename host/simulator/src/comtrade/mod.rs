//! Waveform records in the trade's open exchange format: COMTRADE, IEEE C37.111-1999 and -2013
//! (IEC 60255-24:2013), as a `.cfg` and a `.dat` file.
//!
//! ```text
//! .cfg  text: channels, scaling, rates, start  ──▶ config ──▶ Config ─┐
//! .dat  ASCII | BINARY | BINARY32 | FLOAT32    ──▶ data ──────────────┴▶ Record ──▶ channels ──▶ signals ──▶ BankSignals
//!                                                                         └──▶ write ──▶ .cfg + .dat
//! ```
//!
//! The clauses are from memory; the bytes are held against a record that an independent reader agreed on.
//! Any bytes may be given to the readers: they answer with a record or an error, never with a panic.
//!
//! Not read: the 1991 revision (its dates run month first) and the single-file form `.cff`.

mod channels;
mod config;
mod data;
mod error;
mod parse;
mod record;
mod saturation;
mod signals;
mod write;

pub use channels::{BankChannels, ChannelNames};
pub use config::{AnalogChannel, Config, Encoding, Rate, StatusChannel};
pub use error::Error;
pub use record::{Record, Section};
pub use signals::{BankSignals, Corrections, Defects};

#[cfg(test)]
mod tests;
