//! Logs of banks over whose feeders storms pass: dips, swells and interruptions that each bank sees a little differently, if it
//! sees them, by clocks that differ by minutes; and fuses that blow in them.

use wyelog_protocol::cause::{Cause, Causes};
use wyelog_protocol::condition::{Change, Condition, Phases};
use wyelog_protocol::quantity::{PerUnit, Voltage};
use wyelog_protocol::record::{
    ClockSource, Event, Evidence, Interval, Moment, Record, SettingsRecord, Stamp, Status, StatusRecord,
};

use crate::fabricate::{Fabricated, Story};
use crate::logs::{START_MS, settings, whole};

/// Length of an interval in s.
const INTERVAL_S: u16 = 600;
const DAY_S: f64 = 86_400.0;

/// A bank under a feeder's storms.
#[derive(Clone, Copy, Debug)]
pub struct Stormy<'n> {
    /// Serial number of its logger.
    pub serial: &'n str,
    /// Its name.
    pub bank: &'n str,
    /// Banks of one feeder have the same storms.
    pub feeder: u64,
    /// How far its clock is ahead, in s.
    pub ahead_s: i64,
    /// A host sets that clock every day; else nobody knows who did.
    pub is_set: bool,
    /// How many days it is watched.
    pub days: u64,
    /// Fuses of it that blow.
    pub fuses: &'n [Fuse],
}

/// A fuse that blows behind the last dip of a day.
#[derive(Clone, Copy, Debug)]
pub struct Fuse {
    /// Which day.
    pub day: u64,
    /// How long after the dip, in s.
    pub after_s: f64,
    /// The day on which it is replaced.
    pub until: Option<u64>,
}

/// What a feeder does for a moment.
#[derive(Clone, Copy, Debug)]
struct Dip {
    at_s: f64,
    duration_s: f64,
    phases: u8,
    /// In per unit; above 1: a swell.
    depth: f64,
}

/// Between −1 and 1, another for each use.
fn vary(seed: u64, which: u64) -> f64 {
    let mixed = (seed * 97 + which).wrapping_add(0x51).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    let mixed = (mixed ^ (mixed >> 29)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    (mixed >> 40) as f64 / 8_388_608.0 - 1.0
}

/// One storm a day, of up to four shots; some follow on each other so closely that they are one, and every fifth day they
/// look alike.
fn storms(feeder: u64, days: u64) -> Vec<Dip> {
    let mut dips = Vec::new();
    for day in 0..days {
        let of = |which: u64| vary(feeder * 1000 + day, which);
        let mut at_s = day as f64 * DAY_S + 40_000.0 + 30_000.0 * of(1);
        for shot in 0..1 + (day + feeder) % 4 {
            let own = |which: u64| of(10 * (shot + 1) + which);
            let of = |which: u64| if day % 5 == 1 { of(10 + which) + 0.01 * own(which) } else { own(which) };
            let duration_s = 0.08 * (4.0 * of(1).abs()).exp();
            let depth = if of(2) > 0.7 { 1.2 } else { 0.45 + 0.4 * of(3) };
            let phases = if of(4) > 0.0 { 0b111 } else { 1 << (day % 3) };
            dips.push(Dip { at_s, duration_s, phases, depth });
            at_s += duration_s + if of(5) > 0.5 { 0.15 } else { 20.0 + 18.0 * of(6) };
        }
    }
    dips
}

impl Stormy<'_> {
    fn source(&self) -> Fabricated<'_> {
        Fabricated {
            serial: self.serial,
            bank: self.bank,
            interval_s: INTERVAL_S,
            intervals: 0,
            story: Story::Healthy,
        }
    }

    fn moment(&self, at_s: f64) -> Moment {
        let utc_ms = START_MS.saturating_add_signed((at_s * 1000.0) as i64 + self.ahead_s * 1000);
        Moment { frame: (at_s * 4800.0) as u64, utc_ms: Some(utc_ms) }
    }

    fn stamp(&self, at_s: f64) -> Stamp {
        let Moment { frame, utc_ms } = self.moment(at_s);
        Stamp { boot: 1, frame, utc_ms }
    }

    /// The log.
    pub fn log(&self) -> Vec<u8> {
        let first = SettingsRecord { stamp: self.stamp(0.0), settings: settings(self.bank, INTERVAL_S) };
        let mut records = vec![(0.0, Record::Settings(first))];
        let per_day = (DAY_S / f64::from(INTERVAL_S)) as u64;
        for number in 1..=self.days * per_day {
            let at_s = number as f64 * f64::from(INTERVAL_S);
            if self.is_set && (number - 1).is_multiple_of(per_day) {
                let stamp = self.stamp(at_s - 1.0);
                let after_ms = stamp.utc_ms.unwrap_or_default();
                let status = Status::ClockSet { before_ms: None, after_ms, source: ClockSource::Host };
                records.push((at_s - 1.0, Record::Status(StatusRecord { stamp, status })));
            }
            let interval = Interval { stamp: self.stamp(at_s), ..self.source().interval(number) };
            records.push((at_s, Record::Interval(interval)));
        }
        self.add_events(&mut records);
        records.sort_by(|(a, _), (b, _)| a.total_cmp(b));
        whole(self.serial, records.into_iter().map(|(_, record)| record))
    }

    fn add_events(&self, records: &mut Vec<(f64, Record)>) {
        let seed = self.serial.bytes().fold(7, |sum, byte| sum * 31 % 65_521 + u64::from(byte));
        let mut number = 0;
        let mut add = |condition, phases, begin_s: f64, end_s: Option<f64>, depths: [f64; 3]| {
            number += 1;
            records.extend(self.occurrence(number, (condition, phases), (begin_s, end_s), depths));
        };
        for (which, dip) in (0..).zip(storms(self.feeder, self.days)) {
            let of = |use_: u64| vary(seed * 4096 + which, use_);
            // Far from the fault, it is not seen.
            if of(1) < -0.7 {
                continue;
            }
            let begin = dip.at_s + 0.02 * of(2);
            let end = begin + dip.duration_s * (1.0 + 0.04 * of(3));
            let depth = dip.depth + 0.04 * of(4);
            let is_swell = depth > 1.0;
            let depths = [0, 1, 2].map(|phase| if dip.phases >> phase & 1 == 1 { depth } else { 1.0 });
            let condition = if is_swell { Condition::Swell } else { Condition::Sag };
            add(condition, dip.phases, begin, Some(end), depths);
            if !is_swell && dip.phases == 0b111 && depth < 0.3 {
                // They begin at once, to the frame.
                add(Condition::Interruption, dip.phases, begin, Some(end - 0.02), [0.02; 3]);
                add(Condition::EnergisedWithFeeder, dip.phases, end, Some(end), [1.0; 3]);
            }
        }
        let storms = storms(self.feeder, self.days);
        for Fuse { day, after_s, until } in self.fuses {
            let last = storms.iter().rfind(|dip| dip.at_s < (*day + 1) as f64 * DAY_S && dip.depth < 1.0);
            let begin = last.map_or(0.0, |dip| dip.at_s + dip.duration_s) + after_s;
            let phases = 1 << (*day % 3);
            let end = until.map(|until| until as f64 * DAY_S + 4000.0);
            add(Condition::BlownFuse, phases, begin, end, [1.0; 3]);
        }
    }

    /// Its records, with when they are made.
    fn occurrence(
        &self,
        number: u32,
        (condition, phases): (Condition, u8),
        (begin_s, end_s): (f64, Option<f64>),
        depths: [f64; 3],
    ) -> Vec<(f64, Record)> {
        let is_fuse = condition == Condition::BlownFuse;
        let volts = depths.map(|depth| Voltage::quantise((depth * 12_470.0 / 3f64.sqrt()) as f32));
        let change = |change: Change, at_s: f64| {
            let event = Event {
                stamp: self.stamp(at_s),
                occurrence: number,
                condition,
                change,
                phases: Phases::from_bits(phases),
                fraction: if is_fuse { PerUnit::quantise(1.0) } else { PerUnit::ABSENT },
                causes: is_fuse.then_some(Cause::FuseOperated).into_iter().collect::<Causes>(),
                begin: self.moment(begin_s),
                end: end_s.filter(|_| change == Change::Ended).map(|end| self.moment(end)),
                evidence: Evidence { voltage: volts, ..Evidence::default() },
            };
            (at_s, Record::Event(event))
        };
        let mut changes = vec![change(Change::Detected, begin_s + 0.05)];
        changes.extend(is_fuse.then(|| change(Change::Announced, begin_s + 60.0)));
        changes.extend(end_s.map(|end| change(Change::Ended, end + 0.05)));
        changes
    }
}
