//! Log files of invented loggers, by number: the same every time.

use wyelog::log::LogWriter;
use wyelog_protocol::bank::{
    Build, Connection, Limits, Location, Nameplate, RatedFrequency, Sensors, Settings, VoltageSensor,
};
use wyelog_protocol::message::{Extent, Identity};
use wyelog_protocol::quantity::{Angle, Current, Frequency, PerUnit, Percent, ReactivePower, Voltage};
use wyelog_protocol::record::{
    BankState, Interval, MAX_RECORD_BYTES, Polar, Quality, Range, Record, SettingsRecord, Stamp,
};
use wyelog_protocol::text;

/// 1 May 2030, 00:00 UTC.
pub const START_MS: u64 = 1_903_824_000_000;

/// The log of a logger in its first start: these records, from number 0 on.
pub fn whole(serial: &str, records: impl Iterator<Item = Record>) -> Vec<u8> {
    numbered(serial, (0..).zip(records))
}

/// As [`whole`], of records with their numbers: others are missing.
pub fn numbered(serial: &str, records: impl Iterator<Item = (u32, Record)>) -> Vec<u8> {
    let mut writer = LogWriter::new(Vec::new());
    let identity = Identity {
        schema: wyelog_protocol::SCHEMA,
        firmware: "0.1.0",
        board: "invented",
        device: text(serial),
        boot: 1,
        frames_per_second: 4800,
        kinds: Default::default(),
    };
    // A writer into memory does not fail.
    let _ = writer.identity(&identity);
    let mut next = 0;
    for (number, record) in records {
        let mut bytes = [0; MAX_RECORD_BYTES];
        let _ = writer.record(number, record.encode(&mut bytes).unwrap_or_default());
        next = number + 1;
    }
    let _ = writer.end(Extent { boot: 1, oldest: 0, next, refused: 0 });
    writer.into_sink().unwrap_or_default()
}

/// What a logger on the bank of this name is told: 600 kvar, 12.47 kV, 60 Hz; intervals of so many seconds.
pub fn settings(bank: &str, interval_s: u16) -> Settings {
    let sensor = VoltageSensor::new(Location::Line, Voltage::quantise(25_000.0));
    let nameplate = Nameplate {
        name: text(bank),
        connection: Connection::GroundedWye,
        rated_power: ReactivePower::quantise(600.0),
        system_voltage: Voltage::quantise(12_470.0),
        unit_voltage: Voltage::quantise(7200.0),
        frequency: RatedFrequency::Hz60,
        units_per_phase: 1,
        build: Build::DEFAULT,
    };
    let sensors = Sensors::new([sensor; 3], Current::quantise(800.0));
    Settings { nameplate, sensors, limits: Limits::DEFAULT, interval_s }
}

/// A logger and its bank.
#[derive(Clone, Copy, Debug)]
pub struct Logger<'n> {
    /// Serial number.
    pub serial: &'n str,
    /// Name of the bank.
    pub bank: &'n str,
    /// UTC at its start; `None`: its clock was never set.
    pub start_ms: Option<u64>,
}

impl Logger<'_> {
    /// A log of so many minutes: values that vary, some flagged, some absent.
    pub fn log(&self, minutes: u64) -> Vec<u8> {
        let settings = SettingsRecord { stamp: self.stamp(0), settings: settings(self.bank, 60) };
        let intervals = (1..=minutes).map(|minute| Record::Interval(self.interval(minute)));
        whole(self.serial, std::iter::once(Record::Settings(settings)).chain(intervals))
    }

    fn stamp(&self, minute: u64) -> Stamp {
        Stamp { boot: 1, frame: minute * 288_000, utc_ms: self.start_ms.map(|start| start + minute * 60_000) }
    }

    fn interval(&self, minute: u64) -> Interval {
        let seed: u64 = self.serial.bytes().map(u64::from).sum();
        // Between −1 and 1, another for each use.
        let vary = |which: u64| {
            let mixed = (minute * 64 + which + seed * 7919).wrapping_mul(0x9E37_79B9_7F4A_7C15);
            (mixed >> 40) as f32 / 8_388_608.0 - 1.0
        };
        let range = |which| {
            let volts = 7200.0 + 150.0 * vary(which);
            let [rms, min, max] = [volts, volts - 20.0, volts + 15.0].map(Voltage::quantise);
            Range { rms, min, max }
        };
        let is_known = !minute.is_multiple_of(17);
        let connected = |which| PerUnit::quantise(if is_known { 1.0 + 0.02 * vary(which) } else { f32::NAN });
        let amps = |which| Current::quantise(1.0 + vary(which));
        Interval {
            stamp: self.stamp(minute),
            windows: if minute.is_multiple_of(29) { 150 } else { 300 },
            flagged: u16::from(minute.is_multiple_of(13)),
            frequency: Frequency::quantise(if minute.is_multiple_of(31) {
                f32::NAN
            } else {
                60.0 + 0.05 * vary(1)
            }),
            voltage: [2, 3, 4].map(range),
            neutral: Range { rms: amps(5), min: amps(6), max: amps(7) },
            residual: PerUnit::quantise(0.02 + 0.01 * vary(8)),
            neutral_phasor: Polar { size: PerUnit::quantise(0.05), angle: Angle::quantise(180.0 * vary(9)) },
            residual_phasor: Polar {
                size: PerUnit::quantise(0.01),
                angle: Angle::quantise(180.0 * vary(10)),
            },
            u2: Percent::quantise(1.0 + vary(11)),
            u0: Percent::quantise(1.5 + vary(12)),
            nema: Percent::quantise(0.9 + 0.8 * vary(13)),
            connected: [14, 15, 16].map(connected),
            quality: Quality::default(),
            state: BankState::Closed,
        }
    }
}
