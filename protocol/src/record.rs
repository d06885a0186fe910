//! What the log keeps.
//!
//! ```text
//! record   = kind u8 · version u8 · length varint · payload (length bytes: postcard, or bits behind the stamp)
//! ```
//!
//! A reader skips a kind or version it does not know by its length, and counts it. A module per released version
//! (`v1`), frozen once released; newer code converts older versions. The payload may be longer than this version
//! knows: fields that a later minor edition appends are ignored.

pub mod v1;

use serde::{Deserialize, Serialize};

pub use v1::{
    Action, BankRecord, BankState, BaselineReason, BaselineRecord, BaselineState, Basis, Capture,
    ClockSource, CrashCause, Event, Evidence, Follows, Interval, Moment, Operation, Polar, Quality, Range,
    Reset, Spectrum, Stamp, Status, StatusRecord,
};

use crate::bank::Settings;

/// Largest record, header included, in bytes.
pub const MAX_RECORD_BYTES: usize = 256;

/// One record, decoded. The current version of each kind.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Record {
    /// What was measured over an interval.
    Interval(Interval),
    /// A change of a condition.
    Event(Event),
    /// What happened to the logger itself.
    Status(StatusRecord),
    /// The settings in force from here on, so that a log explains itself.
    Settings(SettingsRecord),
    /// Harmonics, distortion and loading over ten minutes.
    Spectrum(Spectrum),
    /// Waveforms around an event or an operation.
    Capture(Capture),
    /// What the bank's switch did.
    Operation(Operation),
    /// What is known of the bank, when that changes.
    Bank(BankRecord),
    /// What the bank was like when it was commissioned.
    Baseline(BaselineRecord),
}

/// The settings in force from `stamp` on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SettingsRecord {
    /// When they came into force.
    pub stamp: Stamp,
    /// The settings.
    pub settings: Settings,
}

impl SettingsRecord {
    /// CRC-32 (ISO-HDLC) of these settings, as a record of no time at all: what a baseline names them by.
    pub fn sum(settings: &Settings) -> u32 {
        let record = Record::Settings(Self { stamp: Stamp::default(), settings: settings.clone() });
        crate::frame::CRC32.checksum(record.encode(&mut [0; MAX_RECORD_BYTES]).unwrap_or_default())
    }
}

/// Kind and version of the records that this version writes, in the order of [`Record`].
pub const KINDS: [(Kind, u8); 9] = [
    (Kind::Interval, 1),
    (Kind::Event, 1),
    (Kind::Status, 1),
    (Kind::Settings, 1),
    (Kind::Spectrum, 1),
    (Kind::Capture, 1),
    (Kind::Operation, 1),
    (Kind::Bank, 1),
    (Kind::Baseline, 1),
];

/// Kind of a record; the number on the wire is for ever.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[repr(u8)]
pub enum Kind {
    /// See [`Interval`].
    Interval = 1,
    /// See [`Event`].
    Event = 2,
    /// See [`StatusRecord`].
    Status = 3,
    /// See [`SettingsRecord`].
    Settings = 4,
    /// See [`Spectrum`].
    Spectrum = 5,
    /// See [`Capture`].
    Capture = 6,
    /// See [`Operation`].
    Operation = 7,
    /// See [`BankRecord`].
    Bank = 8,
    /// See [`BaselineRecord`].
    Baseline = 9,
}

impl Kind {
    /// The number on the wire.
    pub const fn number(self) -> u8 {
        self as u8
    }

    const fn from_number(number: u8) -> Option<Self> {
        match number {
            1 => Some(Self::Interval),
            2 => Some(Self::Event),
            3 => Some(Self::Status),
            4 => Some(Self::Settings),
            5 => Some(Self::Spectrum),
            6 => Some(Self::Capture),
            7 => Some(Self::Operation),
            8 => Some(Self::Bank),
            9 => Some(Self::Baseline),
            _ => None,
        }
    }
}

/// A record as bytes: the untrusted view.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Envelope<'a> {
    /// Kind, as a number: it may be one that this version does not know.
    pub kind: u8,
    /// Version of the kind.
    pub version: u8,
    /// The payload.
    pub payload: &'a [u8],
}

/// Why bytes are not a record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DecodeError {
    /// The bytes end inside the record.
    Truncated,
    /// A kind or version that this reader does not know: a newer logger wrote it.
    Unknown {
        /// Kind as a number.
        kind: u8,
        /// Version of the kind.
        version: u8,
    },
    /// The payload is not what its kind and version say.
    Malformed {
        /// Kind as a number.
        kind: u8,
    },
}

impl core::fmt::Display for DecodeError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::Truncated => f.write_str("the record is cut short"),
            Self::Unknown { kind, version } => {
                write!(f, "record kind {kind} version {version} is not known here: a newer logger wrote it")
            }
            Self::Malformed { kind } => write!(f, "the payload of a record of kind {kind} makes no sense"),
        }
    }
}

impl core::error::Error for DecodeError {}

impl<'a> Envelope<'a> {
    /// The first record of `bytes`, and what follows it.
    ///
    /// # Errors
    /// [`DecodeError::Truncated`] when `bytes` end first.
    pub fn parse(bytes: &'a [u8]) -> Result<(Self, &'a [u8]), DecodeError> {
        let [kind, version, rest @ ..] = bytes else { return Err(DecodeError::Truncated) };
        let (length, rest) = postcard::take_from_bytes::<u16>(rest).map_err(|_| DecodeError::Truncated)?;
        let (payload, rest) = rest.split_at_checked(usize::from(length)).ok_or(DecodeError::Truncated)?;
        Ok((Self { kind: *kind, version: *version, payload }, rest))
    }

    /// When it was written: every record of every kind begins with that.
    pub fn stamp(&self) -> Option<Stamp> {
        payload(self.payload)
    }

    /// The baseline inside, if it is one: a logger reads no other record of its own.
    pub fn baseline(&self) -> Option<BaselineRecord> {
        let is_one = self.kind == Kind::Baseline.number() && self.version == 1;
        is_one.then(|| payload(self.payload)).flatten()
    }

    /// The record inside.
    ///
    /// # Errors
    /// [`DecodeError::Unknown`] or [`DecodeError::Malformed`].
    pub fn decode(&self) -> Result<Record, DecodeError> {
        let unknown = DecodeError::Unknown { kind: self.kind, version: self.version };
        let malformed = DecodeError::Malformed { kind: self.kind };
        let kind = Kind::from_number(self.kind).filter(|_| self.version == 1).ok_or(unknown)?;
        match kind {
            Kind::Interval => v1::packed::read_interval(self.payload).map(Record::Interval),
            Kind::Event => payload(self.payload).map(Record::Event),
            Kind::Status => payload(self.payload).map(Record::Status),
            Kind::Settings => payload(self.payload).map(Record::Settings),
            Kind::Spectrum => v1::packed::read_spectrum(self.payload).map(Record::Spectrum),
            Kind::Capture => payload(self.payload).map(Record::Capture),
            Kind::Operation => payload(self.payload).map(Record::Operation),
            Kind::Bank => payload(self.payload).map(Record::Bank),
            Kind::Baseline => payload(self.payload).map(Record::Baseline),
        }
        .ok_or(malformed)
    }
}

fn payload<'a, T: Deserialize<'a>>(bytes: &'a [u8]) -> Option<T> {
    postcard::take_from_bytes(bytes).ok().map(|(value, _)| value)
}

impl Record {
    /// Kind of this record.
    pub const fn kind(&self) -> Kind {
        match self {
            Self::Interval(_) => Kind::Interval,
            Self::Event(_) => Kind::Event,
            Self::Status(_) => Kind::Status,
            Self::Settings(_) => Kind::Settings,
            Self::Spectrum(_) => Kind::Spectrum,
            Self::Capture(_) => Kind::Capture,
            Self::Operation(_) => Kind::Operation,
            Self::Bank(_) => Kind::Bank,
            Self::Baseline(_) => Kind::Baseline,
        }
    }

    /// When it was written.
    pub const fn stamp(&self) -> &Stamp {
        match self {
            Self::Interval(record) => &record.stamp,
            Self::Event(record) => &record.stamp,
            Self::Status(record) => &record.stamp,
            Self::Settings(record) => &record.stamp,
            Self::Spectrum(record) => &record.stamp,
            Self::Capture(record) => &record.stamp,
            Self::Operation(record) => &record.stamp,
            Self::Bank(record) => &record.stamp,
            Self::Baseline(record) => &record.stamp,
        }
    }

    /// Writes the record into `out` and returns the bytes used; `None` when `out` is too small
    /// ([`MAX_RECORD_BYTES`] always suffice).
    pub fn encode<'o>(&self, out: &'o mut [u8]) -> Option<&'o [u8]> {
        let mut scratch = [0u8; MAX_RECORD_BYTES];
        let payload: &[u8] = match self {
            Self::Interval(record) => v1::packed::write_interval(record, &mut scratch)?,
            Self::Event(record) => postcard::to_slice(record, &mut scratch).ok()?,
            Self::Status(record) => postcard::to_slice(record, &mut scratch).ok()?,
            Self::Settings(record) => postcard::to_slice(record, &mut scratch).ok()?,
            Self::Spectrum(record) => v1::packed::write_spectrum(record, &mut scratch)?,
            Self::Capture(record) => postcard::to_slice(record, &mut scratch).ok()?,
            Self::Operation(record) => postcard::to_slice(record, &mut scratch).ok()?,
            Self::Bank(record) => postcard::to_slice(record, &mut scratch).ok()?,
            Self::Baseline(record) => postcard::to_slice(record, &mut scratch).ok()?,
        };
        let length = u16::try_from(payload.len()).ok()?;
        let (head, rest) = out.split_at_mut_checked(2)?;
        head.copy_from_slice(&[self.kind().number(), 1]);
        let varint = postcard::to_slice(&length, rest).ok()?.len();
        let header = varint.checked_add(2)?;
        let end = header.checked_add(payload.len())?;
        out.get_mut(header..end)?.copy_from_slice(payload);
        out.get(..end)
    }
}

#[cfg(test)]
mod tests;
