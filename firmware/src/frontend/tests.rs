use wyelog_protocol::bank::{SensorKind, Settings};
use wyelog_protocol::quantity::{ReactivePower, Voltage};

use super::*;
use crate::testing::settings;

/// Counts of this many volts or amperes at full scale `full`.
fn counts(value: f32, full: f32) -> f32 {
    value / full * 8_388_608.0
}

fn of_phases(bits: u8, kvar: f32) -> Settings {
    let mut settings = settings();
    settings.nameplate.build.phases = Phases::from_bits(bits);
    settings.nameplate.rated_power = ReactivePower::quantise(kvar);
    settings
}

#[test]
fn a_three_phase_bank() {
    // 200 kvar a phase at 7200 V: 27.777778 A (derived).
    let scaling = Scaling::new(&settings());
    assert!((scaling.base_current - 27.777_778).abs() < 1e-4);
    assert!((scaling.base_voltage - 7199.56).abs() < 0.01);
    assert!((scaling.unit_ratio - 7199.56 / 7200.0).abs() < 1e-5);
    assert_eq!(scaling.rated, [1.0; 3]);
    for scale in scaling.voltage {
        assert!((counts(7199.56, 25_000.0) * scale - 1.0).abs() < 1e-5);
    }
    assert!((counts(27.777_778, 800.0) * scaling.neutral - 1.0).abs() < 1e-5);
}

/// The nameplate's kvar are those of the phases that the bank has: 400 kvar on two phases and 200 on one are the same
/// units.
#[test]
fn two_phases_and_one_have_the_same_current_in_a_phase() {
    let whole = Scaling::new(&settings());
    for (bits, kvar, rated) in [
        (0b011, 400.0, [1.0, 1.0, 0.0]),
        (0b110, 400.0, [0.0, 1.0, 1.0]),
        (0b101, 400.0, [1.0, 0.0, 1.0]),
        (0b001, 200.0, [1.0, 0.0, 0.0]),
        (0b010, 200.0, [0.0, 1.0, 0.0]),
        (0b100, 200.0, [0.0, 0.0, 1.0]),
    ] {
        let scaling = Scaling::new(&of_phases(bits, kvar));
        assert!((scaling.base_current - whole.base_current).abs() < 1e-4, "{bits:b}: {scaling:?}");
        assert!((scaling.neutral / whole.neutral - 1.0).abs() < 1e-6);
        assert_eq!(scaling.rated, rated);
        // The system's voltage is line to line whatever hangs on it.
        assert_eq!(scaling.base_voltage, whole.base_voltage);
    }
}

#[test]
fn a_higher_rated_unit_carries_less_on_the_same_feeder() {
    // A 7620 V unit on 7200 V gives 178.56 of 200 kvar (derived): (7200/7620)².
    let mut settings = settings();
    settings.nameplate.unit_voltage = Voltage::quantise(7620.0);
    let scaling = Scaling::new(&settings);
    assert!((scaling.base_current - 200_000.0 / 7620.0).abs() < 1e-3);
    let kvar = scaling.unit_ratio * 7200.0 / 7199.56;
    assert!((200.0 * kvar * kvar - 178.560).abs() < 0.01, "{kvar}");
}

#[test]
fn a_lead_is_taken_out() {
    let mut settings = settings();
    settings.sensors.voltage[1].lead = Angle::quantise(0.25);
    settings.sensors.neutral_lead = Angle::quantise(-2.0);
    let lag = Scaling::new(&settings).lag;
    for (lag, degrees) in lag.into_iter().zip([0.0, -0.25, 0.0, 2.0]) {
        assert!((lag - Phasor::from_polar_degrees(1.0, degrees)).magnitude() < 1e-6, "{lag:?} {degrees}");
    }
}

#[test]
fn a_phase_without_a_sensor_is_not_known() {
    let mut settings = settings();
    settings.sensors.voltage[2].kind = SensorKind::Absent;
    let scaling = Scaling::new(&settings);
    assert_eq!(scaling.measured, Phases::from_bits(0b011));
    let [a, b, c] = scaling.known([1.0, 2.0, 3.0]);
    assert!((a, b) == (1.0, 2.0) && c.is_nan());
}

#[test]
fn a_nameplate_without_numbers_gives_no_numbers() {
    let mut settings = settings();
    settings.nameplate.unit_voltage = Voltage::ABSENT;
    let scaling = Scaling::new(&settings);
    assert!(scaling.base_current.is_nan() && scaling.unit_ratio.is_nan() && scaling.neutral.is_nan());
    settings.nameplate.unit_voltage = Voltage::quantise(0.0);
    assert!(!Scaling::new(&settings).base_current.is_finite());
}
