//! Settings: every choice once.

use wyelog_protocol::bank::{
    Build, Connection, Fusing, Limits, Location, Nameplate, RatedFrequency, SensorClass, SensorKind, Sensors,
    Settings, Switching, VoltageSensor,
};
use wyelog_protocol::condition::Phases;
use wyelog_protocol::quantity::{Angle, Current, Percent, ReactivePower, Voltage};
use wyelog_protocol::record::{Record, SettingsRecord};
use wyelog_protocol::text;

use super::STAMP;

pub(super) fn all() -> Vec<(&'static str, Record)> {
    let record = |settings| Record::Settings(SettingsRecord { stamp: STAMP, settings });
    vec![
        ("settings", record(settings())),
        ("settings_other_choices", record(other_settings())),
        ("settings_fixed_bank", record(fixed_bank())),
    ]
}

fn settings() -> Settings {
    let sensor = VoltageSensor::new(Location::Line, Voltage::quantise(25_000.0));
    Settings {
        nameplate: Nameplate {
            name: text("Hollow Oak 12, north of the mill"),
            connection: Connection::GroundedWye,
            rated_power: ReactivePower::quantise(600.0),
            system_voltage: Voltage::quantise(12_470.0),
            unit_voltage: Voltage::quantise(7200.0),
            frequency: RatedFrequency::Hz60,
            units_per_phase: 1,
            build: Build::DEFAULT,
        },
        sensors: Sensors::new([sensor; 3], Current::quantise(800.0)),
        limits: Limits::DEFAULT,
        interval_s: 60,
    }
}

/// Two phases with poles of their own, two steps, a fuse a unit; a transformer on A, a divider on B, nothing on C.
fn other_settings() -> Settings {
    let mut settings = settings();
    let nameplate = &mut settings.nameplate;
    nameplate.name = text("");
    nameplate.connection = Connection::TwoPhase;
    nameplate.frequency = RatedFrequency::Hz50;
    nameplate.build = Build {
        phases: Phases::from_bits(0b011),
        sections: 6,
        switching: Switching::PerPole,
        fusing: Fusing::Individual,
        second_step_units: 2,
    };
    let sensors = &mut settings.sensors;
    let [a, b, c] = &mut sensors.voltage;
    (a.kind, a.lead) = (SensorKind::Transformer, Angle::quantise(0.25));
    (b.location, b.lead) = (Location::FuseSwitch, Angle::quantise(-1.5));
    (c.kind, c.location) = (SensorKind::Absent, Location::Capacitor);
    (c.full_scale, c.lead) = (Voltage::ABSENT, Angle::ABSENT);
    sensors.neutral_lead = Angle::quantise(-0.5);
    sensors.control_power = Phases::single(1);
    sensors.has_contact = true;
    sensors.class = SensorClass {
        ratio: Percent::quantise(0.6),
        displacement: Angle::quantise(0.3),
        own_third: Percent::ABSENT,
        stray: Percent::quantise(1.0),
        stray_third: Percent::quantise(0.25),
    };
    settings
}

/// One phase, neither switch nor fuse.
fn fixed_bank() -> Settings {
    let mut settings = settings();
    settings.nameplate.name = text("fixed");
    settings.nameplate.connection = Connection::SinglePhase;
    settings.nameplate.build = Build {
        phases: Phases::single(2),
        switching: Switching::None,
        fusing: Fusing::None,
        ..Build::DEFAULT
    };
    settings
}
