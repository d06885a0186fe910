//! What the log keeps.
//!
//! ```text
//! record   = kind u8 · version u8 · length varint · payload (length bytes, postcard)
//! ```
//!
//! A reader skips a kind or version it does not know by its length, and counts it. A module per released version
//! (`v1`), frozen once released; newer code converts older versions. The payload may be longer than this version
//! knows: fields that a later minor edition appends are ignored.

pub mod v1;

use serde::{Deserialize, Serialize};

pub use v1::{
    Action, BankRecord, BankState, BaselineReason, BaselineRecord, BaselineState, Basis, Capture, CrashCause,
    Event, Evidence, Follows, Interval, Moment, Operation, Polar, Quality, Range, Reset, Spectrum, Stamp,
    Status, StatusRecord,
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
            Kind::Interval => payload(self.payload).map(Record::Interval),
            Kind::Event => payload(self.payload).map(Record::Event),
            Kind::Status => payload(self.payload).map(Record::Status),
            Kind::Settings => payload(self.payload).map(Record::Settings),
            Kind::Spectrum => payload(self.payload).map(Record::Spectrum),
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
        let payload = match self {
            Self::Interval(record) => postcard::to_slice(record, &mut scratch),
            Self::Event(record) => postcard::to_slice(record, &mut scratch),
            Self::Status(record) => postcard::to_slice(record, &mut scratch),
            Self::Settings(record) => postcard::to_slice(record, &mut scratch),
            Self::Spectrum(record) => postcard::to_slice(record, &mut scratch),
            Self::Capture(record) => postcard::to_slice(record, &mut scratch),
            Self::Operation(record) => postcard::to_slice(record, &mut scratch),
            Self::Bank(record) => postcard::to_slice(record, &mut scratch),
            Self::Baseline(record) => postcard::to_slice(record, &mut scratch),
        }
        .ok()?;
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
mod tests {
    extern crate std;
    use super::*;
    use crate::bank::*;
    use crate::cause::{Cause, MAX_CAUSES};
    use crate::condition::{Change, Condition, Phases};
    use crate::quantity::{PerUnitScale, Quantity, Scale};
    use crate::text;

    /// The quantity whose code is longest.
    fn long<S: Scale>() -> Quantity<S> {
        Quantity::from_steps(S::MAX)
    }

    const STAMP: Stamp = Stamp { boot: u32::MAX, frame: u64::MAX, utc_ms: Some(u64::MAX) };
    const MOMENT: Moment = Moment { frame: u64::MAX, utc_ms: Some(u64::MAX) };

    const QUALITY: Quality = Quality {
        difference_sigma: Quantity::from_steps(PerUnitScale::MAX),
        common_sigma: Quantity::from_steps(PerUnitScale::MAX),
        common_basis: Basis::Baseline,
    };

    fn longest() -> [Record; 9] {
        let interval = Interval {
            stamp: STAMP,
            windows: u16::MAX,
            flagged: u16::MAX,
            frequency: long(),
            voltage: [Range { rms: long(), min: long(), max: long() }; 3],
            neutral: Range { rms: long(), min: long(), max: long() },
            residual: long(),
            neutral_phasor: Polar { size: long(), angle: long() },
            residual_phasor: Polar { size: long(), angle: long() },
            u2: long(),
            u0: long(),
            nema: long(),
            connected: [long(); 3],
            quality: QUALITY,
            state: BankState::PartlyClosed,
        };
        let evidence = Evidence {
            voltage: [long(); 3],
            neutral: long(),
            residual: long(),
            residual_angle: long(),
            connected_before: [long(); 3],
            connected_after: [long(); 3],
        };
        let event = Event {
            stamp: STAMP,
            occurrence: u32::MAX,
            condition: Condition::Interruption,
            change: Change::Ended,
            phases: Phases::ABC,
            fraction: long(),
            causes: core::iter::repeat_n(Cause::ConnectionWrong, MAX_CAUSES).collect(),
            begin: MOMENT,
            end: Some(MOMENT),
            evidence,
        };
        let status = Status::Boot {
            firmware: text(&"x".repeat(99)),
            schema: u64::MAX,
            reset: Reset::Power,
            torn_records: u8::MAX,
        };
        let limits = Limits {
            interruption: long(),
            sag: long(),
            swell: long(),
            hysteresis: long(),
            lost_phase: long(),
            least_change: long(),
            operate_s: u16::MAX,
            operations_per_day: u8::MAX,
            overvoltage: long(),
            undervoltage: long(),
            unbalance: long(),
            overload: long(),
            peak: long(),
            crew_delay_s: u16::MAX,
            engineer_delay_s: u16::MAX,
            log_delay_s: u16::MAX,
            return_s: u16::MAX,
            voltages_good_s: u16::MAX,
        };
        let nameplate = Nameplate {
            name: text(&"x".repeat(99)),
            connection: Connection::GroundedWye,
            rated_power: long(),
            system_voltage: long(),
            unit_voltage: long(),
            frequency: RatedFrequency::Hz60,
            units_per_phase: u8::MAX,
            build: Build { sections: u8::MAX, second_step_units: u8::MAX, ..Build::DEFAULT },
        };
        let sensor = VoltageSensor { lead: long(), ..VoltageSensor::new(Location::Capacitor, long()) };
        let class = SensorClass {
            ratio: long(),
            displacement: long(),
            own_third: long(),
            stray: long(),
            stray_third: long(),
        };
        let sensors = Sensors { neutral_lead: long(), class, ..Sensors::new([sensor; 3], long()) };
        let settings = Settings { nameplate, sensors, limits, interval_s: u16::MAX };
        let spectrum = Spectrum {
            stamp: STAMP,
            windows: u16::MAX,
            flagged: u16::MAX,
            voltage: [[long(); v1::HARMONICS]; 3],
            neutral: [long(); v1::HARMONICS],
            thd: [long(); 3],
            current_loading: [long(); 3],
            reactive_loading: [long(); 3],
        };
        let samples = core::iter::repeat_n(0, crate::waveform::MAX_WAVEFORM_BYTES).collect();
        let capture = Capture { stamp: STAMP, follows: Follows::Lost, samples };
        let operation = Operation {
            stamp: STAMP,
            action: Action::Closed,
            told: Some(true),
            begin: MOMENT,
            poles_us: [Some(u32::MAX); 3],
            neutral_peak: long(),
            voltage_step: long(),
            since_opening_ms: Some(u64::MAX),
        };
        let bank = BankRecord {
            stamp: STAMP,
            state: BankState::PartlyClosed,
            connected: [long(); 3],
            sigma: [long(); 3],
            quality: QUALITY,
        };
        let baseline = BaselineRecord {
            stamp: STAMP,
            state: BaselineState::Invalid,
            reason: BaselineReason::SettingsChanged,
            connected: [long(); 3],
            quality: QUALITY,
            change_sigma: long(),
            lowest: long(),
            highest: long(),
            hours: u16::MAX,
            openings: u8::MAX,
            closings: u8::MAX,
            settings: u32::MAX,
        };
        [
            Record::Interval(interval),
            Record::Event(event),
            Record::Status(StatusRecord { stamp: STAMP, status }),
            Record::Settings(SettingsRecord { stamp: STAMP, settings }),
            Record::Spectrum(spectrum),
            Record::Capture(capture),
            Record::Operation(operation),
            Record::Bank(bank),
            Record::Baseline(baseline),
        ]
    }

    /// The longest record of each kind, to the byte: a record that grows costs flash on every bank.
    #[test]
    fn the_longest_record_of_each_kind_fits() {
        let lengths = longest().map(|record| record.encode(&mut [0; MAX_RECORD_BYTES]).unwrap().len());
        assert_eq!(lengths, [126, 134, 59, 186, 255, 253, 90, 63, 72]);
        assert!(lengths.into_iter().all(|length| length <= MAX_RECORD_BYTES));
    }

    #[test]
    fn every_record_begins_with_its_stamp() {
        for record in longest() {
            let mut bytes = [0; MAX_RECORD_BYTES];
            let (envelope, _) = Envelope::parse(record.encode(&mut bytes).unwrap()).unwrap();
            assert_eq!(envelope.stamp().as_ref(), Some(record.stamp()));
        }
    }

    #[test]
    fn kinds_have_their_numbers_for_ever() {
        let numbers = KINDS.map(|(kind, version)| (kind.number(), version));
        assert_eq!(numbers, [(1, 1), (2, 1), (3, 1), (4, 1), (5, 1), (6, 1), (7, 1), (8, 1), (9, 1)]);
        for (kind, _) in KINDS {
            assert_eq!(Kind::from_number(kind.number()), Some(kind));
        }
        assert_eq!(longest().map(|record| record.kind()), KINDS.map(|(kind, _)| kind));
    }

    #[test]
    fn a_record_that_is_not_known_is_skipped_by_its_length() {
        let (envelope, rest) = Envelope::parse(&[99, 2, 3, 0xAA, 0xBB, 0xCC, 3, 1]).unwrap();
        assert_eq!(envelope, Envelope { kind: 99, version: 2, payload: &[0xAA, 0xBB, 0xCC] });
        assert_eq!(envelope.decode(), Err(DecodeError::Unknown { kind: 99, version: 2 }));
        assert_eq!(rest, [3, 1]);
    }

    #[test]
    fn a_record_cut_short_is_said_to_be() {
        for bytes in [&[][..], &[1], &[1, 1], &[1, 1, 0x80], &[1, 1, 2, 0], &[1, 1, 0xFF, 0xFF, 0x7F]] {
            assert_eq!(Envelope::parse(bytes), Err(DecodeError::Truncated), "{bytes:?}");
        }
    }
}
