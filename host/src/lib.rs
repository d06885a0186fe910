//! The PC side of wyelog: what the binary `wyelog` is a thin layer over. Nothing here prints.
//!
//! - [`log`]: log files, written as they come from a logger and read back with everything damaged counted;
//! - [`device`]: a session with a logger over a serial port or TCP, and the download;
//! - [`download`]: a download into a file that can be taken up again;
//! - `store` (feature `desk`): logs as tables that anybody can read;
//! - `analysis` (feature `desk`): questions to a store; `tables`: their answers as text, JSON, CSV;
//! - `sql` (feature `desk`): questions to a store in SQL;
//! - `export` (feature `desk`): a store's tables and waveforms for other programs; `batches`: rows, not all of them at once;
//! - `report` (feature `desk`): a store as one page that opens from a mail;
//! - `serve` (feature `desk`): the same pages over HTTP, which follow the store;
//! - [`alarms`]: what the events of one or many logs mean;
//! - [`explain`]: what each condition means, in plain words;
//! - [`capability`]: what a bank's settings let a logger find;
//! - [`captures`]: the waveforms in a log, and out of it as COMTRADE;
//! - [`clock`]: what time it was, before and after a logger's clock was set; [`rtc`]: a clock that outlives a simulated logger;
//! - [`trial`]: the shipped firmware in this process, over a simulated signal;
//! - [`replay`]: the shipped firmware in this process, over a recorded signal.
#![forbid(unsafe_code)]

pub mod alarms;
#[cfg(feature = "desk")]
pub mod analysis;
pub mod baseline;
#[cfg(feature = "desk")]
pub mod batches;
pub mod capability;
pub mod captures;
pub mod clock;
#[cfg(feature = "desk")]
pub mod demo;
pub mod device;
pub mod download;
pub mod explain;
#[cfg(feature = "desk")]
pub mod export;
#[cfg(feature = "desk")]
mod intervals;
pub mod log;
pub mod number;
pub mod replay;
#[cfg(feature = "desk")]
pub mod report;
pub mod rtc;
#[cfg(feature = "desk")]
pub mod serve;
#[cfg(feature = "desk")]
pub mod sql;
#[cfg(feature = "desk")]
pub mod store;
#[cfg(feature = "desk")]
pub mod tables;
pub mod time;
pub mod trial;

/// Version of this program.
pub const VERSION: &str = env!("CARGO_PKG_VERSION");
