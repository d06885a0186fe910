//! Steady states of a feeder and a bank one after the other, played to the Meter.

use std::f64::consts::{SQRT_2, TAU};

use wyelog_device_tests::measurement::heard::Heard;
use wyelog_electrical::Phasor;
use wyelog_firmware::frontend::{Frame, Input};
use wyelog_firmware::measure::window::Window;
use wyelog_firmware::meter::{Buffers, Meter};
use wyelog_protocol::bank::{
    Build, Connection, Limits, Location, Nameplate, RatedFrequency, Sensors, Settings, VoltageSensor,
};
use wyelog_protocol::condition::{Change, Condition};
use wyelog_protocol::quantity::{Current, ReactivePower, Voltage};
use wyelog_protocol::record::{BankRecord, Event, Record};
use wyelog_protocol::text;
use wyelog_simulator::complex::Complex;

/// Frames a second.
const RATE: f64 = 4800.0;
/// The converter's full scale.
const COUNTS: f64 = 8_388_608.0;

/// A steady state, rms and against one angle.
#[derive(Clone, Copy, Debug, Default)]
pub struct State {
    /// Voltages to ground of A, B, C in V.
    pub voltage: [Complex; 3],
    /// Currents of A, B, C into the star point in A.
    pub current: [Complex; 3],
}

impl State {
    fn neutral(&self) -> Complex {
        let [a, b, c] = self.current;
        a + b + c
    }
}

/// So many seconds of a state; `told` is what the contact input says from its begin on.
#[derive(Clone, Copy, Debug)]
pub struct Act {
    pub seconds: f64,
    pub state: State,
    pub told: Option<bool>,
}

impl Act {
    pub const fn new(seconds: f64, state: State) -> Self {
        Self { seconds, state, told: None }
    }
}

/// 600 kvar, 60 Hz.
pub fn settings(system_voltage: f32, units: u8, sections: u8) -> Settings {
    let voltage = VoltageSensor::new(Location::Line, Voltage::quantise(2.0 * system_voltage));
    let unit_voltage = system_voltage / libm::sqrtf(3.0);
    Settings {
        nameplate: Nameplate {
            name: text("Quarry Lane 7"),
            connection: Connection::GroundedWye,
            rated_power: ReactivePower::quantise(600.0),
            system_voltage: Voltage::quantise(system_voltage),
            unit_voltage: Voltage::quantise(unit_voltage),
            frequency: RatedFrequency::Hz60,
            units_per_phase: units,
            build: Build { sections, ..Build::DEFAULT },
        },
        sensors: Sensors::new([voltage; 3], Current::quantise(20.0 * 200_000.0 / unit_voltage)),
        limits: Limits::DEFAULT,
        interval_s: 60,
    }
}

/// Instantaneous value at second `t`.
fn at(phasor: Complex, t: f64) -> f64 {
    let (sin, cos) = (libm::sin(TAU * 60.0 * t), libm::cos(TAU * 60.0 * t));
    SQRT_2 * (phasor.re * cos - phasor.im * sin)
}

/// Full scales of the voltages and of the current.
fn full_scales(settings: &Settings) -> (f64, f64) {
    let voltage = settings.sensors.voltage[0].full_scale.value_f64().unwrap();
    (voltage, settings.sensors.neutral_full_scale.value_f64().unwrap())
}

/// Plays the acts frame by frame. The current of a phase that stops goes on to its own current zero, as in a fuse or
/// a pole.
pub fn frames(settings: &Settings, acts: &[Act]) -> Heard {
    let mut buffers = Box::new(Buffers::new());
    let mut meter = Meter::new(&mut buffers, settings, 1);
    let mut heard = Heard::default();
    let (volts, amperes) = full_scales(settings);
    let (mut n, mut before) = (0_u32, State::default());
    for act in acts {
        if let Some(told) = act.told {
            meter.input(Input::Contact(told), &mut heard);
        }
        // What flowed in the phases that have not cleared yet, and its value at the last frame.
        let mut lasts: [Option<f64>; 3] = Default::default();
        for ((last, old), new) in lasts.iter_mut().zip(before.current).zip(act.state.current) {
            let stops = old.abs() > 1e-3 && new.abs() < 1e-3;
            *last = stops.then(|| at(old, f64::from(n) / RATE));
        }
        let end = n + (act.seconds * RATE).round() as u32;
        while n < end {
            let t = f64::from(n) / RATE;
            let mut neutral = 0.0;
            for ((last, old), new) in lasts.iter_mut().zip(before.current).zip(act.state.current) {
                let flows = at(old, t);
                match last {
                    Some(value) if *value * flows > 0.0 => {
                        neutral += flows;
                        *last = Some(flows);
                    }
                    _ => {
                        *last = None;
                        neutral += at(new, t);
                    }
                }
            }
            let mut channels = [0; 4];
            for (channel, v) in channels.iter_mut().zip(act.state.voltage) {
                *channel = (at(v, t) / volts * COUNTS).round() as i32;
            }
            channels[3] = (neutral / amperes * COUNTS).round() as i32;
            meter.input(Input::Frame(Frame { channels }), &mut heard);
            n += 1;
        }
        before = act.state;
    }
    heard
}

/// Plays the acts window by window.
pub fn windows(settings: &Settings, acts: &[Act]) -> Heard {
    let mut buffers = Box::new(Buffers::new());
    let mut meter = Meter::new(&mut buffers, settings, 1);
    let mut heard = Heard::default();
    let (volts, amperes) = full_scales(settings);
    let mut n = 0;
    for act in acts {
        if let Some(told) = act.told {
            meter.input(Input::Contact(told), &mut heard);
        }
        let [a, b, c] = act.state.voltage;
        let counts = |value: Complex, full: f64| value.scaled(COUNTS / full);
        let channels =
            [counts(a, volts), counts(b, volts), counts(c, volts), counts(act.state.neutral(), amperes)];
        let fundamental = channels.map(|value| Phasor::new(value.re as f32, value.im as f32));
        let end = n + (act.seconds * 5.0).round() as u64;
        while n < end {
            let rms = fundamental.map(Phasor::magnitude);
            let window = Window { rms, fundamental, ..Window::of_zeros(n * 960, (n + 1) * 960) };
            meter.window_level(&window, 1, &mut heard);
            n += 1;
        }
    }
    heard
}

/// What was detected, in order.
pub fn detected(heard: &Heard) -> Vec<&Event> {
    let events = heard.records.iter().filter_map(|record| match record {
        Record::Event(event) if event.change == Change::Detected => Some(event),
        _ => None,
    });
    events.collect()
}

/// What was last recorded of the bank.
pub fn bank(heard: &Heard) -> &BankRecord {
    let last = heard.records.iter().rev().find_map(|record| match record {
        Record::Bank(bank) => Some(bank),
        _ => None,
    });
    last.expect("a record of the bank")
}

/// One finding that there must be.
#[derive(Clone, Copy, Debug)]
pub struct Named {
    pub condition: Condition,
    pub phases: u8,
    /// Part of a phase's rated capacitance.
    pub fraction: f64,
}

/// Holds what was detected against what should have been: these, and nothing else; begun at second `begin`, none
/// later than
/// `within` after it.
pub fn check(what: &str, heard: &Heard, expected: &[Named], tolerance: f64, begin: f64, within: f64) {
    let events = detected(heard);
    let said: Vec<_> = events
        .iter()
        .map(|e| (e.condition, e.phases.bits(), e.fraction.value_f64(), e.stamp.frame as f64 / RATE))
        .collect();
    assert_eq!(events.len(), expected.len(), "{what}: {said:?}, expected {expected:?}");
    for named in expected {
        let found = events
            .iter()
            .find(|event| event.condition == named.condition && event.phases.bits() == named.phases)
            .unwrap_or_else(|| panic!("{what}: {said:?}, expected {named:?}"));
        if !named.fraction.is_nan() {
            let fraction = found.fraction.value_f64().unwrap_or(f64::NAN);
            assert!((fraction - named.fraction).abs() <= tolerance, "{what}: {said:?}, expected {named:?}");
        }
        let detected = found.stamp.frame as f64 / RATE - begin;
        assert!((0.0..=within).contains(&detected), "{what}: {said:?}, {detected} s behind the fault");
        let begun = found.begin.frame as f64 / RATE;
        assert!((begun - begin).abs() <= 0.25, "{what}: {said:?}, begun at {begun}, not {begin} s");
    }
}
