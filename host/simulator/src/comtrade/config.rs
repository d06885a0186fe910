//! What a `.cfg` file says: channels, scaling, rates and times.

/// How the samples are written in the `.dat` file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Encoding {
    /// One text line a sample.
    Ascii,
    /// 16-bit integers.
    Binary,
    /// 32-bit integers (2013).
    Binary32,
    /// 32-bit floats (2013).
    Float32,
}

impl Encoding {
    /// The word in the `.cfg` file.
    pub fn word(self) -> &'static str {
        match self {
            Self::Ascii => "ASCII",
            Self::Binary => "BINARY",
            Self::Binary32 => "BINARY32",
            Self::Float32 => "FLOAT32",
        }
    }

    /// Bytes of one analog value in a binary form.
    pub(super) fn value_bytes(self) -> usize {
        if self == Self::Binary { 2 } else { 4 }
    }
}

/// An analog channel: `value = a·x + b` in `unit`.
#[derive(Debug, Clone, PartialEq)]
pub struct AnalogChannel {
    /// Name of the channel.
    pub id: String,
    /// Phase: `A`, `B`, `C`, `N` or anything else the writer chose.
    pub phase: String,
    /// Circuit component.
    pub component: String,
    /// Unit of the scaled value, such as `kV` or `A`.
    pub unit: String,
    /// Multiplier, in `unit`.
    pub a: f64,
    /// Offset, in `unit`.
    pub b: f64,
    /// Time from the sample's time to this channel's own, in µs.
    pub skew_us: f64,
    /// Smallest value of x.
    pub min: f64,
    /// Largest value of x.
    pub max: f64,
    /// Primary rating of the transformer.
    pub primary: f64,
    /// Secondary rating of the transformer.
    pub secondary: f64,
    /// True when the scaled value is a secondary one.
    pub is_secondary: bool,
}

/// A status (digital) channel.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StatusChannel {
    /// Name of the channel.
    pub id: String,
    /// Phase, often empty.
    pub phase: String,
    /// Circuit component.
    pub component: String,
    /// State in normal service.
    pub normal: bool,
}

/// A stretch of the record with one sample rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rate {
    /// Samples per second.
    pub hz: f64,
    /// Number of the last sample at this rate, from 1.
    pub last_sample: u64,
}

/// The whole `.cfg` file.
#[derive(Debug, Clone, PartialEq)]
pub struct Config {
    /// Name of the station.
    pub station: String,
    /// Name of the recording device.
    pub device: String,
    /// Year of the revision of the standard: 1999 or 2013.
    pub revision: u32,
    /// Analog channels, in the order of the `.dat` file.
    pub analog: Vec<AnalogChannel>,
    /// Status channels, in the order of the `.dat` file.
    pub status: Vec<StatusChannel>,
    /// Nominal line frequency in Hz, if stated.
    pub line_frequency_hz: Option<f64>,
    /// The sample rates; empty when the samples carry their own time stamps.
    pub rates: Vec<Rate>,
    /// Number of samples that the `.dat` file should hold.
    pub sample_count: u64,
    /// Time of the first sample: ns since 1970 in the zone of `utc_offset_min`.
    pub start_ns: i64,
    /// Time of the trigger, as `start_ns`.
    pub trigger_ns: i64,
    /// How the samples are written.
    pub encoding: Encoding,
    /// Multiplier of the time stamps.
    pub time_multiplier: f64,
    /// Unit of a time stamp in seconds: 1e-6, or 1e-9 when the start is written with nanoseconds.
    pub stamp_unit_s: f64,
    /// Minutes from UTC to the zone of the times (2013; 0 before).
    pub utc_offset_min: i64,
}

impl Config {
    /// Time of the first sample in ns since 1970, UTC.
    pub fn start_utc_ns(&self) -> i64 {
        self.start_ns.saturating_sub(self.utc_offset_min * 60_000_000_000)
    }

    /// Line of the `.cfg` file, from 1, with the analog channel of this index; those of the status channels follow.
    pub fn channel_line(&self, index: usize) -> usize {
        index + 3
    }
}
