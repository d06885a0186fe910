//! Every scenario beside its expected records, word for word: the same bits on every machine.
//!
//! A scenario is `scenarios/NAME.toml`; what the logger must say of it is `scenarios/NAME.expected`. After a change that is
//! meant, `WYELOG_WRITE_EXPECTED=1 cargo test -p wyelog-device-tests --test scenarios` writes them anew: read the
//! difference.

use std::fs;
use std::path::Path;

use wyelog_device_tests::{describe, play};
use wyelog_protocol::condition::{Change, Condition, Phases};
use wyelog_protocol::record::{Event, Record};
use wyelog_simulator::scenario::Scenario;
use wyelog_simulator::tape;

fn records(name: &str) -> Vec<Record> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("scenarios").join(name).with_extension("toml");
    let text = fs::read_to_string(&path).unwrap();
    let scenario = Scenario::parse(name, &text).unwrap_or_else(|error| panic!("{error}"));
    play::decode(&play::play(tape::from_scenario(&scenario)))
}

fn events(records: &[Record]) -> Vec<&Event> {
    records.iter().filter_map(|r| if let Record::Event(event) = r { Some(event) } else { None }).collect()
}

fn compare(name: &str, records: &[Record]) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("scenarios").join(name).with_extension("expected");
    let found = describe::lines(records);
    if std::env::var_os("WYELOG_WRITE_EXPECTED").is_some() {
        fs::write(&path, &found).unwrap();
    }
    let expected = fs::read_to_string(&path).unwrap_or_default().replace('\r', "");
    for (number, (found, expected)) in found.lines().zip(expected.lines()).enumerate() {
        assert_eq!(found, expected, "{name}: line {}", number + 1);
    }
    assert_eq!(found.lines().count(), expected.lines().count(), "{name}: number of records");
}

#[test]
fn a_fuse_of_b_blows() {
    let records = records("blown_fuse_b");
    let (events, others): (Vec<&Event>, Vec<&Event>) =
        events(&records).into_iter().partition(|event| event.condition.concerns_bank());
    // The fault current in the fuse drags the voltage of its phase down and lifts the others.
    let ended = others.iter().filter(|event| event.change == Change::Ended);
    let ended: Vec<_> = ended.map(|event| (event.condition, event.phases.bits())).collect();
    assert_eq!(ended, [(Condition::Sag, 0b010), (Condition::Swell, 0b101)]);
    let changes: Vec<_> = events.iter().map(|e| (e.change, e.condition, e.phases.bits())).collect();
    let expected = [Change::Detected, Change::Announced].map(|change| (change, Condition::BlownFuse, 0b010));
    assert_eq!(changes, expected);
    // It has blown two cycles after 20.3 s.
    let after = events[0].stamp.frame as f64 / 4800.0 - (20.3 + 2.0 / 60.0);
    assert!(after > 0.0 && after < 1.0, "detected {after} s after the fuse");
    compare("blown_fuse_b", &records);
}

#[test]
fn a_healthy_bank_on_a_bad_feeder_says_nothing() {
    let records = records("healthy_50hz");
    assert!(events(&records).is_empty());
    compare("healthy_50hz", &records);
}

#[test]
fn two_interruptions() {
    let records = records("interruption");
    let all = events(&records);
    let interruptions = all.iter().filter(|event| event.condition == Condition::Interruption);
    let changes: Vec<_> = interruptions.map(|e| (e.change, e.condition)).collect();
    let expected = [Change::Detected, Change::Ended, Change::Detected, Change::Announced, Change::Ended];
    assert_eq!(changes, expected.map(|change| (change, Condition::Interruption)));
    compare("interruption", &records);
}

#[test]
fn disturbances_are_no_faults_of_the_bank() {
    let records = records("disturbances");
    let events = events(&records);
    // What the bank and its sensors did themselves: it was opened and closed again, and a lead broke.
    let of_scenario = |event: &&Event| match event.condition {
        Condition::Sag | Condition::Swell | Condition::ClosedWhileCharged => true,
        Condition::VoltageSignalLost => event.phases == Phases::single(2),
        _ => false,
    };
    assert!(!events.is_empty() && events.iter().all(of_scenario), "{events:?}");
    compare("disturbances", &records);
}
