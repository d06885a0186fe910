//! Alarms as people work through them: hand-worked on a store of invented records.

use std::fs;

use wyelog_protocol::bank::Settings;
use wyelog_protocol::cause::Causes;
use wyelog_protocol::condition::{Change, Condition};
use wyelog_protocol::quantity::{PerUnit, Voltage};
use wyelog_protocol::record::{Event, Evidence, Record, SettingsRecord};

use super::*;
use crate::analysis::alarm_rates::alarm_rates;
use crate::analysis::feeder_events::feeder_events;
use crate::analysis::tests::{Desk, HEALTHY, event, interval, moment, near, settings, stamp};
use crate::analysis::worklist::{COORDINATE, worklist};
use crate::store::Acknowledgement;

/// An occurrence of a condition from a minute on, detected and announced; ended if it has an end.
pub(in crate::analysis) fn occurrence(
    (number, condition, phases): (u32, Condition, &str),
    (begin, end): (f64, Option<f64>),
    volts: [f32; 3],
    fraction: f32,
) -> Vec<Record> {
    let change = |change: Change, at: f64| {
        let Record::Event(template) = event(0, change, begin, None) else { panic!() };
        Record::Event(Event {
            stamp: stamp(at.ceil() as u64),
            occurrence: number,
            condition,
            phases: super::phases(phases),
            fraction: PerUnit::quantise(fraction),
            causes: Causes::new(),
            begin: moment(begin),
            end: end.filter(|_| change == Change::Ended).map(moment),
            evidence: Evidence { voltage: volts.map(Voltage::quantise), ..Evidence::default() },
            ..template
        })
    };
    let mut records = vec![change(Change::Detected, begin), change(Change::Announced, begin + 1.0)];
    records.extend(end.map(|end| change(Change::Ended, end)));
    records
}

/// A bank's log: 600 kvar, so many minutes at rated voltage, and what happened.
pub(in crate::analysis) fn log(bank: &str, minutes: u64, events: &[Vec<Record>]) -> Vec<Record> {
    let Record::Settings(record) = settings(bank) else { panic!() };
    let told = Settings { ..record.settings };
    let mut records = vec![Record::Settings(SettingsRecord { settings: told, ..record })];
    records.extend((1..=minutes).map(|n| interval(n, [7200.0; 3], HEALTHY, 1.0, 0)));
    records.extend(events.concat());
    records
}

fn banks(desk: &Desk, lines: &[(&str, &str, &str)]) {
    let one = |(name, feeder, rest): &(&str, &str, &str)| {
        format!("[[bank]]\nname = \"{name}\"\nfeeder = \"{feeder}\"\n{rest}\n")
    };
    let text: String = lines.iter().map(one).collect();
    fs::write(desk.store().dir().join("banks.toml"), text).unwrap();
}

fn column(frame: &DataFrame, name: &str) -> Vec<String> {
    let cells = Cells(frame);
    (0..cells.rows()).map(|row| cells.text(name, row).unwrap_or_default()).collect()
}

const FUSE: (u32, Condition, &str) = (1, Condition::BlownFuse, "B");

#[test]
fn open_ones_come_first_and_a_note_survives_another_ingest() {
    let ended = occurrence(FUSE, (30.0, Some(40.0)), [7200.0; 3], 1.0);
    let open = occurrence(FUSE, (10.0, None), [7200.0; 3], 1.0);
    let short = occurrence((2, Condition::ElementShort, "A"), (12.0, None), [7200.0; 3], -0.1);
    let logs = [("L1", log("Bank 1", 60, &[ended])), ("L2", log("Bank 2", 60, &[open, short]))];
    let desk = Desk::new();
    for (serial, records) in &logs {
        desk.take(serial, records);
    }
    let book = alarm_book(&desk.store(), &Filter::default()).unwrap();
    assert_eq!(column(&book, "condition"), ["element_short", "blown_fuse", "blown_fuse"]);
    let cells = Cells(&book);
    let open: Vec<bool> = (0..3).map(|row| cells.is_true("is_open", row)).collect();
    assert_eq!(open, [true, true, false]);
    assert_eq!(column(&book, "in_short")[1], "fuse of phase B most likely blown");
    assert!(column(&book, "explanation")[0].contains("10.0 % of the phase's rated capacitance gained"));
    let ids = column(&book, "id");
    assert_eq!(ids.iter().collect::<std::collections::BTreeSet<_>>().len(), 3);
    let mark = Acknowledgement {
        id: ids[1].clone(),
        alarm: String::new(),
        acknowledged: "2030-05-02T00:00:00.000Z".to_owned(),
        note: "crew sent".to_owned(),
    };
    assert!(desk.store().acknowledge(mark).unwrap());
    // The same logs into a new store, the other way round: the same ids, so the file can go along.
    let other = Desk::new();
    for (serial, records) in logs.iter().rev() {
        other.take(serial, records);
    }
    fs::copy(desk.store().dir().join("acknowledged.toml"), other.store().dir().join("acknowledged.toml"))
        .unwrap();
    let again = alarm_book(&other.store(), &Filter::default()).unwrap();
    assert_eq!(column(&again, "id"), ids);
    assert_eq!(column(&again, "note"), ["", "crew sent", ""]);
    let found = find(&other.store(), &Filter::default(), &ids[1][..6]).unwrap();
    assert_eq!(found.len(), 1);
    assert!(found[0].words.starts_with("Bank 2: blown_fuse B"), "{found:?}");
    assert!(find(&other.store(), &Filter::default(), "").unwrap().is_empty());
}

/// A dip of all phases for 0.6 s to a tenth at minute 20, three loggers apart by less than their clocks' errors.
fn storm() -> Desk {
    let desk = Desk::new();
    let dip = |late: f64| {
        let begin = 20.0 + late / 60.0;
        occurrence((1, Condition::Sag, "ABC"), (begin, Some(begin + 0.01)), [720.0; 3], f32::NAN)
    };
    let fuse = occurrence((2, Condition::BlownFuse, "C"), (20.5, None), [7200.0; 3], 1.0);
    desk.take("L1", &log("Bank 1", 60, &[dip(0.0)]));
    desk.take("L2", &log("Bank 2", 60, &[dip(1.5), fuse]));
    desk.take("L3", &log("Bank 3", 60, &[dip(0.5)]));
    desk.take("L4", &log("Bank 4", 60, &[dip(0.0)]));
    banks(
        &desk,
        &[("Bank 1", "East", ""), ("Bank 2", "East", ""), ("Bank 3", "East", ""), ("Bank 4", "West", "")],
    );
    desk
}

#[test]
fn one_event_of_a_feeder_is_one_line_and_says_who_did_not_come_back() {
    let desk = storm();
    let events = feeder_events(&desk.store(), &Filter::default()).unwrap();
    let mut feeders = column(&events, "feeder");
    feeders.sort();
    assert_eq!(feeders, ["East", "West"]);
    let east = column(&events, "feeder").iter().position(|feeder| feeder == "East").unwrap();
    assert_eq!(column(&events, "banks")[east], "Bank 1; Bank 2; Bank 3");
    assert_eq!(column(&events, "did_not_come_back")[east], "Bank 2: blown fuse C");
    assert_eq!(column(&events, "did_not_come_back")[1 - east], "");
    near(&events, "seen_by", east, 3.0);
    near(&events, "feeder_banks", east, 3.0);
    near(&events, "duration_s", east, 0.6);
    near(&events, "spread_s", east, 1.5);
    // 720 V of 12 470/√3.
    near(&events, "voltage_b_pu", east, 720.0 / 7_199.557_856);
    // For people: the fuse, the event of East, that of West.
    let book = alarm_book(&desk.store(), &Filter::default()).unwrap();
    assert_eq!(book.height(), 5);
    let lines = folded(&book).unwrap();
    let mut who = column(&lines, "who");
    assert_eq!(who.remove(0), "Bank 2");
    who.sort();
    assert_eq!(who, ["3 banks", "Bank 4"]);
}

#[test]
fn the_line_of_an_event_is_the_events_and_so_is_its_note() {
    let desk = storm();
    let ask = || alarm_book(&desk.store(), &Filter::default()).unwrap();
    let events = feeder_events(&desk.store(), &Filter::default()).unwrap();
    let east = column(&events, "feeder").iter().position(|feeder| feeder == "East").unwrap();
    let id = column(&events, "id")[east].clone();
    let line = |lines: &DataFrame| column(lines, "id").iter().position(|one| *one == id).unwrap();
    let lines = folded(&ask()).unwrap();
    near(&lines, "duration_s", line(&lines), 0.6);
    let begin = Cells(&events).ms("begin_time", east);
    assert!(begin.is_some());
    assert_eq!(Cells(&lines).ms("begin_time", line(&lines)), begin);
    assert_eq!(Cells(&lines).ms("end_time", line(&lines)), begin.map(|ms| ms + 600));
    // The same book each time.
    for _ in 0..5 {
        assert_eq!(column(&ask(), "id"), column(&ask(), "id"));
    }
    // A note beside one bank's alarm is not one beside the event; one beside the event is beside all.
    let mark = |id: &String| Acknowledgement {
        id: id.clone(),
        note: "storm".to_owned(),
        ..Acknowledgement::default()
    };
    let found = find(&desk.store(), &Filter::default(), &id).unwrap();
    assert_eq!((found.len(), found[0].alarms.len()), (1, 3));
    desk.store().acknowledge(mark(&found[0].alarms[1])).unwrap();
    let lines = folded(&ask()).unwrap();
    assert_eq!(column(&lines, "note")[line(&lines)], "");
    for id in &found[0].alarms {
        desk.store().acknowledge(mark(id)).unwrap();
    }
    let lines = folded(&ask()).unwrap();
    assert_eq!(column(&lines, "note")[line(&lines)], "storm");
}

#[test]
fn a_feeder_counts_an_event_once_and_needs_thirty_days_for_a_rate() {
    let rates = alarm_rates(&storm().store(), &Filter::default()).unwrap();
    let row = |level: &str, feeder: &str| {
        let cells = Cells(&rates);
        (0..cells.rows())
            .find(|row| {
                cells.text("level", *row).as_deref() == Some(level)
                    && cells.text("feeder", *row).as_deref() == Some(feeder)
            })
            .unwrap()
    };
    near(&rates, "voltage_events", row("feeder", "East"), 1.0);
    near(&rates, "log_only", row("feeder", "East"), 3.0);
    near(&rates, "crew", row("feeder", "East"), 1.0);
    near(&rates, "fuse_operations", row("feeder", "East"), 1.0);
    assert_eq!(Cells(&rates).real("crew_per_year", row("feeder", "East")), None);
    assert_eq!(column(&rates, "fuse_phases")[row("feeder", "East")], "C");
}

#[test]
fn what_is_dangerous_comes_before_what_costs() {
    let desk = Desk::new();
    let of =
        |condition, phases, fraction| occurrence((1, condition, phases), (10.0, None), [7200.0; 3], fraction);
    // A shorted element gains kvar; a stuck pole; a whole phase out costs 4800 kvarh a day, a unit out less.
    desk.take("L1", &log("Fuse", 2000, &[of(Condition::BlownFuse, "B", 1.0)]));
    desk.take("L2", &log("Unit", 2000, &[of(Condition::UnitOut, "B", 0.25)]));
    desk.take("L3", &log("Pole", 2000, &[of(Condition::PoleFailedToOpen, "C", f32::NAN)]));
    desk.take("L4", &log("Short", 2000, &[of(Condition::ElementShort, "A", -0.05)]));
    let past = occurrence((1, Condition::Restrike, "A"), (10.0, Some(10.0)), [7200.0; 3], f32::NAN);
    desk.take("L5", &log("Restrike", 2000, &[past]));
    desk.take("L6", &log("Well", 2000, &[]));
    let place = "asset = \"CB-7\"\npole = \"E-12\"\nposition = \"behind the mill\"\nfuse_link = \"40 K\"";
    banks(&desk, &[("Fuse", "East", place), ("Unit", "East", "")]);
    fs::write(
        desk.store().dir().join("fuse_links.toml"),
        "[[link]]\nkvar_per_phase = 200\nsystem_kv = 12.47\nlink = \"30 T\"\n",
    )
    .unwrap();
    let list = worklist(&desk.store(), &Filter::default()).unwrap();
    assert_eq!(column(&list, "bank"), ["Short", "Pole", "Restrike", "Fuse", "Unit"]);
    assert_eq!(column(&list, "hazard"), ["shorted element", "pole stuck closed", "restrike", "", ""]);
    near(&list, "kvarh_lost_per_day", 3, 4800.0);
    near(&list, "kvarh_lost_per_day", 4, 1200.0);
    near(&list, "priority", 4, 1200.0);
    assert_eq!((column(&list, "asset")[3].as_str(), column(&list, "pole")[3].as_str()), ("CB-7", "E-12"));
    assert_eq!(column(&list, "fuse_link")[3], "40 K");
    assert_eq!(column(&list, "fuse_link_from")[3], "installed");
    assert_eq!(column(&list, "fuse_link")[0], "30 T");
    assert_eq!(column(&list, "fuse_link_from")[0], "utility_table");
    assert_eq!(column(&list, "fuse_link_note")[0], COORDINATE);
    assert!(column(&list, "cautions")[0].contains("charged until it is shorted"));
    // Marked, not dropped.
    let id = column(&list, "alarms")[3].clone();
    let mark = Acknowledgement { id, note: "crew on Monday".to_owned(), ..Acknowledgement::default() };
    desk.store().acknowledge(mark).unwrap();
    let list = worklist(&desk.store(), &Filter::default()).unwrap();
    assert_eq!(column(&list, "acknowledged")[3], "crew on Monday");
    assert_eq!(list.height(), 5);
    // The report has the same order.
    let page = crate::report::report(&desk.store(), &Default::default()).unwrap();
    let order: Vec<&str> = page.rows.iter().map(|row| row.bank.as_str()).collect();
    assert_eq!(order, ["Short", "Pole", "Restrike", "Fuse", "Unit", "Well"]);
}
