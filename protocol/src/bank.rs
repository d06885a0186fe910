//! What the logger is told about the bank: nameplate, sensors, limits. Read-only to the logger itself.

use serde::{Deserialize, Serialize};

use crate::Text;
use crate::condition::Phases;
use crate::quantity::{Angle, Current, PerUnit, Percent, ReactivePower, Voltage};

/// Everything the logger has to be told.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Settings {
    /// Ratings of the bank.
    pub nameplate: Nameplate,
    /// What is measured, and where.
    pub sensors: Sensors,
    /// When a value becomes a condition.
    pub limits: Limits,
    /// Length of an interval record in seconds, 10 to 3600; it divides an hour.
    pub interval_s: u16,
}

/// Ratings of the bank, as printed on it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Nameplate {
    /// Name of the bank in the owner's books, at most 32 bytes.
    pub name: Text<32>,
    /// How the phases are connected.
    pub connection: Connection,
    /// Rated reactive power of all three phases together, at `unit_voltage` and `frequency`.
    pub rated_power: ReactivePower,
    /// Rated line-to-line voltage of the system.
    pub system_voltage: Voltage,
    /// Rated voltage of the capacitor units (line to neutral); it may differ from the system's: 7620 V units hang
    /// on 7200 V feeders.
    pub unit_voltage: Voltage,
    /// Rated frequency.
    pub frequency: RatedFrequency,
    /// Equal single-phase units in parallel in each phase, 1 to 24.
    pub units_per_phase: u8,
    /// How it is built beyond that.
    pub build: Build,
}

/// How the phases are connected. The enum only grows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Connection {
    /// Wye with a solidly grounded star point on a four-wire multigrounded feeder.
    GroundedWye,
    /// One phase to ground.
    SinglePhase,
    /// Two phases to ground.
    TwoPhase,
}

/// How a bank is built: what its phases are made of, and what switches and protects them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Build {
    /// The phases it has.
    pub phases: Phases,
    /// Series sections in a unit, 1 to 40; 0 is not known.
    pub sections: u8,
    /// How it is switched.
    pub switching: Switching,
    /// How it is fused.
    pub fusing: Fusing,
    /// Units per phase of a second step with a switch of its own; 0 without one. They are not among `units_per_phase`.
    pub second_step_units: u8,
}

impl Build {
    /// Three phases, a ganged switch, a fuse for each phase, one step.
    pub const DEFAULT: Self = Self {
        phases: Phases::ABC,
        sections: 0,
        switching: Switching::Ganged,
        fusing: Fusing::Group,
        second_step_units: 0,
    };
}

impl Default for Build {
    fn default() -> Self {
        Self::DEFAULT
    }
}

/// How a bank is switched. The enum only grows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Switching {
    /// Not at all: a fixed bank.
    None,
    /// All poles by one command.
    Ganged,
    /// Each pole on its own.
    PerPole,
}

/// How a bank is fused. The enum only grows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Fusing {
    /// Not at all.
    None,
    /// One fuse for all units of a phase.
    Group,
    /// One fuse for each unit.
    Individual,
}

/// Rated frequency of the feeder.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum RatedFrequency {
    /// 50 Hz: windows of 10 cycles (IEC 61000-4-30).
    Hz50,
    /// 60 Hz: windows of 12 cycles (IEC 61000-4-30).
    Hz60,
}

impl RatedFrequency {
    /// In Hz.
    pub const fn hz(self) -> f32 {
        match self {
            Self::Hz50 => 50.0,
            Self::Hz60 => 60.0,
        }
    }

    /// Frames in a cycle of the rated frequency, at [`crate::FRAMES_PER_SECOND`].
    pub const fn frames_per_cycle(self) -> u16 {
        match self {
            Self::Hz50 => 96,
            Self::Hz60 => 80,
        }
    }

    /// Cycles in a measuring window of 200 ms (IEC 61000-4-30 4.4).
    pub const fn cycles_per_window(self) -> u16 {
        match self {
            Self::Hz50 => 10,
            Self::Hz60 => 12,
        }
    }
}

/// What is measured, and where.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Sensors {
    /// The voltage sensors of phases A, B, C.
    pub voltage: [VoltageSensor; 3],
    /// Instantaneous neutral current, primary, at the converter's positive full scale (2^23 counts). The arrow
    /// points from the star point to ground. A lost phase puts 1.41 times the rated current there, and a clipped window is
    /// no evidence: at least twice that.
    pub neutral_full_scale: Current,
    /// How far the output of the neutral sensor leads the current (the phase displacement of IEC 61869).
    pub neutral_lead: Angle,
    /// The phase that feeds the controls; empty when it is not known.
    pub control_power: Phases,
    /// Whether a contact input tells what the switch is told to be.
    pub has_contact: bool,
    /// How wrong they may be: what the standard deviations of the connected capacitances rest on.
    pub class: SensorClass,
}

/// The largest errors of the sensors, as their makers or a test state them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SensorClass {
    /// Ratio error of a voltage sensor, to either side.
    pub ratio: Percent,
    /// Phase displacement of a voltage sensor against the neutral sensor that `lead` does not take out, to either side.
    pub displacement: Angle,
    /// Third harmonic that a voltage sensor makes of its own, of the fundamental.
    pub own_third: Percent,
    /// Fundamental current in the neutral conductor that is not the bank's, of the rated current.
    pub stray: Percent,
    /// Third harmonic of the same.
    pub stray_third: Percent,
}

impl SensorClass {
    /// Dividers and line-post sensors as they hang there (common practice, no source).
    pub const DEFAULT: Self = Self {
        ratio: Percent::from_steps(3_000),
        displacement: Angle::from_steps(150),
        own_third: Percent::from_steps(200),
        stray: Percent::from_steps(1_500),
        stray_third: Percent::from_steps(600),
    };
}

impl Default for SensorClass {
    fn default() -> Self {
        Self::DEFAULT
    }
}

/// One voltage sensor.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct VoltageSensor {
    /// How it works, if it is there at all.
    pub kind: SensorKind,
    /// Where on the riser it sits.
    pub location: Location,
    /// Instantaneous voltage to ground, primary, at the converter's positive full scale (2^23 counts), or where the sensor
    /// clips.
    pub full_scale: Voltage,
    /// How far its output leads the voltage (the phase displacement of IEC 61869).
    pub lead: Angle,
}

impl VoltageSensor {
    /// A divider without phase displacement.
    pub const fn new(location: Location, full_scale: Voltage) -> Self {
        Self { kind: SensorKind::Divider, location, full_scale, lead: Angle::from_steps(0) }
    }

    /// Whether there is one.
    pub const fn is_present(&self) -> bool {
        !matches!(self.kind, SensorKind::Absent)
    }
}

/// How a voltage sensor works. The enum only grows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum SensorKind {
    /// There is none: its channel means nothing.
    Absent,
    /// Resistive or capacitive divider.
    Divider,
    /// Inductive voltage transformer.
    Transformer,
}

/// Where a voltage sensor sits, seen from the feeder.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Location {
    /// On the source side of the fuse: a blown fuse takes away the current alone.
    Line,
    /// Between fuse and switch.
    FuseSwitch,
    /// On the capacitor's side of the switch.
    Capacitor,
}

/// When a value becomes a condition.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Limits {
    /// All half-cycle rms voltages below this part of the rated voltage are an interruption (IEC 61000-4-30 5.5).
    pub interruption: Percent,
    /// A half-cycle rms voltage below this part of the rated voltage is a sag (IEC 61000-4-30 5.4).
    pub sag: Percent,
    /// A half-cycle rms voltage above this part of the rated voltage is a swell (IEC 61000-4-30 5.4).
    pub swell: Percent,
    /// How far behind the threshold the voltage must be before an interruption, sag or swell has ended, as part of the
    /// rated voltage.
    pub hysteresis: Percent,
    /// A measured residual counts as a lost phase when it is nearer than this to what the loss would give.
    pub lost_phase: PerUnit,
    /// A change of a phase's capacitance by less than this is nothing.
    pub least_change: PerUnit,
    /// Seconds that an operation may take before it has failed.
    pub operate_s: u16,
    /// More operations in 24 hours than this are too many.
    pub operations_per_day: u8,
    /// A voltage above this part of the rated voltage of the units for ten minutes is an overvoltage (IEEE Std 18).
    pub overvoltage: Percent,
    /// A voltage below this part of the rated voltage for more than a minute is an undervoltage (IEEE 1159).
    pub undervoltage: Percent,
    /// Negative- over positive-sequence voltage above this is a voltage unbalance.
    pub unbalance: Percent,
    /// Current or reactive power of a phase above this part of the rated one overloads its units (IEEE Std 18).
    pub overload: Percent,
    /// Crest voltage above this part of the rated crest overloads the units (IEEE Std 18).
    pub peak: Percent,
    /// Seconds from detection to announcement, route `hazard` and `crew`.
    pub crew_delay_s: u16,
    /// Seconds from detection to announcement, route `engineer`.
    pub engineer_delay_s: u16,
    /// Seconds from detection to announcement, route `log_only`: an interruption of more than a minute is a
    /// sustained one (IEEE 1159).
    pub log_delay_s: u16,
    /// Seconds that a condition must have been gone before it has ended.
    pub return_s: u16,
    /// Seconds that all voltages must have been good before a condition of the bank is announced.
    pub voltages_good_s: u16,
}

impl Sensors {
    /// Three voltage sensors and a neutral sensor without phase displacement, and no contact input.
    pub const fn new(voltage: [VoltageSensor; 3], neutral_full_scale: Current) -> Self {
        Self {
            voltage,
            neutral_full_scale,
            neutral_lead: Angle::from_steps(0),
            control_power: Phases::NONE,
            has_contact: false,
            class: SensorClass::DEFAULT,
        }
    }
}

impl Limits {
    /// The defaults of a bank nobody has set up.
    pub const DEFAULT: Self = Self {
        interruption: Percent::from_steps(10_000),
        sag: Percent::from_steps(90_000),
        swell: Percent::from_steps(110_000),
        hysteresis: Percent::from_steps(2_000),
        lost_phase: PerUnit::from_steps(3_000),
        least_change: PerUnit::from_steps(300),
        operate_s: 15,
        operations_per_day: 12,
        overvoltage: Percent::from_steps(110_000),
        undervoltage: Percent::from_steps(90_000),
        unbalance: Percent::from_steps(3_000),
        overload: Percent::from_steps(135_000),
        peak: Percent::from_steps(120_000),
        crew_delay_s: 60,
        engineer_delay_s: 600,
        log_delay_s: 60,
        return_s: 10,
        voltages_good_s: 30,
    };
}

impl Default for Limits {
    fn default() -> Self {
        Self::DEFAULT
    }
}
