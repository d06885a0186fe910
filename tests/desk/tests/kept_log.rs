//! The kept log of version 1 at the desk: what the first firmware wrote is read, and becomes tables, for ever.

use std::path::Path;

use wyelog::log::Log;
use wyelog::store::{BANK, CAPTURES, EVENTS, INTERVALS, OPERATIONS, SETTINGS, SPECTRA, STATUS, Store};
use wyelog_desk_tests::{repository, wyelog};

const KEPT: &str = "tests/device/golden/v1.log";

#[test]
fn its_alarms_are_those_of_the_first_day() {
    let ended = wyelog(&["alarms", "--json", &repository(KEPT)]);
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""));
    let objects = ended.out.lines().map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap());
    let alarms: Vec<serde_json::Value> = objects.filter(|object| object["type"] != "log").collect();
    let said: Vec<(String, String)> =
        alarms.iter().map(|alarm| (alarm["condition"].to_string(), alarm["phases"].to_string())).collect();
    let expected = [
        (r#""sag""#, r#"["B","C"]"#),
        (r#""swell""#, r#"["A","C"]"#),
        (r#""blown_fuse""#, r#"["B"]"#),
        (r#""sag""#, r#"["B"]"#),
    ];
    assert_eq!(said, expected.map(|(condition, phases)| (condition.to_owned(), phases.to_owned())));
    assert_eq!(alarms[2]["begin_utc"], "2026-11-28T09:33:22.953Z");
}

#[test]
fn every_record_of_it_becomes_a_row() {
    let path = repository(KEPT);
    let log = Log::read(Path::new(&path)).unwrap();
    assert!(log.unread.is_nothing() && log.missing.is_empty());
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(&folder.path().join("store")).unwrap();
    store.writer().unwrap().ingest(Path::new(&path)).unwrap();
    let rows = [
        (&INTERVALS, 27),
        (&SPECTRA, 2),
        (&EVENTS, 8),
        (&CAPTURES, 162),
        (&STATUS, 5),
        (&SETTINGS, 2),
        (&OPERATIONS, 2),
        (&BANK, 10),
    ];
    for (table, rows) in rows {
        assert_eq!(store.scan(table).unwrap().collect().unwrap().height(), rows, "{}", table.name);
    }
}
