//! A scenario at two levels says what it says sample by sample: the demo's weeks rest on it.

use wyelog_device_tests::play::{SECTORS, decode, device, play, stored};
use wyelog_firmware::logger::Logger;
use wyelog_firmware::meter::Buffers;
use wyelog_protocol::quantity::{Quantity, Scale};
use wyelog_protocol::record::{Event, Interval, Record};
use wyelog_simulator::flash::NorMemory;
use wyelog_simulator::levels::Levels;
use wyelog_simulator::scenario::Scenario;
use wyelog_simulator::tape;

/// Nine minutes: 10 s to either side of what happens are samples, the rest windows.
const SCENARIO: &str = r#"
name = "both levels"
duration_s = 545
[feeder]
kv_ll = 12.47
frequency_hz = 59.97
r_ohm = 1.0
x_ohm = 3.0
u2_percent = 0.8
u2_angle_deg = 30
u0_percent = 1.2
u0_angle_deg = -90
harmonics = [{ order = 5, percent = 4.0 }, { order = 3, percent = 1.0, angle_deg = 40 }]
[feeder.daily]
peak_utc_h = 6
v1_drop_percent = 4
u0_rise_percent = 1.5
wander_percent = 0.1
[[feeder.event]]
kind = "interruption"
at_s = 430
duration_s = 20
[bank]
connection = "grounded_wye"
rated_kvar = 600
rated_kv_ll = 12.47
tolerance_percent = [1.0, 3.0, 2.0]
[[bank.event]]
kind = "fuse_blows"
phase = "C"
at_s = 150.3
[[bank.event]]
kind = "opens"
at_s = 300
[[bank.event]]
kind = "closes"
at_s = 380
[sensors.A]
gain_percent = 0.4
angle_deg = 0.2
noise_percent = 0.05
[sensors.N]
angle_deg = -0.3
offset_percent = 0.1
"#;

fn at_two_levels(scenario: &Scenario) -> Vec<Record> {
    let levels = Levels::new(scenario);
    let (sampled, windowed) = levels.seconds();
    assert!((sampled + windowed - 545.0).abs() < 1e-3 && sampled < 120.0, "{sampled} s, {windowed} s");
    let mut buffers = Box::new(Buffers::new());
    let flash = NorMemory::new(SECTORS);
    let (mut logger, mounted) = Logger::start(&mut buffers, flash, device(), scenario.settings(), None);
    mounted.expect("the flash mounts");
    for step in levels {
        step.enter(&mut logger);
    }
    decode(&stored(logger.into_flash().expect("it has been mounted")))
}

fn intervals(records: &[Record]) -> Vec<&Interval> {
    let mut found = Vec::new();
    for record in records {
        if let Record::Interval(interval) = record {
            found.push(interval);
        }
    }
    found
}

fn events(records: &[Record]) -> Vec<&Event> {
    let mut found = Vec::new();
    for record in records {
        if let Record::Event(event) = record {
            found.push(event);
        }
    }
    found
}

#[track_caller]
fn near<S: Scale>(minute: usize, a: Quantity<S>, b: Quantity<S>, tolerance: f64) {
    match (a.value_f64(), b.value_f64()) {
        (Some(a), Some(b)) => assert!((a - b).abs() <= tolerance, "minute {minute}: {a} and {b}"),
        (None, None) => {}
        (a, b) => panic!("{a:?} and {b:?}"),
    }
}

#[test]
fn both_levels_say_the_same() {
    let scenario = Scenario::parse("levels.toml", SCENARIO).expect("the scenario");
    let samples = decode(&stored_of(&scenario));
    let levels = at_two_levels(&scenario);

    let (whole, fast) = (events(&samples), events(&levels));
    assert_eq!(whole.len(), fast.len(), "{whole:#?} {fast:#?}");
    assert!(whole.len() >= 4, "a fuse and an interruption begin and end: {whole:#?}");
    for (a, b) in whole.iter().zip(&fast) {
        assert_eq!((a.condition, a.change, a.phases), (b.condition, b.change, b.phases));
        assert!(a.begin.frame.abs_diff(b.begin.frame) <= 960, "{a:?} {b:?}");
        // An announcement is up to a group of windows late.
        assert!(a.stamp.frame.abs_diff(b.stamp.frame) <= 3 * 4800 + 960, "{a:?} {b:?}");
    }

    let (whole, fast) = (intervals(&samples), intervals(&levels));
    assert_eq!(whole.len(), fast.len());
    assert_eq!(whole.len(), 9);
    for (minute, (a, b)) in whole.iter().zip(&fast).enumerate() {
        // Where the level changes, the windows under way are dropped.
        assert!(a.windows.abs_diff(b.windows) <= 6, "{} {}", a.windows, b.windows);
        assert_eq!(a.flagged > 0, b.flagged > 0);
        // In a minute in which something happens, what was before and after weighs a little differently.
        // The opening just behind minute 4 falls into its last window, which runs on behind the tick.
        let scale = if [0, 1, 3, 8].contains(&minute) { 1.0 } else { 40.0 };
        near(minute, a.frequency, b.frequency, 0.002);
        for phase in 0..3 {
            near(minute, a.voltage[phase].rms, b.voltage[phase].rms, 0.4 * scale);
            near(minute, a.connected[phase], b.connected[phase], 0.002 * scale);
        }
        near(minute, a.neutral.rms, b.neutral.rms, 0.02 * scale);
        near(minute, a.residual, b.residual, 0.001 * scale);
        near(minute, a.u2, b.u2, 0.02 * scale);
        near(minute, a.u0, b.u0, 0.02 * scale);
        near(minute, a.nema, b.nema, 0.02 * scale);
    }
}

fn stored_of(scenario: &Scenario) -> Vec<(u32, Vec<u8>)> {
    play(tape::from_scenario(scenario))
}
