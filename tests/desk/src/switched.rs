//! Logs of invented banks that are switched every day: operations, spectra, conditions of the switch, what befalls the logger.

use wyelog_protocol::cause::Causes;
use wyelog_protocol::condition::{Change, Condition, Phases};
use wyelog_protocol::quantity::{Current, CurrentHarmonic, PerUnit, Quantity, Voltage, VoltageHarmonic};
use wyelog_protocol::record::{
    Action, BankState, BaselineReason, BaselineRecord, BaselineState, ClockSource, Event, Evidence, Interval,
    Operation, Quality, Range, Record, SettingsRecord, Spectrum, Status, StatusRecord,
};

use crate::fabricate::{Fabricated, Story};
use crate::logs::settings;

/// A logger and its bank, in minutes or in ten minutes; it is closed from 6 to 18 h, on odd days also from 20 to 22 h.
#[derive(Clone, Copy, Debug)]
pub struct Switched<'n> {
    /// Serial number.
    pub serial: &'n str,
    /// Name of the bank.
    pub bank: &'n str,
    /// Length of an interval in s: 60 or 600.
    pub interval_s: u16,
    /// How many days.
    pub days: u64,
    /// On which day it is left open for good, after somebody has been there.
    pub left_open: Option<u64>,
}

/// Minutes of a day.
const DAY: u64 = 1440;

impl Switched<'_> {
    fn source(&self) -> Fabricated<'_> {
        Fabricated {
            serial: self.serial,
            bank: self.bank,
            interval_s: self.interval_s,
            intervals: 0,
            story: Story::Healthy,
        }
    }

    /// Whether the bank is in during this minute from the start.
    fn is_in(&self, minute: u64) -> bool {
        let (day, hour) = (minute / DAY, minute % DAY / 60);
        let is_left = self.left_open.is_some_and(|left| minute > left * DAY + 700);
        !is_left && ((6..18).contains(&hour) || day % 2 == 1 && (20..22).contains(&hour))
    }

    /// Between −1 and 1, another for each use.
    fn vary(&self, number: u64, which: u64) -> f64 {
        let mixed =
            (number * 31 + which + self.serial.len() as u64 * 7919).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        (mixed >> 40) as f64 / 8_388_608.0 - 1.0
    }

    /// Its records, in order of time.
    pub fn records(&self) -> Vec<Record> {
        let source = self.source();
        let per_interval = u64::from(self.interval_s / 60).max(1);
        // In minutes, whatever the length of an interval.
        let stamp = |minute: f64| source.stamp(minute / per_interval as f64);
        let mut records = vec![Record::Settings(SettingsRecord {
            stamp: stamp(0.0),
            settings: settings(self.bank, self.interval_s),
        })];
        let (mut opened, mut occurrence) = (None, 0);
        for minute in 1..=self.days * DAY {
            let is_in = self.is_in(minute);
            if is_in != self.is_in(minute - 1) {
                records.push(self.operation(minute, is_in, &mut opened));
            }
            if minute % (DAY * 3) == 500 {
                occurrence += 1;
                let condition = match minute / DAY % 4 {
                    0 => Condition::ClosedWhileCharged,
                    1 => Condition::FailedToOperate,
                    _ => Condition::FrequentSwitching,
                };
                records.extend(
                    [Change::Detected, Change::Ended]
                        .map(|change| self.event(minute, occurrence, condition, change)),
                );
            }
            if minute == 2 * DAY + 7 {
                let count = 480;
                let status = Status::FramesLost { count };
                records.push(Record::Status(StatusRecord { stamp: stamp(minute as f64), status }));
            }
            if Some(minute) == self.left_open.map(|day| day * DAY + 720) {
                let after_ms = stamp(minute as f64).utc_ms.unwrap_or(0);
                let status = Status::ClockSet { before_ms: None, after_ms, source: ClockSource::Host };
                records.push(Record::Status(StatusRecord { stamp: stamp(minute as f64), status }));
            }
            if minute == 3 * DAY {
                records.push(self.baseline(minute));
            }
            if minute.is_multiple_of(per_interval) {
                records.push(Record::Interval(self.interval(minute, minute / per_interval)));
            }
            if minute.is_multiple_of(10) {
                records.push(Record::Spectrum(self.spectrum(minute)));
            }
        }
        records
    }

    fn interval(&self, minute: u64, number: u64) -> Interval {
        let interval = self.source().interval(number);
        let state = match minute {
            _ if minute % 997 < u64::from(self.interval_s / 60) => BankState::Unknown,
            _ if self.is_in(minute) => BankState::Closed,
            _ => BankState::Open,
        };
        // Some hours are low, some beyond what units may bear for long.
        let factor = match minute / 60 % 31 {
            3 => 0.93,
            7 => 1.08,
            _ => 1.0,
        };
        let scaled = |volts: Voltage| Voltage::quantise((volts.value_f64().unwrap_or(0.0) * factor) as f32);
        let voltage = interval.voltage.map(|Range { rms, min, max }| Range {
            rms: scaled(rms),
            min: scaled(min),
            max: scaled(max),
        });
        let flagged = u16::from(number % 41 == 5);
        Interval { state, voltage, flagged, ..interval }
    }

    fn spectrum(&self, minute: u64) -> Spectrum {
        let per_interval = u64::from(self.interval_s / 60).max(1);
        let resonance = if self.is_in(minute) { 1.8 } else { 1.0 };
        let day = (minute % DAY) as f64 / DAY as f64;
        let harmonic = |order: u64, phase: u64| {
            let base =
                6.0 / (order * order) as f64 * (1.2 + self.vary(minute, order * 4 + phase) * 0.4 + day);
            VoltageHarmonic::quantise((base * if order == 7 { resonance } else { 1.0 }) as f32)
        };
        let of = |base: f64, wide: f64, which: u64| {
            [0, 1, 2].map(|phase| (base + wide * self.vary(minute, which + phase)) as f32)
        };
        let orders = std::array::from_fn::<u64, 24, _>(|index| index as u64 + 2);
        Spectrum {
            stamp: self.source().stamp(minute as f64 / per_interval as f64),
            windows: 3000,
            flagged: u16::from(minute.is_multiple_of(370)),
            voltage: [0, 1, 2].map(|phase| orders.map(|order| harmonic(order, phase))),
            neutral: orders.map(|_| CurrentHarmonic::quantise(1.0)),
            thd: of(3.0, 1.0, 200).map(Quantity::quantise),
            current_loading: of(122.0, 15.0, 210).map(Quantity::quantise),
            reactive_loading: of(116.0, 14.0, 220).map(Quantity::quantise),
        }
    }

    fn operation(&self, minute: u64, closes: bool, opened: &mut Option<u64>) -> Record {
        let per_interval = (u64::from(self.interval_s / 60).max(1)) as f64;
        let begin = minute as f64 - 0.4;
        let day = minute as f64 / DAY as f64;
        let us =
            |late: f64, which| Some((late + 180.0 * self.vary(minute, which) + 9.0 * day).max(0.0) as u32);
        let poles =
            if minute % 7 == 3 { [Some(0), None, None] } else { [Some(0), us(2780.0, 1), us(5560.0, 2)] };
        let told = match minute % 5 {
            0 | 1 => Some(true),
            2 => None,
            _ => Some(self.vary(minute, 9) > 0.0),
        };
        // Now and then somebody is in a hurry.
        let since = opened.map(|at| if minute / DAY % 5 == 2 { 120_250 } else { (minute - at) * 60_000 });
        *opened = if closes { *opened } else { Some(minute) };
        Record::Operation(Operation {
            stamp: self.source().stamp(minute as f64 / per_interval),
            action: if closes { Action::Closed } else { Action::Opened },
            told,
            begin: self.source().moment(begin / per_interval),
            poles_us: if closes { [None; 3] } else { poles },
            neutral_peak: Current::quantise((70.0 + 0.4 * day + 6.0 * self.vary(minute, 3)) as f32),
            voltage_step: PerUnit::quantise(
                (if closes { 0.0116 } else { -0.0116 } + 0.001 * self.vary(minute, 4)) as f32,
            ),
            since_opening_ms: if closes { since } else { None },
        })
    }

    fn event(&self, minute: u64, occurrence: u32, condition: Condition, change: Change) -> Record {
        let per_interval = (u64::from(self.interval_s / 60).max(1)) as f64;
        let begin = self.source().moment(minute as f64 / per_interval);
        Record::Event(Event {
            stamp: self.source().stamp((minute as f64 + 0.02) / per_interval),
            occurrence,
            condition,
            change,
            phases: Phases::ABC,
            fraction: PerUnit::ABSENT,
            causes: Causes::new(),
            begin,
            end: (change == Change::Ended).then_some(begin),
            evidence: Evidence::default(),
        })
    }

    fn baseline(&self, minute: u64) -> Record {
        let per_interval = (u64::from(self.interval_s / 60).max(1)) as f64;
        Record::Baseline(BaselineRecord {
            stamp: self.source().stamp(minute as f64 / per_interval),
            state: BaselineState::Provisional,
            reason: BaselineReason::Sound,
            connected: [PerUnit::quantise(1.0); 3],
            quality: Quality::default(),
            change_sigma: PerUnit::quantise(0.01),
            lowest: Voltage::ABSENT,
            highest: Voltage::ABSENT,
            hours: 0,
            openings: 0,
            closings: 0,
            settings: 0,
        })
    }
}
