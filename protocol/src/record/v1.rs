//! Version 1 of every record.

mod bank;
mod baseline;
pub(super) mod packed;
mod time;

use serde::{Deserialize, Serialize};

pub use bank::{Action, BankRecord, BankState, Basis, Operation, Quality};
pub use baseline::{BaselineReason, BaselineRecord, BaselineState};

use crate::Text;
use crate::cause::Causes;
use crate::condition::{Change, Condition, Phases};
use crate::quantity::{
    Angle, Current, CurrentHarmonic, Distortion, Frequency, Loading, PerUnit, Percent, Voltage,
    VoltageHarmonic,
};
use crate::waveform::Waveform;

/// A moment, as the logger knows it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stamp {
    /// Number of the logger's start: frames count from zero at each.
    pub boot: u32,
    /// Frames since the start, at [`crate::FRAMES_PER_SECOND`].
    pub frame: u64,
    /// UTC in ms since 1970-01-01, if the clock had been set; times beyond 2^63 ms are written as none.
    #[serde(with = "time")]
    pub utc_ms: Option<u64>,
}

/// A moment of the same start as the stamp beside it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Moment {
    /// Frames since the start.
    pub frame: u64,
    /// UTC in ms since 1970-01-01, if the clock had been set.
    pub utc_ms: Option<u64>,
}

/// rms over a time with the smallest and largest value in it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(bound(serialize = "Q: Serialize", deserialize = "Q: Deserialize<'de>"))]
pub struct Range<Q> {
    /// Root of the mean square of the window values (IEC 61000-4-30 4.5).
    pub rms: Q,
    /// Smallest value.
    pub min: Q,
    /// Largest value.
    pub max: Q,
}

/// A phasor per unit of the bank's rated current. Angle zero is the ideal capacitor current of phase A: the
/// positive-sequence voltage plus 90°.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Polar {
    /// Size.
    pub size: PerUnit,
    /// Angle.
    pub angle: Angle,
}

/// What was measured over an interval. Written by `packed`; serde names its fields, and tests compare them with `schema.txt`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Interval {
    /// End of the interval (IEC 61000-4-30 tags intervals with their end).
    pub stamp: Stamp,
    /// Windows of 10 or 12 cycles in it.
    pub windows: u16,
    /// Windows in it that the first minute of a sag or swell, an interruption, a clipped channel or lost frames touched.
    pub flagged: u16,
    /// Mean frequency.
    pub frequency: Frequency,
    /// Voltage to ground of A, B, C; min and max are half-cycle rms (IEC 61000-4-30 5.4).
    pub voltage: [Range<Voltage>; 3],
    /// Neutral current; min and max are window values.
    pub neutral: Range<Current>,
    /// Fundamental residual (measured minus explained neutral current): rms of its size over the windows.
    pub residual: PerUnit,
    /// Mean phasor of the fundamental neutral current.
    pub neutral_phasor: Polar,
    /// Mean phasor of the residual. Neutral less residual is what the voltages explain.
    pub residual_phasor: Polar,
    /// Negative- over positive-sequence voltage (IEC 61000-4-30 5.7): rms over the windows.
    pub u2: Percent,
    /// Zero- over positive-sequence voltage (IEC 61000-4-30 5.7): rms over the windows.
    pub u0: Percent,
    /// Largest deviation of a line-to-line voltage from their mean, over the mean (NEMA MG 1): rms over the windows.
    pub nema: Percent,
    /// Connected capacitance of A, B, C over its rated one: mean over the windows in which it could be told. Their
    /// differences are measured; what their common part rests on stands in `quality`.
    pub connected: [PerUnit; 3],
    /// How good `connected` is.
    pub quality: Quality,
    /// Whether the bank is in at the end of the interval.
    pub state: BankState,
}

/// Harmonics in a record: the 2nd to the 25th.
pub const HARMONICS: usize = 24;

/// What the voltages and the neutral current were made of over ten minutes. Every value is the root of the mean square over
/// the windows (IEC 61000-4-30 4.5). Written by `packed`, as an [`Interval`] is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Spectrum {
    /// End of the ten minutes.
    pub stamp: Stamp,
    /// Windows in them.
    pub windows: u16,
    /// Windows in them that a sag, swell, interruption, a clipped channel or lost frames touched.
    pub flagged: u16,
    /// Subgroups (IEC 61000-4-7) of the 2nd to the 25th harmonic of the voltages of A, B, C.
    pub voltage: [[VoltageHarmonic; HARMONICS]; 3],
    /// The same of the neutral current.
    pub neutral: [CurrentHarmonic; HARMONICS],
    /// Total harmonic distortion of the voltages of A, B, C through the 25th, over their fundamentals.
    pub thd: [Distortion; 3],
    /// Current through the rated capacitors of A, B, C at these voltages over their rated current; 135 % is the limit of
    /// IEEE Std 18.
    pub current_loading: [Loading; 3],
    /// Reactive power of the same over their rated one; 135 % is the limit of IEEE Std 18.
    pub reactive_loading: [Loading; 3],
}

/// What follows behind the samples of a [`Capture`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Follows {
    /// The next sample, in the next capture record.
    More,
    /// Nothing: the capture ends here.
    Nothing,
    /// Nothing: the capture was broken off, because frames were lost or samples found no room.
    Lost,
}

/// Samples around an event or an operation, without a gap between them. A capture is a row of these, each beginning where the
/// one before ends.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Capture {
    /// Of the first sample; UTC is good to 1 ms.
    pub stamp: Stamp,
    /// What follows behind the last sample.
    pub follows: Follows,
    /// The samples, one a frame, as [`crate::waveform`] packs them. A value of 32768 is the full scale that the settings state.
    pub samples: Waveform,
}

/// A change of a condition.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Event {
    /// When this change was decided.
    pub stamp: Stamp,
    /// Number of this occurrence, counted from each start: its detected, announced and ended records share it.
    pub occurrence: u32,
    /// Which condition.
    pub condition: Condition,
    /// What happened to it.
    pub change: Change,
    /// The phases concerned.
    pub phases: Phases,
    /// How much of a phase was lost (positive) or gained (negative), of its rated capacitance; absent where that means nothing.
    pub fraction: PerUnit,
    /// What may be behind it, the likeliest first.
    pub causes: Causes,
    /// Since when it has been so.
    pub begin: Moment,
    /// When it stopped being so; set in [`Change::Ended`] only. It is earlier than the stamp by the return time.
    pub end: Option<Moment>,
    /// What it was decided from.
    pub evidence: Evidence,
}

/// The measured values a decision rests on: those of the window or half cycle that decided.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Evidence {
    /// rms voltage to ground of A, B, C. Of a sag, swell or interruption that has been announced or has ended the lowest or
    /// highest half-cycle values (the residual voltage of IEC 61000-4-30 5.4).
    pub voltage: [Voltage; 3],
    /// Fundamental neutral current, rms.
    pub neutral: Current,
    /// Size of the residual, per unit of rated current.
    pub residual: PerUnit,
    /// Angle of the residual against the ideal capacitor current of phase A (positive sequence voltage + 90°).
    pub residual_angle: Angle,
    /// Connected capacitance of A, B, C over its rated one before the change.
    pub connected_before: [PerUnit; 3],
    /// The same after it.
    pub connected_after: [PerUnit; 3],
}

/// What happened to the logger itself.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct StatusRecord {
    /// When.
    pub stamp: Stamp,
    /// What.
    pub status: Status,
}

/// What happened to the logger itself. The enum only grows.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Status {
    /// The logger started.
    Boot {
        /// Version of the firmware.
        firmware: Text<16>,
        /// Schema the firmware writes ([`crate::SCHEMA`]).
        schema: u64,
        /// Why it started.
        reset: Reset,
        /// Half-written records that a power cut had left in the journal: as many sequence numbers are skipped; 255 means
        /// that many or more.
        torn_records: u8,
    },
    /// The firmware stopped on an error of its own in the previous run; the logger then restarted.
    Crash {
        /// What kind of error.
        cause: CrashCause,
        /// Where: after a hard fault the program counter; after a panic the address of its `core::panic::Location` in the
        /// image.
        address: u32,
        /// Schema of the firmware that stopped.
        schema: u64,
    },
    /// Frames that never reached the measurement.
    FramesLost {
        /// How many.
        count: u32,
    },
    /// Records that were measured but found no room before the journal took them.
    RecordsLost {
        /// How many.
        count: u32,
    },
    /// The clock was set.
    ClockSet {
        /// UTC in ms since 1970-01-01 that the logger had until then.
        before_ms: Option<u64>,
        /// The new one.
        after_ms: u64,
        /// Who says so.
        source: ClockSource,
    },
    /// The flash refused to take records.
    JournalFailed {
        /// Records lost by it.
        count: u32,
    },
    /// Something went wrong in the flash, and the journal went round it. Counts since the start.
    FlashFaults {
        /// Sectors left because an erase or a header failed.
        sectors: u32,
        /// Sectors closed early because a record could not be written.
        records: u32,
        /// Sequence numbers given up because a record of theirs may have been half written.
        numbers: u32,
    },
    /// Captures that were not taken, or not wholly, since the last such record.
    CapturesLost {
        /// Triggers that no capture followed, since there had been too many.
        triggers: u32,
        /// Frames that belonged to a capture and found no room.
        frames: u32,
    },
}

/// Who says what time it is. The enum only grows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum ClockSource {
    /// The signal that is played in the place of sensors: a simulation's or a recording's own time.
    Signal,
    /// The battery-backed clock of the board, at the start.
    Rtc,
    /// A host, over the link.
    Host,
}

impl ClockSource {
    /// Every source, by its number.
    pub const ALL: [Self; 3] = [Self::Signal, Self::Rtc, Self::Host];

    /// Its number, for a tape.
    pub const fn number(self) -> u8 {
        self as u8
    }

    /// The source of this number, if there is one.
    pub fn from_number(number: u8) -> Option<Self> {
        Self::ALL.get(usize::from(number)).copied()
    }

    /// Its name, as tables and JSON have it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Signal => "signal",
            Self::Rtc => "rtc",
            Self::Host => "host",
        }
    }
}

/// Why the logger started.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Reset {
    /// Power came, or the reset line was pulled: no note of a crash was found.
    Power,
    /// The firmware restarted itself after an error.
    Crash,
}

/// What kind of error stopped the firmware.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum CrashCause {
    /// A check in the program failed.
    Panic,
    /// The processor refused an access or instruction.
    HardFault,
}
