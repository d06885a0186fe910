use wyelog_protocol::bank::{Build, Connection, Limits, Location, Nameplate, Sensors, VoltageSensor};
use wyelog_protocol::quantity::{Current, ReactivePower, Voltage};
use wyelog_protocol::record::{SettingsRecord, Stamp};
use wyelog_protocol::text;
use wyelog_protocol::waveform::Packer;

use super::*;
use crate::log::Sequenced;

fn settings() -> Settings {
    let full_scale = |volts| VoltageSensor::new(Location::Line, Voltage::quantise(volts));
    Settings {
        nameplate: Nameplate {
            name: text("Quillmere, east"),
            connection: Connection::GroundedWye,
            rated_power: ReactivePower::quantise(600.0),
            system_voltage: Voltage::quantise(12_470.0),
            unit_voltage: Voltage::quantise(7_200.0),
            frequency: RatedFrequency::Hz60,
            units_per_phase: 1,
            build: Build::DEFAULT,
        },
        sensors: Sensors::new([16_384.0, 32_768.0, 8_192.0].map(full_scale), Current::quantise(327.68)),
        limits: Limits::DEFAULT,
        interval_s: 60,
    }
}

fn stamp(boot: u32, frame: u64) -> Stamp {
    Stamp { boot, frame, utc_ms: None }
}

fn chunk(boot: u32, frame: u64, count: i16, follows: Follows) -> Record {
    let mut packer = Packer::new();
    assert!((0..count).all(|n| packer.push([n, -n, 2 * n, 1000])));
    Record::Capture(record::Capture { stamp: stamp(boot, frame), follows, samples: packer.take() })
}

fn log(records: Vec<Record>) -> Log {
    let records = (10..).zip(records).map(|(sequence, record)| Sequenced { sequence, record }).collect();
    let mut log = Log::default();
    log.records = records;
    log
}

fn with_settings(records: impl IntoIterator<Item = Record>) -> Log {
    let settings = Record::Settings(SettingsRecord { stamp: stamp(1, 0), settings: settings() });
    log([settings].into_iter().chain(records).collect())
}

#[test]
fn records_join_across_others_and_a_lost_one_is_a_gap() {
    let other = Record::Settings(SettingsRecord { stamp: stamp(1, 1040), settings: settings() });
    let found = Captures::of(&with_settings([
        chunk(1, 1000, 40, Follows::More),
        other,
        chunk(1, 1040, 50, Follows::More),
        chunk(1, 1120, 10, Follows::Nothing),
        // Another one, of which the end is lost; then one that begins anew after a start.
        chunk(1, 1130, 10, Follows::More),
        chunk(2, 1140, 10, Follows::Lost),
    ]))
    .unwrap();
    let seen: Vec<_> = found
        .captures
        .iter()
        .map(|capture| (capture.begin.frame, capture.samples.len(), capture.missing(), capture.ending))
        .collect();
    assert_eq!(
        seen,
        [(1000, 130, 30, Ending::Whole), (1130, 10, 0, Ending::Cut), (1140, 10, 0, Ending::BrokenOff)]
    );
    assert_eq!(found.captures[0].samples[89], Some([49, -49, 98, 1000]));
    assert_eq!(found.captures[0].samples[90], None);
}

#[test]
fn values_are_primary_and_comtrade_has_the_samples_as_they_were() {
    let found = Captures::of(&with_settings([
        chunk(1, 4800, 40, Follows::More),
        chunk(1, 4842, 8, Follows::Nothing),
    ]))
    .unwrap();
    let capture = &found.captures[0];
    let last = [0, 1, 2, 3].map(|channel| capture.values(channel)[39]);
    assert_eq!(last.map(|value| (value * 1000.0).round()), [19_500.0, -39_000.0, 19_500.0, 10_000.0]);
    let record = capture.to_comtrade();
    let text = record.config_text();
    let lines: Vec<&str> = text.lines().collect();
    assert_eq!(lines[0], "Quillmere  east,,2013");
    assert_eq!(lines[1], "4,4A,0D");
    assert_eq!(lines[2], "1,VA,A,,V,0.5,0.0,0.0,-32767,32767,1,1,P");
    assert!(lines[5].starts_with("4,IN,N,,A,0.01,"), "{}", lines[5]);
    assert_eq!(&lines[6..9], ["60", "1", "4800,50"]);
    assert_eq!(&lines[9..11], ["01/01/1970,00:00:01.000000", "01/01/1970,00:00:01.010416"]);
    assert_eq!(lines[11], "BINARY");
    let bytes = record.data_bytes();
    assert_eq!(bytes.len(), 50 * 16);
    let values = |n: usize| {
        let sample = &bytes[n * 16 + 8..n * 16 + 16];
        [0, 2, 4, 6].map(|at| i16::from_le_bytes([sample[at], sample[at + 1]]))
    };
    assert_eq!(values(39), [39, -39, 78, 1000]);
    assert_eq!(values(40), [i16::MIN; 4], "missing, as the standard marks it");
    assert_eq!(values(42), [0, 0, 0, 1000]);
    let read = wyelog_simulator::comtrade::Record::parse("c", text.as_bytes(), "d", &bytes).unwrap();
    assert_eq!(read.analog[0][39], capture.values(0)[39]);
    assert!(read.analog[0][40].is_nan());
}

#[test]
fn without_settings_the_full_scale_is_not_known() {
    let error = Captures::of(&log(vec![chunk(1, 0, 3, Follows::Nothing)])).unwrap_err();
    assert!(error.to_string().contains("no settings"), "{error}");
}

#[test]
fn samples_that_make_no_sense_are_counted_and_missing() {
    let damaged = Record::Capture(record::Capture {
        stamp: stamp(1, 40),
        follows: Follows::More,
        samples: [0, 0, 0].into_iter().collect(),
    });
    let found = Captures::of(&with_settings([
        chunk(1, 0, 40, Follows::More),
        damaged,
        chunk(1, 60, 5, Follows::Nothing),
    ]))
    .unwrap();
    assert_eq!(found.damaged_records, 1);
    assert_eq!((found.captures.len(), found.captures[0].missing()), (1, 20));
}

#[test]
fn a_frame_number_that_cannot_be_is_no_panic() {
    let records = [u64::MAX - 1, u64::MAX].map(|frame| chunk(1, frame, 40, Follows::More));
    let found = Captures::of(&with_settings(records)).unwrap();
    assert!(!found.captures.is_empty(), "their samples are there all the same");
    for capture in &found.captures {
        assert!(capture.trigger_frame() >= capture.begin.frame && capture.end_frame() == u64::MAX);
        assert!(capture.missing() <= 1);
    }
}
