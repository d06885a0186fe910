//! The table of some banks, condition by condition.

use wyelog_protocol::bank::{Connection, SensorKind};
use wyelog_protocol::condition::Phases;
use wyelog_protocol::quantity::PerUnit;

use super::Capability::{Full, Limited, Unavailable};
use super::*;
use crate::testing::settings;

/// Three line-side sensors, a contact input, control power from A, two units of four sections.
fn whole() -> Settings {
    let mut settings = settings();
    settings.sensors.has_contact = true;
    settings.sensors.control_power = Phases::single(0);
    settings.nameplate.units_per_phase = 2;
    settings.nameplate.build.sections = 4;
    settings
}

/// The same with the voltage sensor of A only.
fn one_sensor() -> Settings {
    let mut settings = whole();
    for sensor in settings.sensors.voltage.iter_mut().skip(1) {
        sensor.kind = SensorKind::Absent;
    }
    settings
}

#[test]
fn a_whole_set_of_sensors_finds_everything() {
    for condition in Condition::ALL {
        assert_eq!(of(&whole(), condition), Full, "{}", condition.name());
    }
}

#[test]
fn one_voltage_sensor_finds_a_lost_phase_and_little_else_of_the_bank() {
    let settings = one_sensor();
    for (condition, expected) in [
        (Condition::BlownFuse, Full),
        (Condition::PhaseMissingAtClose, Full),
        (Condition::PoleFailedToOpen, Full),
        (Condition::FailedToOperate, Full),
        (Condition::UnitOut, Unavailable(Reason::TooFewVoltages)),
        (Condition::ElementShort, Unavailable(Reason::TooFewVoltages)),
        (Condition::SecondNeutralPath, Unavailable(Reason::TooFewVoltages)),
        (Condition::NeutralSignalLost, Unavailable(Reason::TooFewVoltages)),
        (Condition::VoltageUnbalance, Unavailable(Reason::TooFewVoltages)),
        (Condition::PhaseRotationReversed, Unavailable(Reason::TooFewVoltages)),
        (Condition::SettingsMismatch, Limited(Reason::TooFewVoltages)),
        (Condition::Sag, Limited(Reason::OtherPhasesUnseen)),
        (Condition::VoltageSignalLost, Limited(Reason::OtherPhasesUnseen)),
        (Condition::ControlPowerLost, Limited(Reason::OtherPhasesUnseen)),
    ] {
        assert_eq!(of(&settings, condition), expected, "{}", condition.name());
    }
    // Two of three: the third is concluded.
    let mut two = one_sensor();
    two.sensors.voltage[1].kind = SensorKind::Divider;
    assert_eq!(of(&two, Condition::UnitOut), Limited(Reason::VoltageAssumed));
    assert_eq!(of(&two, Condition::PhaseRotationReversed), Full);
    assert_eq!(of(&two, Condition::VoltageUnbalance), Unavailable(Reason::TooFewVoltages));
    // The controls hang on a phase that nobody measures, or on one that nobody has stated.
    two.sensors.control_power = Phases::single(2);
    assert_eq!(of(&two, Condition::ControlPowerLost), Unavailable(Reason::NoSensorThere));
    two.sensors.control_power = Phases::NONE;
    assert_eq!(of(&two, Condition::ControlPowerLost), Unavailable(Reason::ControlPhaseUnknown));
}

#[test]
fn without_a_contact_input_nothing_can_be_said_against_commands() {
    let mut settings = whole();
    settings.sensors.has_contact = false;
    assert_eq!(of(&settings, Condition::FailedToOperate), Unavailable(Reason::NoContact));
    assert_eq!(of(&settings, Condition::UnexpectedOperation), Unavailable(Reason::NoContact));
    assert_eq!(of(&settings, Condition::NeutralSignalLost), Limited(Reason::NoContact));
    assert_eq!(of(&settings, Condition::PoleFailedToOpen), Limited(Reason::NoContact));
    assert_eq!(of(&settings, Condition::BlownFuse), Full);
    // A fixed bank is closed: nobody has to say so, and nothing switches.
    settings.nameplate.build.switching = Switching::None;
    assert_eq!(of(&settings, Condition::NeutralSignalLost), Full);
    assert_eq!(of(&settings, Condition::PoleFailedToOpen), Unavailable(Reason::NotSwitched));
    assert_eq!(of(&settings, Condition::Restrike), Unavailable(Reason::NotSwitched));
    assert_eq!(of(&settings, Condition::SecondNeutralPath), Limited(Reason::NotSwitched));
}

#[test]
fn behind_fuse_and_switch_less_is_told_apart() {
    let mut settings = whole();
    settings.sensors.voltage[1].location = Location::FuseSwitch;
    assert_eq!(of(&settings, Condition::BlownFuse), Limited(Reason::BehindTheFuse));
    assert_eq!(of(&settings, Condition::OpenPhaseUpstream), Limited(Reason::BehindTheFuse));
    assert_eq!(of(&settings, Condition::UnitOut), Full);
    assert_eq!(of(&settings, Condition::Sag), Full);
    settings.sensors.voltage[1].location = Location::Capacitor;
    assert_eq!(of(&settings, Condition::Sag), Limited(Reason::OnlyWhileClosed));
    assert_eq!(of(&settings, Condition::Overvoltage), Full);
    // One that is not there sits nowhere.
    settings.sensors.voltage[1].kind = SensorKind::Absent;
    assert_eq!(of(&settings, Condition::Sag), Limited(Reason::OtherPhasesUnseen));
    assert_eq!(of(&settings, Condition::BlownFuse), Full);
}

#[test]
fn fuses_units_and_sections_set_what_can_be_lost() {
    let mut settings = whole();
    settings.nameplate.build.fusing = Fusing::None;
    assert_eq!(of(&settings, Condition::BlownFuse), Unavailable(Reason::NoFuse));
    settings.nameplate.build.fusing = Fusing::Individual;
    assert_eq!(of(&settings, Condition::BlownFuse), Limited(Reason::FusedByUnit));
    settings.nameplate.units_per_phase = 1;
    assert_eq!(of(&settings, Condition::BlownFuse), Full);
    assert_eq!(of(&settings, Condition::UnitOut), Unavailable(Reason::OneUnit));
    settings.nameplate.build.second_step_units = 1;
    assert_eq!(of(&settings, Condition::UnitOut), Full);
    settings.nameplate.build.sections = 1;
    assert_eq!(of(&settings, Condition::ElementShort), Unavailable(Reason::OneSection));
    settings.nameplate.build.sections = 0;
    assert_eq!(of(&settings, Condition::ElementShort), Full);
    // 1/(9·4) is 2.8 % of the phase, below the 3 % that count; 1/(8·4) is 3.1 %.
    settings.nameplate.units_per_phase = 3;
    settings.nameplate.build.sections = 10;
    assert_eq!(of(&settings, Condition::ElementShort), Unavailable(Reason::StepBelowLimit));
    settings.nameplate.build.sections = 9;
    assert_eq!(of(&settings, Condition::ElementShort), Full);
    settings.limits.least_change = PerUnit::quantise(0.3);
    assert_eq!(of(&settings, Condition::UnitOut), Unavailable(Reason::StepBelowLimit));
}

#[test]
fn a_bank_of_one_phase_needs_one_voltage() {
    let mut settings = one_sensor();
    settings.nameplate.connection = Connection::SinglePhase;
    settings.nameplate.build.phases = Phases::single(0);
    assert_eq!(of(&settings, Condition::UnitOut), Full);
    assert_eq!(of(&settings, Condition::NeutralSignalLost), Full);
    assert_eq!(of(&settings, Condition::BlownFuse), Limited(Reason::OnePhaseOnly));
    assert_eq!(of(&settings, Condition::SecondNeutralPath), Unavailable(Reason::OnePhaseOnly));
    assert_eq!(of(&settings, Condition::Sag), Full);
    assert_eq!(of(&settings, Condition::VoltageUnbalance), Unavailable(Reason::TooFewVoltages));
    // The sensor sits on another phase than the bank.
    settings.nameplate.build.phases = Phases::single(1);
    assert_eq!(of(&settings, Condition::UnitOut), Unavailable(Reason::TooFewVoltages));
    assert_eq!(of(&settings, Condition::Sag), Limited(Reason::OtherPhasesUnseen));
}

#[test]
fn every_reason_has_a_name_of_its_own() {
    for (index, reason) in Reason::ALL.into_iter().enumerate() {
        assert!(Reason::ALL.into_iter().skip(index + 1).all(|other| other.name() != reason.name()));
    }
}
