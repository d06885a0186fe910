//! What a logger is told.

use proptest::prelude::*;
use proptest::sample::select;
use wyelog_protocol::bank::{
    Build, Connection, Fusing, Limits, Location, Nameplate, RatedFrequency, SensorClass, SensorKind, Sensors,
    Settings, Switching, VoltageSensor,
};

use super::{abc, phases, quantity, short_text};

/// Any settings, sensible or not.
pub fn settings() -> BoxedStrategy<Settings> {
    (nameplate(), sensors(), limits(), any::<u16>())
        .prop_map(|(nameplate, sensors, limits, interval_s)| Settings {
            nameplate,
            sensors,
            limits,
            interval_s,
        })
        .boxed()
}

fn nameplate() -> BoxedStrategy<Nameplate> {
    let connection = select(vec![Connection::GroundedWye, Connection::SinglePhase, Connection::TwoPhase]);
    let frequency = select(vec![RatedFrequency::Hz50, RatedFrequency::Hz60]);
    ((short_text(), connection), (quantity(), quantity(), quantity()), (frequency, any::<u8>(), build()))
        .prop_map(|((name, connection), ratings, (frequency, units_per_phase, build))| {
            let (rated_power, system_voltage, unit_voltage) = ratings;
            Nameplate {
                name,
                connection,
                rated_power,
                system_voltage,
                unit_voltage,
                frequency,
                units_per_phase,
                build,
            }
        })
        .boxed()
}

fn build() -> impl Strategy<Value = Build> {
    let switching = select(vec![Switching::None, Switching::Ganged, Switching::PerPole]);
    let fusing = select(vec![Fusing::None, Fusing::Group, Fusing::Individual]);
    (phases(), any::<u8>(), switching, fusing, any::<u8>()).prop_map(
        |(phases, sections, switching, fusing, second_step_units)| Build {
            phases,
            sections,
            switching,
            fusing,
            second_step_units,
        },
    )
}

fn sensors() -> BoxedStrategy<Sensors> {
    (abc(sensor()), quantity(), quantity(), phases(), any::<bool>(), class())
        .prop_map(|(voltage, neutral_full_scale, neutral_lead, control_power, has_contact, class)| Sensors {
            voltage,
            neutral_full_scale,
            neutral_lead,
            control_power,
            has_contact,
            class,
        })
        .boxed()
}

fn class() -> impl Strategy<Value = SensorClass> {
    (quantity(), quantity(), quantity(), quantity(), quantity()).prop_map(
        |(ratio, displacement, own_third, stray, stray_third)| SensorClass {
            ratio,
            displacement,
            own_third,
            stray,
            stray_third,
        },
    )
}

fn sensor() -> impl Strategy<Value = VoltageSensor> {
    let kind = select(vec![SensorKind::Absent, SensorKind::Divider, SensorKind::Transformer]);
    let location = select(vec![Location::Line, Location::FuseSwitch, Location::Capacitor]);
    (kind, location, quantity(), quantity()).prop_map(|(kind, location, full_scale, lead)| VoltageSensor {
        kind,
        location,
        full_scale,
        lead,
    })
}

fn limits() -> BoxedStrategy<Limits> {
    (
        (quantity(), quantity(), quantity(), quantity(), quantity(), quantity()),
        (quantity(), quantity(), quantity(), quantity(), quantity()),
        (any::<u8>(), any::<[u16; 6]>()),
    )
        .prop_map(|(events, steady, (operations_per_day, seconds))| {
            let (interruption, sag, swell, hysteresis, lost_phase, least_change) = events;
            let (overvoltage, undervoltage, unbalance, overload, peak) = steady;
            let [operate_s, crew_delay_s, engineer_delay_s, log_delay_s, return_s, voltages_good_s] = seconds;
            Limits {
                interruption,
                sag,
                swell,
                hysteresis,
                lost_phase,
                least_change,
                operate_s,
                operations_per_day,
                overvoltage,
                undervoltage,
                unbalance,
                overload,
                peak,
                crew_delay_s,
                engineer_delay_s,
                log_delay_s,
                return_s,
                voltages_good_s,
            }
        })
        .boxed()
}
