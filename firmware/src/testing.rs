//! What the unit tests of this crate share.
#![allow(missing_docs)]
extern crate std;

use wyelog_electrical::{Phasor, SequenceComponents};
use wyelog_protocol::bank::*;
use wyelog_protocol::quantity::{Current, ReactivePower, Voltage};
use wyelog_protocol::text;

/// 600 kvar, 12.47 kV, 60 Hz.
pub fn settings() -> Settings {
    let voltage = VoltageSensor::new(Location::Line, Voltage::quantise(25_000.0));
    Settings {
        nameplate: Nameplate {
            name: text("test"),
            connection: Connection::GroundedWye,
            rated_power: ReactivePower::quantise(600.0),
            system_voltage: Voltage::quantise(12_470.0),
            unit_voltage: Voltage::quantise(7_200.0),
            frequency: RatedFrequency::Hz60,
            units_per_phase: 1,
            build: Build::DEFAULT,
        },
        sensors: Sensors::new([voltage; 3], Current::quantise(800.0)),
        limits: Limits::DEFAULT,
        interval_s: 60,
    }
}

/// A feeder and a grounded bank in steady state, 60 Hz unless said: what [`settings`] describes, by formula.
#[derive(Clone, Copy)]
pub struct Bank {
    /// rms voltage to ground of A, B, C in per unit, ABC rotation.
    pub voltage: [f64; 3],
    /// Connected capacitance over the rated one.
    pub y: [f64; 3],
    /// What the voltage sensors read of it.
    pub seen: [f64; 3],
    pub hz: f64,
}

impl Default for Bank {
    fn default() -> Self {
        Self { voltage: [1.0, 1.02, 0.98], y: [1.0; 3], seen: [1.0; 3], hz: 60.0 }
    }
}

impl Bank {
    /// Frame number `n`.
    pub fn frame(&self, n: u64) -> crate::frontend::Frame {
        use core::f64::consts::{SQRT_2, TAU};
        let base = 12_470.0 / libm::sqrt(3.0);
        let rated_current = 200_000.0 / 7200.0;
        let t = n as f64 / 4800.0;
        let (mut channels, mut neutral) = ([0; 4], 0.0);
        for (phase, channel) in channels.iter_mut().take(3).enumerate() {
            let angle = TAU * (self.hz * t - phase as f64 / 3.0) + 0.3;
            let pu = self.voltage[phase];
            *channel =
                (pu * base * SQRT_2 * libm::cos(angle) * self.seen[phase] / 25_000.0 * 8_388_608.0) as i32;
            // The current leads by 90°.
            let amps = self.y[phase] * pu * (base / 7200.0) * (self.hz / 60.0) * rated_current;
            neutral -= amps * SQRT_2 * libm::sin(angle);
        }
        channels[3] = (neutral / 800.0 * 8_388_608.0) as i32;
        crate::frontend::Frame { channels }
    }
}

/// Voltages of A, B, C with these sequence components: the positive one `size`, the others parts of it at these angles.
pub fn voltages(size: f32, u2: (f32, f32), u0: (f32, f32)) -> [Phasor; 3] {
    let part = |(part, degrees): (f32, f32)| Phasor::from_polar_degrees(size * part, degrees);
    SequenceComponents { zero: part(u0), positive: Phasor::new(size, 0.0), negative: part(u2) }
        .to_phases(wyelog_electrical::Rotation::Abc)
}

/// A window of a bank with these `y`; every voltage has this third harmonic (zero sequence), per unit.
pub fn look(voltage: [Phasor; 3], y: [f32; 3], third: f32) -> crate::bank::look::Look {
    let mut look = crate::bank::look::Look {
        voltage,
        shown: voltage,
        third_voltage: [Phasor::new(third, 0.0); 3],
        ..crate::bank::look::Look::dark(0, 960)
    };
    look.neutral = look.explained(y);
    look.third = look.explained_third(y);
    look.overtones = look.third.magnitude();
    look
}

/// A window of any numbers.
pub fn any_look(values: [f32; 16]) -> crate::bank::look::Look {
    let [a, b, c, d, e, f, g, h, i, j, k, l, m, n, o, ratio] = values;
    crate::bank::look::Look {
        voltage: [Phasor::new(a, b), Phasor::new(c, d), Phasor::new(e, f)],
        shown: [Phasor::new(a, b), Phasor::new(c, m), Phasor::new(n, f)],
        steady_voltage: [a, m, o],
        neutral: Phasor::new(g, h),
        third: Phasor::new(i, j),
        third_voltage: [Phasor::new(k, l), Phasor::new(m, n), Phasor::new(o, a)],
        overtones: o,
        ratio,
        ..crate::bank::look::Look::dark(0, 960)
    }
}

/// Everything a Meter said.
#[derive(Default)]
pub struct Heard {
    pub records: std::vec::Vec<wyelog_protocol::record::Record>,
    pub live: Option<wyelog_protocol::message::Live>,
    /// How many more records find room.
    pub room: Option<usize>,
}

impl crate::outbox::Outbox for Heard {
    fn record(
        &mut self,
        record: wyelog_protocol::record::Record,
    ) -> Result<(), wyelog_protocol::record::Record> {
        if let Some(room) = &mut self.room {
            let Some(less) = room.checked_sub(1) else { return Err(record) };
            *room = less;
        }
        self.records.push(record);
        Ok(())
    }

    fn live(&mut self, live: wyelog_protocol::message::Live) {
        self.live = Some(live);
    }
}

impl Heard {
    /// The events, as (change, condition, phases, second of the stamp, second of the begin).
    pub fn events(
        &self,
    ) -> std::vec::Vec<(
        wyelog_protocol::condition::Change,
        wyelog_protocol::condition::Condition,
        u8,
        f64,
        f64,
    )> {
        let seconds = |frame: u64| frame as f64 / 4800.0;
        self.records
            .iter()
            .filter_map(|record| match record {
                wyelog_protocol::record::Record::Event(e) => Some((
                    e.change,
                    e.condition,
                    e.phases.bits(),
                    seconds(e.stamp.frame),
                    seconds(e.begin.frame),
                )),
                _ => None,
            })
            .collect()
    }
}
