//! Events become rows.

use wyelog_protocol::cause::Causes;
use wyelog_protocol::record::{ClockSource, Moment, Stamp, Status, StatusRecord};

use super::*;
use crate::log::{DeviceIdentity, Sequenced};

fn event(boot: u32, frame: u64, occurrence: u32, change: Change) -> Event {
    Event {
        stamp: Stamp { boot, frame, utc_ms: None },
        occurrence,
        condition: Condition::BlownFuse,
        change,
        phases: Phases::single(1),
        fraction: PerUnit::ABSENT,
        causes: Causes::new(),
        begin: Moment { frame: 4800, utc_ms: None },
        end: (change == Change::Ended).then_some(Moment { frame: 4800 * 100, utc_ms: None }),
        evidence: Evidence::default(),
    }
}

fn log(serial: &str, events: &[Event]) -> Log {
    let identity = DeviceIdentity {
        serial: serial.to_owned(),
        board: String::new(),
        firmware: String::new(),
        schema: 0,
        boot: 1,
        frames_per_second: 4800,
        kinds: Vec::new(),
    };
    let records = events.iter().zip(0..);
    let records =
        records.map(|(event, sequence)| Sequenced { sequence, record: Record::Event(event.clone()) });
    let mut log = Log::default();
    log.identity = Some(identity);
    log.records = records.collect();
    log
}

#[test]
fn the_changes_of_an_occurrence_become_one_row() {
    let events = [
        event(1, 5000, 1, Change::Detected),
        event(1, 4800 * 61, 1, Change::Announced),
        event(1, 4800 * 110, 1, Change::Ended),
        event(2, 9000, 1, Change::Detected),
    ];
    let mut collector = Collector::default();
    collector.log("a", &log("X1", &events));
    // The same again in a second log, and another logger.
    collector.log("b", &log("X1", &events[..2]));
    collector.log("c", &log("A9", &events[..1]));
    let alarms = collector.into_alarms();
    let devices: Vec<(&str, u32)> = alarms.iter().map(|a| (a.device.as_str(), a.begin.boot)).collect();
    assert_eq!(devices, [("A9", 1), ("X1", 1), ("X1", 2)]);
    assert_eq!(alarms[1].announced.map(|when| when.seconds()), Some(61.0));
    assert_eq!(alarms[1].duration_s(), Some(99.0));
    assert_eq!((alarms[2].announced, alarms[2].end), (None, None));
    let table = table(&alarms);
    assert_eq!(table.lines().count(), 4);
    assert!(table.contains("1 min 00 s later") || table.contains("60.0 s later"), "{table}");
    assert!(details(&alarms[1]).contains("phase B (route: crew)"), "{}", details(&alarms[1]));
}

#[test]
fn the_same_numbers_after_a_replaced_flash_are_other_alarms() {
    let mut collector = Collector::default();
    collector.log(
        "old",
        &log("X1", &[event(1, 5000, 1, Change::Detected), event(1, 300_000, 1, Change::Announced)]),
    );
    let later =
        |change| Event { begin: Moment { frame: 90_000, utc_ms: None }, ..event(1, 96_000, 1, change) };
    let other = Event { condition: Condition::Interruption, ..event(1, 7000, 1, Change::Detected) };
    collector.log("new", &log("X1", &[later(Change::Detected), other]));
    let alarms = collector.into_alarms();
    let seen: Vec<_> = alarms.iter().map(|a| (a.condition, a.begin.frame, a.announced.is_some())).collect();
    assert_eq!(
        seen,
        [
            (Condition::BlownFuse, 4800, true),
            (Condition::Interruption, 4800, false),
            (Condition::BlownFuse, 90_000, false)
        ]
    );
}

#[test]
fn what_rounds_to_zero_is_shown_without_a_sign() {
    let connected_after = [0.9941, -0.004, 1.0].map(PerUnit::quantise);
    let event = Event {
        evidence: Evidence { connected_after, ..Evidence::default() },
        phases: Phases::from_bits(0b101),
        ..event(1, 5000, 1, Change::Detected)
    };
    let mut collector = Collector::default();
    collector.log("a", &log("X1", &[event]));
    let details = details(&collector.into_alarms()[0]);
    assert!(details.contains("A 0.99, B 0.00, C 1.00 (before: A ?, B ?, C ?)"), "{details}");
    assert!(details.contains("blown_fuse, phases A and C (route"), "{details}");
}

#[test]
fn an_end_without_a_beginning_is_a_row_too() {
    let mut collector = Collector::default();
    collector.log("a", &log("X1", &[event(1, 4800 * 110, 4, Change::Ended)]));
    let [alarm] = collector.into_alarms().try_into().unwrap();
    assert_eq!((alarm.detected, alarm.begin.frame), (None, 4800));
    assert!(details(&alarm).contains("not in these logs"));
}

#[test]
fn every_condition_is_shown_in_lines_that_fit() {
    let mut collector = Collector::default();
    for (condition, occurrence) in Condition::ALL.into_iter().zip(0..) {
        collector.event("X", "", &Event { condition, ..event(1, 5000, occurrence, Change::Detected) });
    }
    for alarm in collector.into_alarms() {
        assert!(details(&alarm).lines().all(|line| line.chars().count() <= 100));
    }
}

#[test]
fn causes_and_fraction_are_those_of_the_latest_record_that_has_some() {
    let with = |event: Event, fraction: f32, causes: &[Cause]| Event {
        fraction: PerUnit::quantise(fraction),
        causes: causes.iter().copied().collect(),
        ..event
    };
    let mut collector = Collector::default();
    let first = with(event(1, 5000, 1, Change::Detected), 0.9, &[Cause::CutoutOpen]);
    let later = with(event(1, 300_000, 1, Change::Announced), 1.0, &[Cause::FuseOperated, Cause::CutoutOpen]);
    // The later one comes first, the end has none of its own.
    collector.log("a", &log("X1", &[later, first, event(1, 528_000, 1, Change::Ended)]));
    let [alarm] = collector.into_alarms().try_into().unwrap();
    assert_eq!(alarm.causes, [Cause::FuseOperated, Cause::CutoutOpen]);
    assert_eq!(to_json(&alarm)["fraction"], 1.0);
    assert_eq!(to_json(&alarm)["causes"], serde_json::json!(["fuse_operated", "cutout_open"]));
    let details = details(&alarm);
    assert!(details.contains("causes      fuse_operated, cutout_open (the likeliest first)"), "{details}");
    assert!(details.contains("A cutout or a jumper of the phase is open."), "{details}");
}

#[test]
fn json_has_null_for_what_is_not_known() {
    let mut collector = Collector::default();
    collector.log("a", &log("X1", &[event(1, 5000, 1, Change::Detected)]));
    let json = to_json(&collector.into_alarms()[0]);
    assert_eq!(json["condition"], "blown_fuse");
    assert_eq!(json["phases"], serde_json::json!(["B"]));
    assert_eq!(json["begin_s"], 1.0);
    assert!(json["begin_utc"].is_null() && json["evidence"]["residual_pu"].is_null());
}

/// A start whose clock nobody set lies between the one before and the one behind it.
#[test]
fn a_time_from_what_was_before_and_after_is_marked() {
    const DAY_MS: u64 = 86_400_000;
    let set = |boot: u32, after_ms: u64| {
        let stamp = Stamp { boot, frame: 4800, utc_ms: Some(after_ms) };
        let status = Status::ClockSet { before_ms: None, after_ms, source: ClockSource::Host };
        Record::Status(StatusRecord { stamp, status })
    };
    let noon = 1_900_000_000_000;
    let mut log = log("X1", &[]);
    let records = [set(1, noon), Record::Event(event(2, 9000, 1, Change::Detected)), set(3, noon + DAY_MS)];
    log.records =
        records.into_iter().zip(0..).map(|(record, sequence)| Sequenced { sequence, record }).collect();
    let mut collector = Collector::default();
    collector.log("a", &log);
    let alarms = collector.into_alarms();
    let [alarm] = alarms.as_slice() else { panic!("{alarms:?}") };
    assert!(alarm.begin.is_guessed, "{alarm:?}");
    assert!((noon..noon + DAY_MS).contains(&alarm.begin.utc_ms.unwrap()), "{alarm:?}");
    let table = table(&alarms);
    assert!(table.contains(&alarm.begin.to_string()) && table.contains(crate::time::GUESSED_NOTE), "{table}");
    assert!(alarm.begin.to_string().starts_with('~'));
}
