//! Events of feeders and rates of alarms, of banks that see the same storms by clocks that differ, beside pandas and numpy.

use std::fs;
use std::process::Command;

use serde_json::Value;
use wyelog::store::{Banks, Store};
use wyelog_desk_tests::agree::assert_agree;
use wyelog_desk_tests::python::python;
use wyelog_desk_tests::storms::{Fuse, Stormy};
use wyelog_desk_tests::{repository, wyelog_in};

const ALDER: Stormy<'_> = Stormy {
    serial: "S1",
    bank: "Alder 1",
    feeder: 1,
    ahead_s: 0,
    is_set: false,
    days: 40,
    fuses: &[fuse(3, Some(5)), fuse(30, None)],
};
const BIRCH: Stormy<'_> =
    Stormy { serial: "S5", bank: "Birch 1", feeder: 2, is_set: true, fuses: &[fuse(2, None)], ..ALDER };
const BANKS: [(Stormy<'_>, Option<&str>); 7] = [
    (ALDER, Some("North")),
    (
        Stormy { serial: "S2", bank: "Alder 2", ahead_s: 95, fuses: &[fuse(11, Some(13))], ..ALDER },
        Some("North"),
    ),
    // It was taken down earlier, and its clock is a quarter of an hour slow.
    (Stormy { serial: "S3", bank: "Alder 3", ahead_s: -900, days: 33, fuses: &[], ..ALDER }, Some("North")),
    (Stormy { serial: "S4", bank: "Alder 4", ahead_s: 7, fuses: &[fuse(39, None)], ..ALDER }, Some("North")),
    (BIRCH, Some("East")),
    // Its fuse blows a quarter of an hour after the storm.
    (Stormy { serial: "S6", bank: "Birch 2", ahead_s: 3, fuses: &[LATE], days: 20, ..BIRCH }, Some("East")),
    // Nobody has said on which feeder it hangs.
    (Stormy { serial: "S7", bank: "Cedar 1", fuses: &[fuse(20, None)], ..ALDER }, None),
];
const LATE: Fuse = Fuse { after_s: 900.0, ..fuse(5, None) };

const fn fuse(day: u64, until: Option<u64>) -> Fuse {
    Fuse { day, after_s: 90.0, until }
}

#[test]
fn storms_and_rates_are_what_pandas_makes_of_the_same_files() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(&folder.path().join("desk")).unwrap();
    let mut writer = store.writer().unwrap();
    for (bank, _) in BANKS {
        let path = folder.path().join(bank.serial);
        fs::write(&path, bank.log()).unwrap();
        writer.ingest(&path).unwrap();
    }
    drop(writer);
    let known =
        BANKS.into_iter().filter_map(|(bank, feeder)| Some((bank.bank.to_owned(), feeder?.to_owned())));
    fs::write(folder.path().join("desk/banks.toml"), Banks::new(known).text().unwrap()).unwrap();

    let ask = |option: &str| -> Vec<Value> {
        let ended = wyelog_in(folder.path(), &["alarms", "--store", "desk", option, "--json"]);
        assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{ended:?}");
        ended.out.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    };
    let (events, rates) = (ask("--feeder-events"), ask("--rates"));
    let mut reference = Command::new(python());
    reference.arg(repository("tests/desk/reference_feeders.py")).arg("desk").current_dir(folder.path());
    let reference = reference.output().unwrap();
    assert!(reference.status.success(), "{}", String::from_utf8_lossy(&reference.stderr));
    let reference: Value = serde_json::from_slice(&reference.stdout).unwrap();
    assert_agree("feeder_events", &events, reference["feeder_events"].as_array().unwrap());
    assert_agree("rates", &rates, reference["rates"].as_array().unwrap());

    // No trivial ones: most events of North have several banks, though their clocks are a quarter of an hour apart.
    let north: Vec<&Value> = events.iter().filter(|event| event["feeder"] == "North").collect();
    let seen_by = |count: f64| north.iter().filter(|event| event["seen_by"] == count).count();
    assert!(seen_by(4.0) >= 15 && seen_by(3.0) >= 15 && seen_by(1.0) < north.len() / 3, "{north:?}");
    assert!(north.iter().any(|event| event["spread_s"].as_f64().unwrap() > 900.0));
    let lost: Vec<&str> = events.iter().filter_map(|event| event["did_not_come_back"].as_str()).collect();
    for (bank, phase) in [("Alder 1", "A"), ("Alder 4", "A"), ("Birch 1", "C"), ("Cedar 1", "C")] {
        let text = format!("{bank}: blown fuse {phase}");
        assert_eq!(lost.iter().filter(|lost| lost.contains(&text)).count(), 1, "{text}: {lost:?}");
    }
    assert!(!lost.iter().any(|lost| lost.contains("Birch 2")), "{lost:?}");
    let rate = |level: &str, name: &str| {
        let key = if level == "bank" { "bank" } else { "feeder" };
        rates.iter().find(|row| row["level"] == level && row[key] == name).unwrap()
    };
    let (bank, feeder) = (rate("bank", "Alder 1"), rate("feeder", "North"));
    assert_eq!((&bank["fuse_phases"], &bank["repeated_fuse"]), (&"A, A".into(), &true.into()), "{bank}");
    assert_eq!((&feeder["fuse_phases"], &feeder["fuse_operations"]), (&"A, C, A, A".into(), &4.0.into()));
    assert_eq!(feeder["voltage_events"], north.len() as f64);
    assert!(feeder["crew_per_year"].as_f64().unwrap() > 5.0, "{feeder}");
    // Twenty days give no rate.
    assert_eq!((&rate("bank", "Birch 2")["crew_per_year"], rates.len()), (&Value::Null, 9));
}
