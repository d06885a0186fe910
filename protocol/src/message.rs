//! Every request beside its reply.
//!
//! A packet is a number that the requester chose, then the request, or the reply with the same number. A request
//! may be repeated at any time, and a reply to an older number is ignored. Those about the baseline change what the logger
//! compares the bank with, and one sets its clock; nothing else changes the logger.
//!
//! | request | reply |
//! |---|---|
//! | [`Request::Identify`] | [`Reply::Identity`] |
//! | [`Request::ReadSettings`] | [`Reply::Settings`] |
//! | [`Request::ReadLive`] | [`Reply::Live`], or [`Reply::NotYet`] before the first window |
//! | [`Request::ReadExtent`] | [`Reply::Extent`] |
//! | [`Request::ReadLog`] | any number of [`Reply::Records`] and [`Reply::Missing`], then one [`Reply::LogEnd`] |
//! | [`Request::ReadBaseline`] | [`Reply::Baseline`], or [`Reply::NotYet`] before the first |
//! | [`Request::LearnBaseline`], [`Request::DiscardBaseline`] | [`Reply::Accepted`]: what comes of it is a record |
//! | [`Request::SetClock`] | [`Reply::Accepted`], or [`Reply::OutOfRange`]: then nothing has changed |
//! | anything else | [`Reply::NotUnderstood`] |
//!
//! A log file is the replies of one download in frames: an identity, then records, each in a frame of its own.

use heapless::Vec;
use serde::{Deserialize, Serialize};

use crate::Text;
use crate::quantity::{Angle, Current, Frequency, PerUnit, Percent, Voltage};
use crate::record::Stamp;

/// Records in one [`Reply::Records`] take at most this many bytes.
pub const MAX_RECORDS_BYTES: usize = 512;

/// Largest packet, in bytes before framing.
pub const MAX_PACKET_BYTES: usize = MAX_RECORDS_BYTES + 16;

/// What a host asks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Request {
    /// Who are you, what do you speak?
    Identify,
    /// Which settings are in force?
    ReadSettings,
    /// What do you measure now?
    ReadLive,
    /// Which records do you hold?
    ReadExtent,
    /// Send records.
    ReadLog {
        /// Sequence number of the first one wanted.
        from: u32,
        /// At most this many sequence numbers from there.
        limit: u32,
    },
    /// What was the bank like when it was commissioned?
    ReadBaseline,
    /// Learn what the bank is like: it is healthy and closed now.
    LearnBaseline,
    /// Compare with the baseline no more: a part of the bank has been replaced.
    DiscardBaseline(Replaced),
    /// Set the clock, and the battery-backed one if there is one.
    SetClock {
        /// UTC in ms since 1970-01-01 when the request arrives: in [`CLOCK_RANGE_MS`].
        utc_ms: u64,
    },
}

/// Times in ms since 1970-01-01 that a clock may be set to over the link, or by a battery-backed clock: 2026 to 2099, UTC. No
/// logger of ours is older, and a clock whose battery was empty stands before.
pub const CLOCK_RANGE_MS: core::ops::Range<u64> = 1_767_225_600_000..4_102_444_800_000;

/// What has been replaced at a bank. The enum only grows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Replaced {
    /// A fuse link.
    Link,
    /// A capacitor unit.
    Unit,
    /// A sensor, or its wiring.
    Sensor,
}

/// What the logger answers.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Reply<'a> {
    /// Who this is.
    #[serde(borrow)]
    Identity(Identity<'a>),
    /// The settings in force, as a record ([`crate::record::Envelope`]).
    Settings(&'a [u8]),
    /// What is measured now.
    Live(Live),
    /// Which records are held.
    Extent(Extent),
    /// Records with consecutive sequence numbers, one behind the other ([`crate::record::Envelope`] each).
    Records {
        /// Sequence number of the first.
        first: u32,
        /// The records, at most [`MAX_RECORDS_BYTES`].
        bytes: &'a [u8],
    },
    /// Sequence numbers whose records are not there any more: overwritten, or damaged in the flash. Events outlive the intervals
    /// around them: before the oldest interval there may be a gap between each record and the next.
    Missing {
        /// First missing one.
        from: u32,
        /// First one behind the gap.
        to: u32,
    },
    /// All that was asked for has been sent.
    LogEnd(Extent),
    /// Nothing measured yet: ask again.
    NotYet,
    /// The request makes no sense to this firmware.
    NotUnderstood,
    /// The baseline, as a record ([`crate::record::Envelope`]).
    Baseline(&'a [u8]),
    /// It will be done.
    Accepted,
    /// It is not done: a value of the request is outside its range.
    OutOfRange,
}

/// Who a logger is and what it speaks.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Identity<'a> {
    /// Hash of the schema ([`crate::SCHEMA`]).
    pub schema: u64,
    /// Version of the firmware.
    pub firmware: &'a str,
    /// Name of the board.
    pub board: &'a str,
    /// Serial number of the logger.
    pub device: Text<16>,
    /// Number of its current start.
    pub boot: u32,
    /// Frames a second ([`crate::FRAMES_PER_SECOND`]).
    pub frames_per_second: u32,
    /// Kind and version of every record it writes.
    pub kinds: Vec<(u8, u8), 16>,
}

/// Which records a logger holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Extent {
    /// Number of the logger's current start: when it has changed, the logger has restarted.
    pub boot: u32,
    /// No lower sequence number has a record.
    pub oldest: u32,
    /// Sequence number the next record will get; equal to `oldest` when there is none.
    pub next: u32,
    /// Records that the flash has refused since the start: measured, and lost.
    pub refused: u32,
}

/// What is measured now: the last window.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Live {
    /// End of the window.
    pub stamp: Stamp,
    /// Frequency.
    pub frequency: Frequency,
    /// True rms voltage to ground of A, B, C.
    pub voltage: [Voltage; 3],
    /// Fundamental voltage to ground of A, B, C, rms.
    pub voltage_fundamental: [Voltage; 3],
    /// Angle of the fundamental of A, B, C against the positive-sequence voltage.
    pub voltage_angle: [Angle; 3],
    /// True rms neutral current.
    pub neutral: Current,
    /// Fundamental neutral current, rms.
    pub neutral_fundamental: Current,
    /// Its angle against the ideal capacitor current of phase A (positive-sequence voltage + 90°).
    pub neutral_angle: Angle,
    /// Size of the residual: measured minus explained neutral current.
    pub residual: PerUnit,
    /// Its angle against the ideal capacitor current of phase A.
    pub residual_angle: Angle,
    /// Negative- over positive-sequence voltage.
    pub u2: Percent,
    /// Zero- over positive-sequence voltage.
    pub u0: Percent,
    /// Connected capacitance of A, B, C over its rated one.
    pub connected: [PerUnit; 3],
}

/// A packet from the host.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ToLogger {
    /// Number of the request.
    pub number: u16,
    /// The request.
    pub request: Request,
}

/// A packet from the logger.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FromLogger<'a> {
    /// Number of the request it answers; 0 in a log file.
    pub number: u16,
    /// The reply.
    #[serde(borrow)]
    pub reply: Reply<'a>,
}

impl FromLogger<'_> {
    /// The packet, before framing, in `bytes`; `None` when it does not fit. Here and not in the logger, which is compiled for size:
    /// there the checks of the serializer would remain.
    pub fn encode<'b>(&self, bytes: &'b mut [u8; MAX_PACKET_BYTES]) -> Option<&'b [u8]> {
        postcard::to_slice(self, bytes).ok().map(|packet| &*packet)
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;

    #[test]
    fn a_full_batch_of_records_fits_a_packet() {
        let bytes = [0xFF; MAX_RECORDS_BYTES];
        for reply in [Reply::Records { first: u32::MAX, bytes: &bytes }, Reply::Settings(&bytes)] {
            let packet = postcard::to_stdvec(&FromLogger { number: u16::MAX, reply }).unwrap();
            assert!(packet.len() <= MAX_PACKET_BYTES, "{} bytes", packet.len());
        }
    }

    #[test]
    fn a_request_that_is_not_known_is_an_error() {
        assert!(postcard::from_bytes::<ToLogger>(&[1, 99]).is_err());
        assert!(postcard::from_bytes::<ToLogger>(&[]).is_err());
    }
}
