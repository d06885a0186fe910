//! The logger. Sans-IO: frames and time come in as arguments, records go out; nothing here knows a pin or a clock.
//!
//! Two halves, joined by one queue of records, because a flash erase blocks for 45–400 ms and sampling must not notice:
//!
//! - [`meter::Meter`] preempts: [`frontend`] → [`measure`] → [`identify`] → [`detect`]. Data flows down once; no
//!   stage calls back up.
//! - [`keeper::Keeper`] may wait, and only on flash: [`log`] (records in NOR flash, in two rings of
//!   [`journal`]) and the link to a host.
//!
//! [`logger::Logger`] is the pair as run in process; [`tape`] ties every input to a frame.
#![no_std]
#![forbid(unsafe_code)]
#![cfg_attr(
    not(test),
    deny(
        clippy::indexing_slicing,
        clippy::arithmetic_side_effects,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_possible_wrap,
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic
    )
)]

pub mod bank;
pub mod capability;
pub mod capture;
pub mod clock;
pub mod detect;
pub mod frontend;
pub mod identify;
pub mod interval;
pub mod journal;
pub mod keeper;
pub mod log;
pub mod logger;
pub mod meter;
pub mod outbox;
pub mod rtc;
pub mod spectrum;
pub mod tape;
#[cfg(test)]
mod testing;
pub mod tick;

pub use wyelog_measure as measure;
pub use wyelog_protocol::FRAMES_PER_SECOND;

/// Version of this firmware, as it says in its hello and in its boot records.
pub const VERSION: &str = env!("CARGO_PKG_VERSION");
