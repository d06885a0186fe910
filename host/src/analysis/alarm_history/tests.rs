//! Alarms over restarts of their logger and in ranges of time, by hand: 600 kvar, 200 of a phase, at rated voltage.

use wyelog_protocol::condition::Condition;
use wyelog_protocol::record::{Event, Interval, Moment, Record, Stamp};

use super::*;
use crate::analysis::alarm_book::tests::occurrence;
use crate::analysis::alarm_book::{alarm_book, find, folded};
use crate::analysis::alarm_rates::alarm_rates;
use crate::analysis::feeder_events::feeder_events;
use crate::analysis::fleet::fleet;
use crate::analysis::tests::{Desk, HEALTHY, START_MS, interval, near, settings};
use crate::analysis::whatif::{Limit, whatif};
use crate::store::Acknowledgement;

const NO_B: [f32; 3] = [1.0, 0.0, 1.0];
const FUSE: (u32, Condition, &str) = (1, Condition::BlownFuse, "B");
/// Minutes after the first start at which the second and third are.
const STARTS: [u64; 3] = [0, 100, 200];

/// Records as a later start of the logger has them.
fn in_start(number: u32, records: Vec<Record>) -> Vec<Record> {
    let late_ms = STARTS[number as usize - 1] * 60_000;
    let stamp = |stamp: Stamp| Stamp { boot: number, utc_ms: stamp.utc_ms.map(|ms| ms + late_ms), ..stamp };
    let moment = |moment: Moment| Moment { utc_ms: moment.utc_ms.map(|ms| ms + late_ms), ..moment };
    let moved = |record| match record {
        Record::Interval(told) => Record::Interval(Interval { stamp: stamp(told.stamp), ..told }),
        Record::Event(told) => Record::Event(Event {
            stamp: stamp(told.stamp),
            begin: moment(told.begin),
            end: told.end.map(moment),
            ..told
        }),
        _ => panic!("neither an interval nor an event"),
    };
    records.into_iter().map(moved).collect()
}

/// Minutes of a start with these connected capacitances, the first so many of them healthy.
fn minutes(healthy: u64, all: u64) -> Vec<Record> {
    let connected = |minute| if minute <= healthy { HEALTHY } else { NO_B };
    (1..=all).map(|minute| interval(minute, [7200.0; 3], connected(minute), 1.0, 0)).collect()
}

fn fuse(begin: f64, end: Option<f64>) -> Vec<Record> {
    occurrence(FUSE, (begin, end), [7200.0; 3], 1.0)
}

/// The fuse of B blows at minute 30 of the first start, and each of two more finds it so at once.
fn restarted_twice() -> Vec<Record> {
    let again = |number| in_start(number, [minutes(0, 60), fuse(0.003, None)].concat());
    [vec![settings("Bank 1")], minutes(30, 60), fuse(30.0, None), again(2), again(3)].concat()
}

fn cells_of(frame: &DataFrame, column: &str) -> Vec<String> {
    let cells = Cells(frame);
    let shown = |row| {
        cells.text(column, row).or_else(|| cells.ms(column, row).map(|ms| (ms - START_MS as i64).to_string()))
    };
    (0..cells.rows()).map(|row| shown(row).unwrap_or_default()).collect()
}

fn opens(frame: &DataFrame) -> Vec<bool> {
    (0..frame.height()).map(|row| Cells(frame).is_true("is_open", row)).collect()
}

#[test]
fn a_fuse_that_each_start_finds_again_is_one_fuse() {
    let desk = Desk::new();
    desk.take("L1", &restarted_twice());
    let history = alarm_history(&desk.store(), &Filter::default()).unwrap();
    assert_eq!(history.height(), 3);
    // The newest first. It is open once, since the first start: from minute 30 to 260, of which half an hour and two hours
    // less an instant are recorded.
    assert_eq!(opens(&history), [true, false, false]);
    let ids = cells_of(&history, "id");
    assert_eq!(cells_of(&history, "since_id"), vec![ids[2].as_str(); 3]);
    assert_eq!(cells_of(&history, "since_time"), ["1800000"; 3]);
    let instant = 0.003 * 60.0;
    near(&history, "since_duration_s", 0, 230.0 * 60.0);
    near(&history, "since_recorded_s", 0, 9000.0 - 2.0 * instant);
    near(&history, "duration_s", 0, 3600.0 - instant);
    near(&history, "since_kvarh_lost", 0, 200.0 * (2.5 - 2.0 * instant / 3600.0));

    let [row] = &fleet(&desk.store(), &Filter::default()).unwrap()[..] else { panic!() };
    let [alarm] = &row.alarms[..] else { panic!("{:?}", row.alarms) };
    assert!(alarm.is_open && alarm.id == ids[2]);
    assert!((alarm.kvarh_lost_per_day().unwrap() - 4800.0).abs() < 1e-6);
    assert_eq!(alarm.when(), "since 2030-05-01 00:30 UTC");
    assert_eq!(alarm.announced_ms, Some(START_MS as i64 + 31 * 60_000));

    let rates = alarm_rates(&desk.store(), &Filter::default()).unwrap();
    near(&rates, "fuse_operations", 0, 1.0);
    let lines = folded(&alarm_book(&desk.store(), &Filter::default()).unwrap()).unwrap();
    assert_eq!(cells_of(&lines, "id"), [ids[2].as_str()]);
    near(&lines, "duration_s", 0, 230.0 * 60.0);
    // Whichever id is given: it is that alarm.
    for id in &ids {
        let found = find(&desk.store(), &Filter::default(), id).unwrap();
        assert_eq!((found.len(), &found[0].id, found[0].alarms.len()), (1, &ids[2], 1));
    }
}

#[test]
fn a_fuse_that_blows_again_after_it_was_mended_is_a_second_one() {
    let desk = Desk::new();
    // Replaced while the logger was off: ten minutes carry.
    let second = in_start(2, [minutes(10, 60), fuse(10.0, None)].concat());
    desk.take("L1", &[vec![settings("Bank 1")], minutes(30, 60), fuse(30.0, None), second].concat());
    let history = alarm_history(&desk.store(), &Filter::default()).unwrap();
    assert_eq!(opens(&history), [true, false]);
    assert_eq!(cells_of(&history, "since_id"), cells_of(&history, "id"));
    near(&history, "since_duration_s", 0, 3000.0);
    near(&history, "since_kvarh_lost", 1, 100.0);
    let rates = alarm_rates(&desk.store(), &Filter::default()).unwrap();
    near(&rates, "fuse_operations", 0, 2.0);
    let [row] = &fleet(&desk.store(), &Filter::default()).unwrap()[..] else { panic!() };
    assert_eq!((row.alarms.len(), row.open().len()), (2, 1));
}

#[test]
fn what_is_lost_besides_takes_the_earlier_up_and_another_phase_does_not() {
    let of = |number, phases, begin| {
        occurrence((number, Condition::BlownFuse, phases), (begin, None), [7200.0; 3], 1.0)
    };
    let short = |begin| occurrence((2, Condition::ElementShort, "C"), (begin, None), [7200.0; 3], -0.1);
    let with = |second: Vec<Record>| {
        let desk = Desk::new();
        let second = in_start(2, [minutes(0, 60), second].concat());
        let first = [minutes(30, 60), fuse(30.0, None), short(40.0)].concat();
        desk.take("L1", &[vec![settings("Bank 1")], first, second].concat());
        let history = alarm_history(&desk.store(), &Filter::default()).unwrap();
        let told = |row| (Cells(&history).text("condition", row), Cells(&history).text("phases", row));
        let open = (0..history.height()).filter(|row| Cells(&history).is_true("is_open", *row));
        let mut open: Vec<String> =
            open.map(told).map(|(what, where_)| format!("{} {}", what.unwrap(), where_.unwrap())).collect();
        open.sort();
        open
    };
    assert_eq!(with(of(1, "AB", 0.0)), ["blown_fuse AB", "element_short C"]);
    assert_eq!(with(of(1, "A", 0.0)), ["blown_fuse A", "blown_fuse B", "element_short C"]);
    let missing = occurrence((1, Condition::PhaseMissingAtClose, "B"), (50.0, None), [7200.0; 3], 1.0);
    assert_eq!(with(missing), ["element_short C", "phase_missing_at_close B"]);
    // A shorted element is the same within an hour of the start; later it may be another.
    let begun_soon = [of(1, "B", 0.0), short(20.0)].concat();
    assert_eq!(with(begun_soon), ["blown_fuse B", "element_short C"]);
    let begun_late = [of(1, "B", 0.0), short(61.0)].concat();
    assert_eq!(with(begun_late), ["blown_fuse B", "element_short C", "element_short C"]);
}

#[test]
fn a_range_says_what_was_known_at_its_end() {
    let desk = Desk::new();
    let records = [vec![settings("Bank 1")], minutes(30, 60), fuse(30.0, Some(40.5))].concat();
    desk.take("L1", &records);
    let at = |from: Option<u64>, to: Option<u64>| {
        let ms = |minute: u64| (START_MS + minute * 60_000) as i64;
        let filter = Filter { from_ms: from.map(ms), to_ms: to.map(ms), ..Filter::default() };
        alarm_history(&desk.store(), &filter).unwrap()
    };
    // Announced in minute 31, ended in minute 41.
    let whole = at(None, None);
    assert_eq!((opens(&whole), cells_of(&whole, "end_time")), (vec![false], vec!["2430000".to_owned()]));
    near(&whole, "kvarh_lost", 0, 35.0);
    let begun = at(None, Some(31));
    assert_eq!((opens(&begun), cells_of(&begun, "announced_time")), (vec![true], vec![String::new()]));
    let open = at(Some(33), Some(36));
    assert_eq!((opens(&open), cells_of(&open, "end_time")), (vec![true], vec![String::new()]));
    assert!(Cells(&open).is_true("is_announced", 0));
    // Up to the last minute that ends before the range does.
    near(&open, "duration_s", 0, 300.0);
    near(&open, "kvarh_lost", 0, 200.0 / 12.0);
    assert_eq!(at(None, Some(30)).height(), 0);
    assert_eq!(at(Some(40), None).height(), 1);
    assert_eq!(at(Some(41), None).height(), 0);
}

#[test]
fn an_alarm_that_began_before_the_range_is_no_false_call() {
    let desk = Desk::new();
    let lost = |record| match record {
        Record::Interval(told) if told.connected[1].steps() == Some(0) => {
            Record::Interval(Interval { residual: wyelog_protocol::quantity::PerUnit::quantise(1.0), ..told })
        }
        other => other,
    };
    let records = [vec![settings("Bank 1")], minutes(30, 60), fuse(30.0, None)].concat();
    desk.take("L1", &records.into_iter().map(lost).collect::<Vec<_>>());
    let limits = [Limit { residual_pu: 0.25, persistence_s: 60.0 }];
    let from = Some((START_MS + 45 * 60_000) as i64);
    let answer = whatif(&desk.store(), &Filter { from_ms: from, ..Filter::default() }, &limits).unwrap();
    near(&answer, "caught", 0, 1.0);
    near(&answer, "false_calls", 0, 0.0);
    // It was called before; when, the range does not say.
    assert_eq!(Cells(&answer).real("delay_s", 0), None);
    // Three starts have one alarm.
    let desk = Desk::new();
    desk.take("L1", &restarted_twice().into_iter().map(lost).collect::<Vec<_>>());
    let answer = whatif(&desk.store(), &Filter::default(), &limits).unwrap();
    near(&answer, "alarms", 0, 1.0);
    near(&answer, "caught", 0, 1.0);
    near(&answer, "calls", 0, 3.0);
    near(&answer, "false_calls", 0, 0.0);
    near(&answer, "delay_s", 0, 60.0);
}

#[test]
fn a_logger_that_moves_leaves_its_alarm_behind() {
    let desk = Desk::new();
    desk.take("L1", &restarted_twice());
    let register = "bank,device,from,to\nBank 1,L1,,2030-05-01T01:30:00\nBank 2,L1,2030-05-01T01:30:00,\n";
    std::fs::write(desk.store().dir().join("banks.csv"), register).unwrap();
    let store = desk.store();
    let history = alarm_history(&store, &Filter::default()).unwrap();
    assert_eq!(cells_of(&history, "bank"), ["Bank 2", "Bank 2", "Bank 1"]);
    // Bank 1 still has it; at Bank 2 two starts found one.
    assert_eq!(opens(&history), [true, false, true]);
    let ids = cells_of(&history, "id");
    assert_eq!(cells_of(&history, "since_id"), [&ids[1][..], &ids[1], &ids[2]]);
    // The same whether one bank is asked for or all.
    let other = Filter { banks: vec!["Bank 2".to_owned()], ..Filter::default() };
    let alone = alarm_history(&store, &other).unwrap();
    assert_eq!(cells_of(&alone, "since_id"), cells_of(&history, "since_id")[..2]);
    near(&alone, "since_kvarh_lost", 0, 200.0 * (2.0 - 2.0 * 0.003 / 60.0));
    let rates = alarm_rates(&store, &Filter::default()).unwrap();
    near(&rates, "fuse_operations", 0, 1.0);
    near(&rates, "fuse_operations", 1, 1.0);
}

#[test]
fn it_is_announced_if_any_start_announced_it_and_its_time_is_the_first_ones() {
    let without = |records: Vec<Record>| -> Vec<Record> {
        let is_announced = |record: &Record| matches!(record, Record::Event(told) if told.change == wyelog_protocol::condition::Change::Announced);
        records.into_iter().filter(|record| !is_announced(record)).collect()
    };
    let ask = |first: Vec<Record>, second: Vec<Record>| {
        let desk = Desk::new();
        let second = in_start(2, [minutes(0, 2), second].concat());
        desk.take("L1", &[vec![settings("Bank 1")], minutes(30, 31), first, second].concat());
        let [row] = &fleet(&desk.store(), &Filter::default()).unwrap()[..] else { panic!() };
        let [alarm] = &row.alarms[..] else { panic!() };
        let lines = folded(&alarm_book(&desk.store(), &Filter::default()).unwrap()).unwrap();
        let told = cells_of(&lines, "announced_time").remove(0);
        (alarm.has_announcement, alarm.announced_ms.map(|ms| (ms - START_MS as i64).to_string()), told)
    };
    let first = ask(fuse(30.0, None), without(fuse(0.003, None)));
    assert_eq!(first, (true, Some("1860000".to_owned()), "1860000".to_owned()));
    let second = ask(without(fuse(30.0, None)), fuse(0.003, None));
    assert_eq!(second, (true, Some("6120000".to_owned()), "6120000".to_owned()));
    let neither = ask(without(fuse(30.0, None)), without(fuse(0.003, None)));
    assert_eq!(neither, (false, None, String::new()));
}

#[test]
fn a_note_beside_any_start_is_the_alarms_and_the_newest_counts() {
    let desk = Desk::new();
    desk.take("L1", &restarted_twice());
    let ids = cells_of(&alarm_history(&desk.store(), &Filter::default()).unwrap(), "id");
    let mark = |id: &str, day: u32, note: &str| {
        let acknowledged = format!("2030-05-{day:02}T00:00:00.000Z");
        let mark =
            Acknowledgement { id: id.to_owned(), acknowledged, note: note.to_owned(), ..Default::default() };
        desk.store().acknowledge(mark).unwrap();
    };
    let note = || {
        let [row] = &fleet(&desk.store(), &Filter::default()).unwrap()[..] else { panic!() };
        let lines = folded(&alarm_book(&desk.store(), &Filter::default()).unwrap()).unwrap();
        assert_eq!(row.alarms[0].note.clone().unwrap_or_default(), cells_of(&lines, "note")[0]);
        row.alarms[0].note.clone()
    };
    mark(&ids[1], 3, "beside the second");
    assert_eq!(note().as_deref(), Some("beside the second"));
    mark(&ids[2], 4, "newer");
    assert_eq!(note().as_deref(), Some("newer"));
    mark(&ids[0], 2, "older");
    assert_eq!(note().as_deref(), Some("newer"));
    let found = find(&desk.store(), &Filter::default(), &ids[0]).unwrap();
    assert_eq!((&found[0].alarms, found[0].later.len()), (&vec![ids[2].clone()], 2));
    for id in found[0].alarms.iter().chain(&found[0].later) {
        desk.store().withdraw(id).unwrap();
    }
    assert_eq!(note(), None);
}

#[test]
fn who_did_not_come_back_is_told_by_when_it_was_first_found() {
    let dip = |number, begin: f64| {
        occurrence((number, Condition::Sag, "ABC"), (begin, Some(begin + 0.01)), [720.0; 3], f32::NAN)
    };
    // A dip blows the fuse; later than the clocks may be wrong the logger is off for a dip, and finds the fuse so.
    let again = in_start(3, [minutes(0, 60), dip(1, 0.001), fuse(0.003, None)].concat());
    let desk = Desk::new();
    let first = [minutes(30, 60), dip(2, 29.99), fuse(30.0, None)].concat();
    desk.take("L1", &[vec![settings("Bank 1")], first, again].concat());
    let events = feeder_events(&desk.store(), &Filter::default()).unwrap();
    // The newest first.
    assert_eq!(cells_of(&events, "did_not_come_back"), ["", "Bank 1: blown fuse B"]);
}

#[test]
fn two_phases_that_are_found_together_were_lost_one_after_the_other() {
    let of = |number, phases, begin| {
        occurrence((number, Condition::BlownFuse, phases), (begin, None), [7200.0; 3], 1.0)
    };
    let desk = Desk::new();
    let first = [minutes(60, 60), of(1, "B", 30.0), of(2, "C", 40.0)].concat();
    let neither = (1..=60).map(|minute| interval(minute, [7200.0; 3], [1.0, 0.0, 0.0], 1.0, 0)).collect();
    let second = in_start(2, [neither, of(1, "BC", 0.0)].concat());
    desk.take("L1", &[vec![settings("Bank 1")], first, second].concat());
    let [row] = &fleet(&desk.store(), &Filter::default()).unwrap()[..] else { panic!() };
    // B half an hour, C twenty minutes, both an hour.
    let [alarm] = &row.alarms[..] else { panic!("{:?}", row.alarms) };
    assert_eq!(alarm.begin.utc_ms, Some(START_MS + 30 * 60_000));
    assert!((alarm.kvarh_lost.unwrap() - (100.0 + 200.0 / 3.0 + 400.0)).abs() < 1e-6);
}
