//! The four recorded waveforms of an independent simulator (`records/README.md` states the truth), through the shipped firmware.

use std::path::Path;

use wyelog_device_tests::play;
use wyelog_protocol::condition::{Change, Condition};
use wyelog_protocol::record::{Event, Record};
use wyelog_simulator::comtrade;
use wyelog_simulator::scenario::BankFile;
use wyelog_simulator::tape;

fn events(name: &str) -> Vec<Event> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("records").join(name);
    let record = comtrade::Record::read(&path.with_extension("cfg")).unwrap();
    let bank = BankFile::read(&path.with_extension("toml")).unwrap();
    let tape = tape::from_comtrade(&record, &bank).unwrap();
    play::decode(&play::play(tape))
        .into_iter()
        .filter_map(|r| if let Record::Event(event) = r { Some(event) } else { None })
        .collect()
}

#[test]
fn the_fuse_of_phase_b_is_found_within_a_second() {
    let events = events("blown_fuse");
    assert_eq!(events.len(), 1, "{events:?}");
    let event = &events[0];
    assert_eq!((event.change, event.condition), (Change::Detected, Condition::BlownFuse));
    assert_eq!(event.phases.bits(), 0b010);
    let detected = event.stamp.frame as f64 / 4800.0;
    let begin = event.begin.frame as f64 / 4800.0;
    // Cleared at 3.516 s, after two cycles of fault current.
    assert!(detected > 3.516 && detected < 4.516, "detected at {detected} s");
    assert!((begin - 3.516).abs() < 0.25, "since {begin} s");
}

#[test]
fn health_an_opening_and_an_earth_fault_elsewhere_are_no_blown_fuse() {
    for name in ["healthy", "open_ok"] {
        assert_eq!(events(name), [], "{name}");
    }
    // The fault is on C, and lifts the two others.
    let mut seen: Vec<_> = events("ground_fault_elsewhere")
        .iter()
        .map(|event| (event.condition, event.change, event.phases.bits()))
        .collect();
    seen.retain(|(_, change, _)| *change == Change::Ended);
    assert_eq!(seen, [(Condition::Swell, Change::Ended, 0b011), (Condition::Sag, Change::Ended, 0b100)]);
    assert!(events("ground_fault_elsewhere").iter().all(|event| !event.condition.concerns_bank()));
}
