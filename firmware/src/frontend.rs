//! What enters the logger: frames of four channels, and everything else that happens to it.

use wyelog_electrical::Phasor;
pub use wyelog_measure::frame::{FULL_SCALE, Frame};
use wyelog_protocol::bank::Settings;
use wyelog_protocol::condition::Phases;
use wyelog_protocol::message::Replaced;
use wyelog_protocol::quantity::Angle;
use wyelog_protocol::record::ClockSource;

/// Everything that can happen to the [`crate::meter::Meter`], in the order it happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Input {
    /// The next frame.
    Frame(Frame),
    /// So many frames were missed since the last one: time goes on, the measurement does not.
    FramesLost(u32),
    /// The bank's switch contact, or the close command: true when it says closed.
    Contact(bool),
    /// The clock is set: UTC in ms since 1970-01-01 at the next frame, and who says so.
    Clock(u64, ClockSource),
    /// What is to become of the baseline.
    Baseline(Order),
}

/// What somebody at the bank says of the baseline.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Order {
    /// The bank is healthy and closed: learn what it is like.
    Learn,
    /// A part was replaced.
    Discard(Replaced),
}

impl Order {
    /// Every order, by its number less one.
    pub const ALL: [Self; 4] = [
        Self::Learn,
        Self::Discard(Replaced::Link),
        Self::Discard(Replaced::Unit),
        Self::Discard(Replaced::Sensor),
    ];

    /// Its number, for a tape or an atomic: 1 to 4.
    pub const fn number(self) -> u8 {
        match self {
            Self::Learn => 1,
            Self::Discard(Replaced::Link) => 2,
            Self::Discard(Replaced::Unit) => 3,
            Self::Discard(Replaced::Sensor) => 4,
        }
    }

    /// The order of this number, if there is one.
    pub fn from_number(number: u8) -> Option<Self> {
        Self::ALL.get(usize::from(number.checked_sub(1)?)).copied()
    }
}

/// Factors from converter counts to primary units and per unit, from the settings.
#[derive(Clone, Copy, Debug)]
pub struct Scaling {
    /// Counts to per unit of the rated line-to-neutral voltage of the system, for A, B, C.
    pub voltage: [f32; 3],
    /// Counts to per unit of the bank's rated current, for the neutral.
    pub neutral: f32,
    /// Turns that take out what the outputs of the sensors of A, B, C and the neutral lead by, as phasors of size one.
    pub lag: [Phasor; 4],
    /// Phases whose voltage is measured.
    pub measured: Phases,
    /// Rated line-to-neutral voltage of the system in V.
    pub base_voltage: f32,
    /// Rated current of a phase in A: at the units' own rated voltage and frequency.
    pub base_current: f32,
    /// System voltage over the units' rated voltage.
    pub unit_ratio: f32,
    /// Rated frequency in Hz.
    pub rated_hz: f32,
    /// Rated capacitance of A, B, C over itself: zero for a phase that the bank does not have.
    pub rated: [f32; 3],
}

impl Scaling {
    /// From the settings. An absent or zero rating gives factors that are not finite, and so absent values.
    pub fn new(settings: &Settings) -> Self {
        const COUNTS: f32 = 8_388_608.0;
        let nameplate = &settings.nameplate;
        let base_voltage = nameplate.system_voltage.value_or_nan() / libm::sqrtf(3.0);
        let unit_voltage = nameplate.unit_voltage.value_or_nan();
        let phases = match nameplate.build.phases.bits().count_ones() {
            1 => 1.0,
            2 => 2.0,
            _ => 3.0,
        };
        let phase_var = nameplate.rated_power.value_or_nan() * 1000.0 / phases;
        let base_current = phase_var / unit_voltage;
        let sensors = &settings.sensors;
        let [a, b, c] = sensors.voltage.map(|sensor| sensor.lead);
        let mut measured = 0;
        for (sensor, bit) in sensors.voltage.iter().zip([1, 2, 4]) {
            measured |= if sensor.is_present() { bit } else { 0 };
        }
        let lag = |lead: Angle| Phasor::from_polar_degrees(1.0, -lead.value().unwrap_or(0.0));
        Self {
            lag: [a, b, c, sensors.neutral_lead].map(lag),
            measured: Phases::from_bits(measured),
            voltage: settings
                .sensors
                .voltage
                .map(|sensor| sensor.full_scale.value_or_nan() / COUNTS / base_voltage),
            neutral: settings.sensors.neutral_full_scale.value_or_nan() / COUNTS / base_current,
            base_voltage,
            base_current,
            unit_ratio: base_voltage / unit_voltage,
            rated_hz: nameplate.frequency.hz(),
            rated: crate::bank::carry::masked([1.0; 3], nameplate.build.phases.bits()),
        }
    }
}

impl Scaling {
    /// NaN in the place of what is not measured.
    pub fn known(&self, mut values: [f32; 3]) -> [f32; 3] {
        for (phase, value) in values.iter_mut().enumerate() {
            if !self.measured.contains(phase) {
                *value = f32::NAN;
            }
        }
        values
    }
}

#[cfg(test)]
mod tests;
