use std::fs;

use tempfile::TempDir;
use wyelog_protocol::message::Extent;
use wyelog_protocol::record::Record;

use super::*;
use crate::log::{Log, LogWriter};
use crate::trial;

mod compaction;
mod order;
mod owner;
mod register;

/// The log of a built-in trial, as bytes.
fn log(name: &str) -> Vec<u8> {
    let scenario = trial::built_in(name).unwrap().unwrap();
    trial::run(&scenario, &mut |_| {}).unwrap().file
}

/// A log with the records of `log` in a range of numbers, written by logger `serial`.
fn part(log: &[u8], numbers: std::ops::Range<u32>, serial: &str) -> Vec<u8> {
    let log = Log::from_source(log).unwrap();
    let mut identity = log.identity.clone().unwrap();
    identity.serial = serial.to_owned();
    let mut writer = LogWriter::new(Vec::new());
    writer.identity(&identity.message()).unwrap();
    for kept in log.records.iter().filter(|kept| numbers.contains(&kept.sequence)) {
        let mut bytes = [0; wyelog_protocol::record::MAX_RECORD_BYTES];
        writer.record(kept.sequence, kept.record.encode(&mut bytes).unwrap()).unwrap();
    }
    writer.end(Extent { boot: 1, oldest: 0, next: numbers.end, refused: 0 }).unwrap();
    writer.into_sink().unwrap()
}

/// Number behind that of the event `count` of a log.
fn behind_events(log: &[u8], count: usize) -> u32 {
    let log = Log::from_source(log).unwrap();
    let is_event = |kept: &&crate::log::Sequenced| matches!(kept.record, Record::Event(_));
    log.records.iter().filter(is_event).nth(count - 1).unwrap().sequence + 1
}

struct Desk {
    folder: TempDir,
}

impl Desk {
    fn new() -> Self {
        Self { folder: TempDir::new().unwrap() }
    }

    fn dir(&self) -> PathBuf {
        self.folder.path().join("store")
    }

    fn store(&self) -> Store {
        Store::open_or_create(&self.dir()).unwrap()
    }

    fn ingest(&self, name: &str, bytes: &[u8]) -> Verdict {
        let path = self.folder.path().join(name);
        fs::write(&path, bytes).unwrap();
        self.store().writer().unwrap().ingest(&path).unwrap().verdict
    }

    fn rows(&self, table: &Table) -> DataFrame {
        self.store().scan(table).unwrap().collect().unwrap()
    }

    fn texts(&self, table: &Table, column: &str) -> Vec<Option<String>> {
        let frame = self.rows(table);
        frame.column(column).unwrap().str().unwrap().iter().map(|text| text.map(str::to_owned)).collect()
    }
}

fn taken(verdict: &Verdict) -> (u64, u64) {
    match verdict {
        Verdict::Taken { records, known, .. } => (*records, *known),
        other => panic!("{other:?}"),
    }
}

#[test]
fn an_empty_store_has_typed_empty_tables() {
    let desk = Desk::new();
    for table in columns::TABLES {
        let frame = desk.rows(table);
        assert_eq!(frame.height(), 0);
        // Every column of the table, and the feeder.
        assert_eq!(frame.width(), table.columns.len() + 1);
    }
}

#[test]
fn the_same_log_twice_changes_nothing() {
    let desk = Desk::new();
    let bytes = log("blown_fuse");
    let records = Log::from_source(bytes.as_slice()).unwrap().records.len() as u64;
    assert!(records > 20, "{records}");
    assert_eq!(taken(&desk.ingest("a.log", &bytes)), (records, 0));
    assert!(matches!(desk.ingest("b.log", &bytes), Verdict::Known));
    // What the fault current did to the feeder, and the fuse.
    let conditions = desk.texts(&EVENTS, "condition").into_iter().flatten().collect::<Vec<_>>();
    assert_eq!(conditions, ["swell", "sag", "sag", "swell", "blown_fuse", "blown_fuse"]);
    assert_eq!(desk.texts(&EVENTS, "phases")[4].as_deref(), Some("B"));
    let raw = desk.dir().join("raw").join(&desk.store().marks()[0].hash).with_extension("log");
    assert_eq!(fs::read(raw).unwrap(), bytes);
}

#[test]
fn overlapping_downloads_are_in_once_and_know_their_bank() {
    let desk = Desk::new();
    let bytes = log("blown_fuse");
    assert_eq!(taken(&desk.ingest("first.log", &part(&bytes, 0..4, "L1"))), (4, 0));
    assert_eq!(taken(&desk.ingest("second.log", &part(&bytes, 2..6, "L1"))), (2, 2));
    // Another download that holds no settings of its own.
    let desk_2 = Desk::new();
    desk_2.ingest("first.log", &part(&bytes, 0..3, "L1"));
    assert_eq!(taken(&desk_2.ingest("second.log", &part(&bytes, 3..6, "L1"))), (3, 0));
    for desk in [desk, desk_2] {
        let numbers: usize = columns::TABLES.iter().map(|table| desk.rows(table).height()).sum();
        assert_eq!(numbers, 6);
        for table in columns::TABLES {
            let banks = desk.texts(table, "bank");
            assert!(banks.iter().all(|bank| bank.as_deref() == Some("Quillmere 3")), "{}", table.name);
        }
    }
}

#[test]
fn a_killed_ingest_leaves_nothing_that_a_query_sees() {
    let desk = Desk::new();
    let bytes = log("blown_fuse");
    desk.ingest("a.log", &part(&bytes, 0..behind_events(&bytes, 4), "L1"));
    let whole = desk.rows(&EVENTS).height();
    // Killed after its tables were written, before its mark; and in the midst of a file.
    let other = Desk::new();
    let bytes = log("interruption");
    other.ingest("b.log", &part(&bytes, 0..behind_events(&bytes, 2), "L2"));
    for mark in other.store().marks() {
        for file in &mark.files {
            fs::create_dir_all(desk.dir().join(file).parent().unwrap()).unwrap();
            fs::copy(other.dir().join(file), desk.dir().join(file)).unwrap();
        }
    }
    fs::write(desk.dir().join("events/_half.parquet"), b"PAR1").unwrap();
    assert_eq!(desk.rows(&EVENTS).height(), whole);
    desk.ingest("c.log", &part(&log("healthy"), 0..9, "L3"));
    assert_eq!(desk.rows(&EVENTS).height(), whole);
    let mut files = Vec::new();
    collect_files(&desk.dir().join("events"), &mut files);
    assert_eq!(files.len(), 1, "{files:?}");
}

#[test]
fn every_record_of_the_bank_has_its_row() {
    use polars::prelude::AnyValue;
    use wyelog_protocol::quantity::PerUnit;
    use wyelog_protocol::record::{BankRecord, BankState, Basis, Quality, Stamp};
    let desk = Desk::new();
    let bytes = log("healthy");
    let mut log = Log::from_source(bytes.as_slice()).unwrap();
    let sequence = log.records.last().unwrap().sequence + 1;
    let record = Record::Bank(BankRecord {
        stamp: Stamp { boot: 1, frame: 480_000, utc_ms: None },
        state: BankState::PartlyClosed,
        connected: [1.01, 0.0, f32::NAN].map(PerUnit::quantise),
        sigma: [0.02, 0.03, f32::NAN].map(PerUnit::quantise),
        quality: Quality {
            difference_sigma: PerUnit::quantise(0.01),
            common_sigma: PerUnit::quantise(0.012),
            common_basis: Basis::Opening,
        },
    });
    let before = desk.rows(&BANK).height();
    let kept = log.records.iter().filter(|kept| matches!(kept.record, Record::Bank(_))).count();
    log.records.push(crate::log::Sequenced { sequence, record });
    let mut writer = LogWriter::new(Vec::new());
    writer.identity(&log.identity.clone().unwrap().message()).unwrap();
    for kept in &log.records {
        let mut bytes = [0; wyelog_protocol::record::MAX_RECORD_BYTES];
        writer.record(kept.sequence, kept.record.encode(&mut bytes).unwrap()).unwrap();
    }
    writer.end(Extent { boot: 1, oldest: 0, next: sequence + 1, refused: 0 }).unwrap();
    desk.ingest("a.log", &writer.into_sink().unwrap());
    let rows = desk.rows(&BANK);
    assert_eq!(rows.height(), before + kept + 1);
    let last = rows.height() - 1;
    let real = |name: &str| rows.column(name).unwrap().f64().unwrap().get(last);
    assert_eq!(
        (real("connected_a"), real("sigma_b_pu"), real("connected_c")),
        (Some(1.01), Some(0.03), None)
    );
    assert_eq!((real("difference_sigma_pu"), real("common_sigma_pu")), (Some(0.01), Some(0.012)));
    let text = |name: &str| rows.column(name).unwrap().str().unwrap().get(last).map(str::to_owned);
    assert_eq!(
        (text("state").as_deref(), text("common_basis").as_deref()),
        (Some("partly_closed"), Some("opening"))
    );
    // The settings in words.
    let settings = desk.rows(&SETTINGS);
    let value = |name: &str| settings.column(name).unwrap().get(0).unwrap().into_static();
    for (name, expected) in [
        ("phases", "ABC"),
        ("switching", "ganged"),
        ("fusing", "group"),
        ("sensor_b", "divider"),
        ("location_c", "line"),
    ] {
        assert_eq!(value(name), AnyValue::StringOwned(expected.into()), "{name}");
    }
    assert_eq!(value("has_contact"), AnyValue::UInt32(1));
    assert!(value("sections_per_unit").is_null() && value("control_power").is_null());
}

/// The page about the tables names every one of them and every column, phases as `_x`.
#[test]
fn the_page_about_the_tables_has_every_column() {
    let page = include_str!("../../STORE.md");
    for table in columns::ALL_TABLES {
        assert!(page.contains(&format!("\n{}/", table.name)), "{}", table.name);
        for (column, _) in table.columns.iter().filter(|(column, _)| !column.contains("_h")) {
            let by_phase = ["_a_", "_b_", "_c_"]
                .iter()
                .fold((*column).to_owned(), |name, phase| name.replace(phase, "_x_"));
            let by_phase = ["_a", "_b", "_c"]
                .iter()
                .find_map(|phase| by_phase.strip_suffix(phase).map(|stem| format!("{stem}_x")))
                .unwrap_or(by_phase);
            let is_named =
                [*column, by_phase.as_str()].iter().any(|name| page.contains(&format!("`{name}`")));
            let is_tail = page.contains("`neutral_phasor_pu`, `_deg`") && column.ends_with("phasor_deg");
            assert!(is_named || is_tail, "{}.{column}", table.name);
        }
    }
}

#[test]
fn feeders_come_from_the_file_that_people_edit() {
    let desk = Desk::new();
    desk.ingest("a.log", &log("blown_fuse"));
    assert_eq!(desk.texts(&EVENTS, "feeder"), [None, None, None, None, None, None]);
    let banks = Banks::new([("Quillmere 3".to_owned(), "Quillmere East".to_owned())]);
    fs::write(desk.dir().join("banks.toml"), banks.text().unwrap()).unwrap();
    assert_eq!(desk.texts(&EVENTS, "feeder")[0].as_deref(), Some("Quillmere East"));
    fs::write(desk.dir().join("banks.toml"), "[[bank]]\nname = \"x\"\nfeder = \"y\"\n").unwrap();
    let error = Store::open(&desk.dir()).unwrap_err().to_string();
    assert!(error.contains("banks.toml") && error.contains("line 3") && error.contains("feder"), "{error}");
}

#[test]
fn two_loggers_with_one_name_are_told() {
    let desk = Desk::new();
    let bytes = log("blown_fuse");
    let end = behind_events(&bytes, 2);
    desk.ingest("a.log", &part(&bytes, 0..end, "L1"));
    let Verdict::Taken { notes, .. } = desk.ingest("b.log", &part(&bytes, 0..end, "L2")) else { panic!() };
    assert!(notes[0].contains("Quillmere 3") && notes[0].contains("L1"), "{notes:?}");
    assert_eq!(desk.rows(&EVENTS).height(), 4);
}

#[test]
fn kvar_is_what_the_formula_gives() {
    let desk = Desk::new();
    desk.ingest("a.log", &log("blown_fuse"));
    let frame = desk.rows(&INTERVALS);
    let real = |name: &str| frame.column(name).unwrap().f64().unwrap().get(0).unwrap();
    for phase in ["a", "b", "c"] {
        let rated = wyelog_electrical::capacitor::delivered(
            real(&format!("connected_{phase}")) as f32,
            real("rated_kvar_phase") as f32,
            (real(&format!("voltage_{phase}_v")) / real("unit_voltage_v")) as f32,
            (real("frequency_hz") / real("rated_hz")) as f32,
        );
        let kvar = real(&format!("kvar_{phase}"));
        assert!((kvar - f64::from(rated)).abs() < 1e-4 * real("rated_kvar_phase"), "{phase}: {kvar} {rated}");
    }
}

#[test]
fn a_folder_that_holds_something_else_is_left_alone() {
    let folder = TempDir::new().unwrap();
    fs::write(folder.path().join("photo.jpg"), b"x").unwrap();
    assert!(matches!(Store::open_or_create(folder.path()), Err(StoreError::NotEmpty { .. })));
    assert!(matches!(Store::open(&folder.path().join("nothing")), Err(StoreError::NoStore { .. })));
}

#[test]
fn only_one_writes_at_a_time() {
    let desk = Desk::new();
    let (mut one, mut other) = (desk.store(), desk.store());
    let writer = one.writer().unwrap();
    assert!(matches!(other.writer(), Err(StoreError::Busy { .. })));
    drop(writer);
    assert!(other.writer().is_ok());
}
