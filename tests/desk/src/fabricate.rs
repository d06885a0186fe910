//! Logs of invented banks of which the numbers fit together: voltages, the neutral current that they explain, what is left
//! of it, the kvar; with a fuse that blows, a dead neutral lead, a dead feeder. Cheap enough for fleets and years.

use std::f64::consts::TAU;

use wyelog_protocol::cause::Cause;
use wyelog_protocol::condition::{Change, Condition, Phases};
use wyelog_protocol::quantity::{Angle, Current, Frequency, PerUnit, Percent, Voltage};
use wyelog_protocol::record::{
    BankState, Basis, Event, Evidence, Interval, Moment, Polar, Quality, Range, Record, SettingsRecord, Stamp,
};

use crate::logs::{START_MS, settings, whole};

/// What happens to a bank; times in intervals from the start.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Story {
    /// Nothing.
    Healthy,
    /// The fuse of phase 0, 1 or 2 blows.
    BlownFuse {
        /// Which.
        phase: usize,
        /// When.
        at: u64,
        /// When it is replaced.
        until: Option<u64>,
    },
    /// The lead of the neutral sensor breaks: no alarm.
    DeadNeutral {
        /// When.
        at: u64,
    },
    /// A phase gains capacitance.
    Drifting {
        /// Which.
        phase: usize,
        /// Millionths of a phase each day.
        ppm_per_day: u32,
    },
    /// The feeder is dead for so many intervals.
    DeadFeeder {
        /// When.
        at: u64,
        /// How long.
        length: u64,
    },
}

/// A logger, its bank, and what happens to it.
#[derive(Clone, Copy, Debug)]
pub struct Fabricated<'n> {
    /// Serial number.
    pub serial: &'n str,
    /// Name of the bank.
    pub bank: &'n str,
    /// Length of an interval in s.
    pub interval_s: u16,
    /// How many.
    pub intervals: u64,
    /// What happens.
    pub story: Story,
}

type Complex = (f64, f64);

fn polar(size: f64, degrees: f64) -> Complex {
    (size * degrees.to_radians().cos(), size * degrees.to_radians().sin())
}

fn times(a: Complex, b: Complex) -> Complex {
    (a.0 * b.0 - a.1 * b.1, a.0 * b.1 + a.1 * b.0)
}

impl Fabricated<'_> {
    /// The log.
    pub fn log(&self) -> Vec<u8> {
        let settings =
            SettingsRecord { stamp: self.stamp(0.0), settings: settings(self.bank, self.interval_s) };
        let mut records = vec![Record::Settings(settings)];
        let mut events = self.events().into_iter().peekable();
        for number in 1..=self.intervals {
            while let Some((_, event)) = events.next_if(|(at, _)| *at <= number as f64) {
                records.push(event);
            }
            records.push(Record::Interval(self.interval(number)));
        }
        whole(self.serial, records.into_iter())
    }

    /// The same as a stamp.
    pub fn stamp(&self, interval: f64) -> Stamp {
        let Moment { frame, utc_ms } = self.moment(interval);
        Stamp { boot: 1, frame, utc_ms }
    }

    /// The moment so many intervals after the start.
    pub fn moment(&self, interval: f64) -> Moment {
        let seconds = interval * f64::from(self.interval_s);
        Moment { frame: (seconds * 4800.0) as u64, utc_ms: Some(START_MS + (seconds * 1000.0) as u64) }
    }

    fn events(&self) -> Vec<(f64, Record)> {
        let (condition, phases, at, until) = match self.story {
            Story::BlownFuse { phase, at, until } => (Condition::BlownFuse, Phases::single(phase), at, until),
            Story::DeadFeeder { at, length } => (Condition::Interruption, Phases::ABC, at, Some(at + length)),
            Story::Healthy | Story::DeadNeutral { .. } | Story::Drifting { .. } => return Vec::new(),
        };
        let causes: &[Cause] = match condition {
            Condition::BlownFuse => &[Cause::FuseOperated, Cause::CutoutOpen, Cause::PoleOpened],
            _ => &[Cause::FeederDead],
        };
        let minute = 60.0 / f64::from(self.interval_s);
        let at = at as f64 + 0.3;
        let event = |when: f64, change: Change, end: Option<f64>| {
            let record = Event {
                stamp: self.stamp(when),
                occurrence: 1,
                condition,
                change,
                phases,
                fraction: if condition == Condition::BlownFuse {
                    PerUnit::quantise(1.0)
                } else {
                    PerUnit::ABSENT
                },
                causes: causes.iter().copied().collect(),
                begin: self.moment(at),
                end: end.map(|end| self.moment(end)),
                evidence: Evidence { residual: PerUnit::quantise(1.0), ..Evidence::default() },
            };
            (when, Record::Event(record))
        };
        let mut events = vec![
            event(at + 0.01 * minute, Change::Detected, None),
            event(at + 1.02 * minute, Change::Announced, None),
        ];
        let end = until.map(|until| until as f64 + 0.3);
        events.extend(end.map(|end| event(end + 0.5 * minute, Change::Ended, Some(end))));
        events
    }

    /// The interval of this number, from 1 on.
    pub fn interval(&self, number: u64) -> Interval {
        let seed: u64 = self.serial.bytes().fold(7, |sum, byte| sum * 31 % 65_521 + u64::from(byte));
        // Between −1 and 1, another for each use.
        let vary = |which: u64| {
            let mixed = (number * 64 + which + seed * 7919).wrapping_mul(0x9E37_79B9_7F4A_7C15);
            (mixed >> 40) as f64 / 8_388_608.0 - 1.0
        };
        let day = number as f64 * f64::from(self.interval_s) / 86_400.0;
        let load = 0.5 - 0.5 * ((day - 0.15) * TAU).cos();
        let is_dead =
            matches!(self.story, Story::DeadFeeder { at, length } if (at..=at + length).contains(&number));
        let positive = if is_dead { 0.0 } else { 1.03 - 0.035 * load + 0.002 * vary(1) };
        let negative = polar(positive * (0.004 + 0.006 * load + 0.0006 * vary(2)), 35.0 + seed as f64);
        let zero = polar(positive * (0.006 + 0.008 * load + 0.0006 * vary(3)), -95.0 + 3.0 * seed as f64);
        // Voltages in pu, angle zero the positive sequence; y healthy but for the tolerance.
        let volts = [0.0, -120.0, 120.0].map(|degrees| {
            let (p, n) = (polar(positive, degrees), times(negative, polar(1.0, -degrees)));
            (p.0 + n.0 + zero.0, p.1 + n.1 + zero.1)
        });
        let mut y = [1.0, 1.01 + (seed % 5) as f64 * 0.002, 0.995];
        if let Story::BlownFuse { phase, at, until } = self.story
            && number > at
            && until.is_none_or(|until| number <= until)
            && let Some(y) = y.get_mut(phase)
        {
            *y = 0.0;
        }
        if let Story::Drifting { phase, ppm_per_day } = self.story
            && let Some(y) = y.get_mut(phase)
        {
            *y += day * f64::from(ppm_per_day) * 1e-6;
        }
        // Against the capacitor current of phase A: V·j turned back by 90° is V.
        let sum = |y: [f64; 3]| {
            volts.iter().zip(y).fold((0.0, 0.0), |sum, (v, y)| (sum.0 + v.0 * y, sum.1 + v.1 * y))
        };
        let explained = sum([1.0; 3]);
        let mut measured = sum(y);
        if matches!(self.story, Story::DeadNeutral { at } if number > at) {
            measured = polar(0.004 + 0.001 * vary(5), 40.0);
        }
        let residual = (measured.0 - explained.0, measured.1 - explained.1);
        let size = |(re, im): Complex| re.hypot(im);
        let in_polar = |phasor: Complex| Polar {
            size: PerUnit::quantise(size(phasor) as f32),
            angle: Angle::quantise(phasor.1.atan2(phasor.0).to_degrees() as f32),
        };
        let absent = Polar::default();
        let range = |phase: usize| {
            let rms = 7200.0 * volts.get(phase).map_or(0.0, |v| size(*v));
            let [rms, min, max] = [rms, rms - 9.0, rms + 8.0].map(|volts| Voltage::quantise(volts as f32));
            Range { rms, min, max }
        };
        let amps = |pu: f64| Current::quantise((pu * 200_000.0 / 7200.0) as f32);
        let percent = |part: Complex| Percent::quantise((100.0 * size(part) / positive) as f32);
        Interval {
            stamp: self.stamp(number as f64),
            windows: self.interval_s.saturating_mul(5),
            flagged: if is_dead { self.interval_s.saturating_mul(5) } else { 0 },
            frequency: Frequency::quantise((60.0 + 0.02 * vary(4)) as f32),
            voltage: [0, 1, 2].map(range),
            neutral: Range {
                rms: amps(size(measured) * 1.05),
                min: amps(size(measured)),
                max: amps(size(measured) * 1.1),
            },
            residual: PerUnit::quantise(if is_dead { f32::NAN } else { size(residual) as f32 }),
            neutral_phasor: if is_dead { absent } else { in_polar(measured) },
            residual_phasor: if is_dead { absent } else { in_polar(residual) },
            u2: percent(negative),
            u0: percent(zero),
            nema: percent(negative),
            connected: y.map(|y| PerUnit::quantise(if is_dead { f32::NAN } else { y as f32 })),
            quality: Quality {
                difference_sigma: PerUnit::quantise(0.008),
                common_sigma: PerUnit::quantise(0.05),
                common_basis: Basis::Nameplate,
            },
            state: if is_dead { BankState::Unknown } else { BankState::Closed },
        }
    }
}
