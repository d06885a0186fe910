//! What is said of a condition, whatever its phases and causes: a table with a row each, by what it is about.

use wyelog_protocol::cause::Cause;
use wyelog_protocol::condition::Condition;

use super::{bank, feeder, sensor, switching};

/// What is said of a condition. `{phases}` stands for "phase B" or "phases A and C".
#[derive(Clone, Copy, Debug)]
pub struct Words {
    /// Half a sentence.
    pub short: &'static str,
    /// What probably happened.
    pub happened: &'static str,
    /// What is usually behind it, the likeliest first: used where an event names no causes.
    pub causes: &'static [Cause],
    /// What else a reader should bear in mind.
    pub also: &'static [&'static str],
    /// What a crew or an engineer should look for.
    pub look: &'static [&'static str],
    /// What a crew should bring; empty where nobody goes.
    pub bring: &'static [&'static str],
    /// Which cautions apply.
    pub cautions: &'static [&'static str],
}

/// The row of a condition.
pub const fn words(condition: Condition) -> &'static Words {
    match condition {
        Condition::BlownFuse => &bank::BLOWN_FUSE,
        Condition::ElementShort => &bank::ELEMENT_SHORT,
        Condition::PoleFailedToOpen => &bank::POLE_FAILED_TO_OPEN,
        Condition::IntermittentPhase => &bank::INTERMITTENT_PHASE,
        Condition::PhaseMissingAtClose => &bank::PHASE_MISSING_AT_CLOSE,
        Condition::FailedToOperate => &bank::FAILED_TO_OPERATE,
        Condition::UnitOut => &bank::UNIT_OUT,
        Condition::SecondNeutralPath => &bank::SECOND_NEUTRAL_PATH,
        Condition::SettingsMismatch => &bank::SETTINGS_MISMATCH,
        Condition::ClosedWhileCharged => &switching::CLOSED_WHILE_CHARGED,
        Condition::Restrike => &switching::RESTRIKE,
        Condition::UnexpectedOperation => &switching::UNEXPECTED_OPERATION,
        Condition::FrequentSwitching => &switching::FREQUENT_SWITCHING,
        Condition::EnergisedWithFeeder => &switching::ENERGISED_WITH_FEEDER,
        Condition::NeutralSignalLost => &sensor::NEUTRAL_SIGNAL_LOST,
        Condition::ControlPowerLost => &sensor::CONTROL_POWER_LOST,
        Condition::VoltageSignalLost => &sensor::VOLTAGE_SIGNAL_LOST,
        Condition::Interruption => &feeder::INTERRUPTION,
        Condition::Sag => &feeder::SAG,
        Condition::Swell => &feeder::SWELL,
        Condition::Overvoltage => &feeder::OVERVOLTAGE,
        Condition::CapacitorOverload => &feeder::CAPACITOR_OVERLOAD,
        Condition::PhaseRotationReversed => &feeder::PHASE_ROTATION_REVERSED,
        Condition::OpenPhaseUpstream => &feeder::OPEN_PHASE_UPSTREAM,
        Condition::Undervoltage => &feeder::UNDERVOLTAGE,
        Condition::VoltageUnbalance => &feeder::VOLTAGE_UNBALANCE,
    }
}
