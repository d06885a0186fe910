//! Tapes: a scenario or a record as the inputs of a logger, item by item.
//!
//! The form of a tape is the firmware's ([`wyelog_firmware::tape`]): settings, then frames of 24-bit counts with
//! clock and contact between them. A [`Tape`] of a scenario is computed while it is read and kept nowhere.

use std::collections::VecDeque;
use std::fmt;
use std::io::{self, Write};

use wyelog_firmware::frontend::{FULL_SCALE, Frame, Input, Order};
use wyelog_firmware::tape::{ITEM_BYTES, Item, encode, encode_head};
use wyelog_protocol::bank::{SensorKind, Settings};
use wyelog_protocol::quantity::{Current, Voltage};
use wyelog_protocol::record::ClockSource;

use crate::comtrade::{BankSignals, Error, Record};
use crate::frames_per_second;
use crate::scenario::{BankFile, Scenario};
use crate::waveform::{self, Waveform};

/// The settings of a logger and, by iterating, everything that enters it.
pub struct Tape {
    settings: Settings,
    /// Frames to come. NaN in any channel: the source has no such frame.
    source: Box<dyn Iterator<Item = waveform::Frame> + Send>,
    frames: u64,
    converter: Converter,
    /// Frames that the source has given.
    taken: u64,
    orders: Orders,
    /// Inputs that go before the next frame of the source.
    ready: VecDeque<Input>,
}

/// What the logger is told of its baseline, and before which frame.
#[derive(Debug, Default)]
pub(crate) struct Orders(VecDeque<(u64, Order)>);

impl Orders {
    pub fn of(scenario: &Scenario) -> Self {
        let frame = |at_s: f64| (at_s * frames_per_second()) as u64;
        Self(scenario.commissioning.iter().map(|said| (frame(said.at_s), said.order)).collect())
    }

    /// Adds those that go before frame `frame`, if they have not been given yet.
    pub fn take(&mut self, frame: u64, ready: &mut VecDeque<Input>) {
        while let Some((_, order)) = self.0.pop_front_if(|(at, _)| *at <= frame) {
            ready.push_back(Input::Baseline(order));
        }
    }
}

/// From what the sensors give to what enters the logger.
#[derive(Debug)]
pub(crate) struct Converter {
    /// Counts per V or A.
    pub scale: [f64; 4],
    contact: Option<bool>,
    lost: u32,
}

impl fmt::Debug for Tape {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Tape").field("settings", &self.settings).field("frames", &self.frames).finish()
    }
}

/// The tape of a scenario.
pub fn from_scenario(scenario: &Scenario) -> Tape {
    let waveform = Waveform::new(scenario);
    let frames = waveform.len() as u64;
    let start_ms = scenario.start_utc_s.saturating_mul(1000);
    Tape {
        orders: Orders::of(scenario),
        ..Tape::new(scenario.settings(), start_ms, frames, Box::new(waveform))
    }
}

/// The tape of a record, the bank being as `bank` says. A record without a neutral current gives a neutral channel
/// of zeros; samples that the record marks as missing become lost frames, saturated ones stand at full scale.
///
/// # Errors
/// The record lacks every voltage, or one and the neutral current, or has two channels for one quantity, or a rate outside 2…100 kHz.
pub fn from_comtrade(record: &Record, bank: &BankFile) -> Result<Tape, Error> {
    let channels = record.bank_channels(&bank.channels)?;
    let signals = record.corrected_signals(&channels, &bank.corrections())?;
    Ok(from_signals(signals, record.config.start_utc_ns(), bank))
}

/// The tape of signals that begin at `start_ns` since 1970, UTC. Where a signal saturates, the logger's full scale is put
/// there, so that it sees the saturation and no larger value than there was. A voltage without a channel is a sensor that is
/// not there; the contact is wired if the signals have one and the bank's file does not say otherwise.
pub fn from_signals(signals: BankSignals, start_ns: i64, bank: &BankFile) -> Tape {
    let mut settings = bank.settings();
    let mut signals = signals;
    if bank.contact == Some(false) {
        signals.contact = None;
    }
    settings.sensors.has_contact = signals.contact.is_some();
    for (sensor, present) in settings.sensors.voltage.iter_mut().zip(signals.present) {
        if !present {
            sensor.kind = SensorKind::Absent;
        }
    }
    let [a, b, c, neutral] = signals.clip;
    for (sensor, clip) in settings.sensors.voltage.iter_mut().zip([a, b, c]) {
        if let Some(volts) = clip
            .filter(|volts| *volts >= 1.0 && sensor.full_scale.value_f64().is_none_or(|full| *volts < full))
        {
            sensor.full_scale = Voltage::quantise(volts as f32);
        }
    }
    let full = settings.sensors.neutral_full_scale.value_f64();
    if let Some(amps) = neutral.filter(|amps| *amps >= 0.1 && full.is_none_or(|full| *amps < full)) {
        settings.sensors.neutral_full_scale = Current::quantise(amps as f32);
    }
    let frames = signals.volts.iter().map(Vec::len).min().unwrap_or(0) as u64;
    Tape::new(settings, start_ns.div_euclid(1_000_000), frames, Box::new(frames_of(signals)))
}

fn frames_of(signals: BankSignals) -> impl Iterator<Item = waveform::Frame> + Send {
    let BankSignals { volts: [a, b, c], neutral, contact, .. } = signals;
    let volts = a.into_iter().zip(b).zip(c).map(|((a, b), c)| [a, b, c]);
    volts.enumerate().map(move |(index, volts)| waveform::Frame {
        volts,
        neutral_amps: neutral.as_ref().map_or(0.0, |amps| amps.get(index).copied().unwrap_or(f64::NAN)),
        closed: contact.as_ref().and_then(|states| states.get(index).or(states.last()).copied()),
    })
}

impl Tape {
    fn new(
        settings: Settings,
        start_ms: i64,
        frames: u64,
        source: Box<dyn Iterator<Item = waveform::Frame> + Send>,
    ) -> Self {
        let converter = Converter::new(&settings);
        // Before 1970 there is no UTC for the logger: its clock stays unset.
        let ready = u64::try_from(start_ms)
            .ok()
            .map(|utc_ms| Input::Clock(utc_ms, ClockSource::Signal))
            .into_iter()
            .collect();
        Self { settings, source, frames, converter, taken: 0, orders: Orders::default(), ready }
    }

    /// The same without the time of its first frame: the logger's clock is set by others.
    #[must_use]
    pub fn without_clock(mut self) -> Self {
        self.ready.retain(|input| !matches!(input, Input::Clock(..)));
        self
    }

    /// What the logger is told.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// Frames of the whole tape, lost ones included.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// The items of a tape file, head included.
    pub fn items(self) -> impl Iterator<Item = Item> {
        let mut head = Vec::new();
        encode_head(&self.settings, &mut |item| head.push(*item));
        head.into_iter().chain(self.map(|input| encode(&input)))
    }

    /// Writes the tape file. Returns its length in bytes.
    ///
    /// # Errors
    /// What `sink` answers.
    pub fn write(self, sink: &mut impl Write) -> io::Result<u64> {
        let mut bytes = 0;
        for item in self.items() {
            sink.write_all(&item)?;
            bytes += ITEM_BYTES as u64;
        }
        Ok(bytes)
    }
}

impl Converter {
    pub fn new(settings: &Settings) -> Self {
        // A quantity that is absent gives a channel of zeros; the checks of the files leave none absent.
        let counts = |full_scale: Option<f64>| full_scale.map_or(0.0, |full| COUNTS / full);
        let [a, b, c] = settings.sensors.voltage.map(|sensor| counts(sensor.full_scale.value_f64()));
        let scale = [a, b, c, counts(settings.sensors.neutral_full_scale.value_f64())];
        Self { scale, contact: None, lost: 0 }
    }

    /// Adds the inputs that `sample` makes.
    pub fn take(&mut self, sample: &waveform::Frame, ready: &mut VecDeque<Input>) {
        let [a, b, c] = sample.volts;
        let values = [a, b, c, sample.neutral_amps];
        if let Some(closed) = sample.closed.filter(|_| sample.closed != self.contact) {
            self.flush_lost(ready);
            self.contact = Some(closed);
            ready.push_back(Input::Contact(closed));
        }
        if values.iter().any(|value| value.is_nan()) {
            self.lost += 1;
            return;
        }
        self.flush_lost(ready);
        let mut channels = [0; 4];
        for ((slot, value), scale) in channels.iter_mut().zip(values).zip(self.scale) {
            *slot = count(value * scale);
        }
        ready.push_back(Input::Frame(Frame { channels }));
    }

    pub fn flush_lost(&mut self, ready: &mut VecDeque<Input>) {
        if self.lost > 0 {
            ready.push_back(Input::FramesLost(core::mem::take(&mut self.lost)));
        }
    }
}

impl Iterator for Tape {
    type Item = Input;

    fn next(&mut self) -> Option<Input> {
        while self.ready.is_empty() {
            match self.source.next() {
                Some(sample) => {
                    self.orders.take(self.taken, &mut self.ready);
                    self.taken += 1;
                    self.converter.take(&sample, &mut self.ready);
                }
                None => {
                    self.converter.flush_lost(&mut self.ready);
                    return self.ready.pop_front();
                }
            }
        }
        self.ready.pop_front()
    }
}

/// Counts at full scale.
const COUNTS: f64 = 8_388_608.0;

/// What a 24-bit converter makes of this many counts: rounded, and clipped at its ends.
fn count(value: f64) -> i32 {
    // Half a count away from zero, without the cost of a function: exact within the range.
    let away = if value < 0.0 { value - ALMOST_HALF } else { value + ALMOST_HALF };
    if away >= f64::from(FULL_SCALE) {
        FULL_SCALE
    } else if away <= -COUNTS {
        -FULL_SCALE - 1
    } else {
        away as i32
    }
}

/// The largest number below a half: added, it takes no smaller one to the next whole number.
const ALMOST_HALF: f64 = 0.5 - 0.25 * f64::EPSILON;

#[cfg(test)]
mod tests {
    use super::*;
    use wyelog_firmware::tape::{decode, decode_head};

    const SCENARIO: &str = "name = \"t\"\nduration_s = 1\n[feeder]\nkv_ll = 12.47\nfrequency_hz = 60\n[bank]\n\
        connection = \"grounded_wye\"\nrated_kvar = 600\nrated_kv_ll = 12.47\n[[bank.event]]\nkind = \"opens\"\nat_s = 0.5\n";

    fn scenario() -> Scenario {
        Scenario::parse("t.toml", SCENARIO).unwrap()
    }

    #[test]
    fn a_scenario_becomes_clock_contact_and_frames_in_order() {
        let tape = from_scenario(&scenario());
        assert_eq!(tape.frames(), 4800);
        let inputs: Vec<Input> = tape.collect();
        assert_eq!(inputs[0], Input::Clock(1_893_456_000_000, ClockSource::Signal));
        assert_eq!(inputs[1], Input::Contact(true));
        assert_eq!(inputs[2402], Input::Contact(false));
        assert_eq!(inputs.len(), 4803);
        let Input::Frame(first) = inputs[2] else { panic!() };
        // Crest of A at time 0 is a 2.5th of full scale.
        assert!((f64::from(first.channels[0]) / COUNTS - 0.4).abs() < 1e-6);
        assert!(
            inputs.iter().all(|input| !matches!(input, Input::Frame(frame) if frame.clipped().count() > 0))
        );
    }

    #[test]
    fn a_written_tape_is_read_by_the_firmware() {
        let mut bytes = Vec::new();
        let length = from_scenario(&scenario()).write(&mut bytes).unwrap();
        assert_eq!(length, bytes.len() as u64);
        let mut items = bytes.chunks_exact(ITEM_BYTES).map(|item| Item::try_from(item).unwrap());
        assert_eq!(decode_head(&mut || items.next()).unwrap(), scenario().settings());
        let read: Vec<Input> = items.map(|item| decode(&item).unwrap()).collect();
        assert_eq!(read, from_scenario(&scenario()).collect::<Vec<_>>());
    }

    #[test]
    fn a_converter_clips_at_both_ends() {
        for (value, expected) in
            [(1e12, 8_388_607), (8_388_607.4, 8_388_607), (-1e12, -8_388_608), (-0.5, -1), (2.4, 2)]
        {
            assert_eq!(count(value), expected, "{value}");
        }
    }

    #[test]
    fn a_converter_rounds_as_the_library_does() {
        let mut value = -60.0;
        while value < 60.0 {
            for near in [value, f64::next_up(value), f64::next_down(value), 69_905.0 * value] {
                assert_eq!(f64::from(count(near)), libm::round(near), "{near}");
            }
            value += 0.125;
        }
        assert_eq!(count(f64::next_down(0.5)), 0);
    }

    #[test]
    fn missing_samples_become_lost_frames() {
        let cfg = "s,d,2013\n5,4A,1D\n1,VA,A,,kV,0.001,0,0,-32767,32767,1,1,P\n2,VB,B,,kV,0.001,0,0,-32767,32767,1,1,P\n\
            3,VC,C,,kV,0.001,0,0,-32767,32767,1,1,P\n4,IN,N,,A,0.01,0,0,-32767,32767,1,1,P\n1,CLOSE,,,0\n60\n1\n4800,6\n\
            01/03/2026,08:00:00.000000\n01/03/2026,08:00:00.000000\nASCII\n1\n0,0\n0,0\n";
        let dat = "1,0,1000,0,0,100,1\n2,208,99999,0,0,100,1\n3,417,0,99999,0,100,1\n4,625,2000,0,0,100,0\n\
            5,833,0,0,0,99999,0\n6,1042,99999,0,0,1,0\n";
        let record = Record::parse("r.cfg", cfg.as_bytes(), "r.dat", dat.as_bytes()).unwrap();
        let bank = "[bank]\nconnection = \"grounded_wye\"\nrated_kvar = 600\nrated_kv_ll = 12.47\nfrequency_hz = 60\n";
        let tape = from_comtrade(&record, &BankFile::parse("b.toml", bank).unwrap()).unwrap();
        assert_eq!(tape.frames(), 6);
        let full = tape.settings().sensors.voltage[0].full_scale.value_f64().unwrap();
        let frame = |volts: f64, amps: f64| {
            let full_amps = 20.0 * libm::sqrt(2.0) * 27.779_484;
            let channels = [count(volts / full * COUNTS), 0, 0, count(amps / full_amps * COUNTS)];
            Input::Frame(Frame { channels })
        };
        let inputs: Vec<Input> = tape.collect();
        let close = |a: &Input, b: &Input| match (a, b) {
            (Input::Frame(a), Input::Frame(b)) => {
                a.channels.iter().zip(b.channels).all(|(a, b)| (a - b).abs() <= 1)
            }
            _ => a == b,
        };
        let expected = [
            // 1 March 2026, 08:00 UTC.
            Input::Clock(1_772_352_000_000, ClockSource::Signal),
            Input::Contact(true),
            frame(1000.0, 1.0),
            Input::FramesLost(2),
            Input::Contact(false),
            frame(2000.0, 1.0),
            Input::FramesLost(2),
        ];
        assert_eq!(inputs.len(), expected.len(), "{inputs:?}");
        assert!(inputs.iter().zip(&expected).all(|(a, b)| close(a, b)), "{inputs:?}");
    }
}
