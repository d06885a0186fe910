//! What the unit tests of this crate share.
#![allow(missing_docs)]

use wyelog_protocol::bank::*;
use wyelog_protocol::quantity::{Current, ReactivePower, Voltage};
use wyelog_protocol::text;

/// 600 kvar, 12.47 kV, 60 Hz.
pub fn settings() -> Settings {
    let voltage = VoltageSensor { location: Location::Line, full_scale: Voltage::quantise(25_000.0) };
    Settings {
        nameplate: Nameplate {
            name: text("test"),
            connection: Connection::GroundedWye,
            rated_power: ReactivePower::quantise(600.0),
            system_voltage: Voltage::quantise(12_470.0),
            unit_voltage: Voltage::quantise(7_200.0),
            frequency: RatedFrequency::Hz60,
            units_per_phase: 1,
        },
        sensors: Sensors { voltage: [voltage; 3], neutral_full_scale: Current::quantise(800.0) },
        limits: Limits::DEFAULT,
        interval_s: 60,
    }
}
