//! How far records can be relied on, by hand.

use super::*;
use crate::analysis::quality::quality;

fn whole(frame: &DataFrame, column: &str, row: usize) -> u64 {
    let value = frame.column(column).unwrap().get(row).unwrap();
    value.extract::<u64>().unwrap_or_else(|| panic!("{column}: {value}"))
}

#[test]
fn gaps_flags_silence_and_names_are_told() {
    let desk = Desk::new();
    let minute = |n: u64, flagged| interval(n, [7200.0; 3], HEALTHY, 1.0, flagged);
    // 59 minutes of 60 with one flagged: the 31st is missing; then nothing.
    let mut records = vec![settings("Bank 1")];
    records.extend((1..=60).filter(|n| *n != 31).map(|n| minute(n, u16::from(n == 7))));
    desk.take("L1", &records);
    // Two others end two days later, one of them with the first one's name.
    for (serial, bank) in [("L2", "Bank 2"), ("L3", "Bank 1")] {
        let rows = (2881..=2900).map(|n| minute(n, 0));
        desk.take(serial, &std::iter::once(settings(bank)).chain(rows).collect::<Vec<_>>());
    }
    let rows = quality(&desk.store(), &Filter::default()).unwrap();
    // The silent one first.
    assert_eq!(rows.column("device").unwrap().str().unwrap().get(0), Some("L1"));
    assert_eq!(
        rows.column("is_silent").unwrap().bool().unwrap().iter().flatten().filter(|is| *is).count(),
        1
    );
    near(&rows, "silent_hours", 0, 2840.0 / 60.0);
    assert_eq!((whole(&rows, "records", 0), whole(&rows, "intervals", 0)), (60, 59));
    assert_eq!(whole(&rows, "flagged_intervals", 0), 1);
    near(&rows, "flagged_percent", 0, 100.0 / 59.0);
    near(&rows, "covered_hours", 0, 59.0 / 60.0);
    near(&rows, "uncovered_hours", 0, 1.0 / 60.0);
    near(&rows, "longest_gap_hours", 0, 1.0 / 60.0);
    assert_eq!((whole(&rows, "missing_records", 0), whole(&rows, "other_loggers", 0)), (0, 1));
    // Nobody says who set the clock: it counts as a battery-backed one.
    near(&rows, "rtc_percent", 0, 100.0);
    near(&rows, "guessed_percent", 0, 0.0);
    // Only one bank: how silent it is is still measured by all.
    let one = Filter { banks: vec!["Bank 1".into()], ..Filter::default() };
    let rows = quality(&desk.store(), &one).unwrap();
    assert_eq!(rows.height(), 2);
    near(&rows, "silent_hours", 0, 2840.0 / 60.0);
}

#[test]
fn missing_numbers_and_known_records_are_of_all_logs() {
    let desk = Desk::new();
    let minute = |n: u64| interval(n, [7200.0; 3], HEALTHY, 1.0, 0);
    let all: Vec<Record> = std::iter::once(settings("Bank 1")).chain((1..=99).map(minute)).collect();
    desk.take_numbers("L1", "a", &all, |number| number < 40);
    // 20 are in both, 50 to 59 in neither.
    desk.take_numbers("L1", "b", &all, |number| (20..50).contains(&number) || number >= 60);
    let rows = quality(&desk.store(), &Filter::default()).unwrap();
    let of = |name: &str| whole(&rows, name, 0);
    assert_eq!(["logs", "records", "missing_records", "gaps", "known_again"].map(of), [2, 90, 10, 1, 20]);
    assert_eq!(["double_numbers", "overwritten_records", "logs_in_part"].map(of), [0, 0, 1]);
    let unread = rows.column("unread").unwrap().str().unwrap().get(0).unwrap();
    assert_eq!(unread, "records 50 to 59 are lost (10)");
    near(&rows, "uncovered_hours", 0, 10.0 / 60.0);
    // An hour of it: counts of what was measured are of that hour, counts of numbers of everything.
    let at = |minute: i64| Some(START_MS as i64 + minute * 60_000);
    let rows =
        quality(&desk.store(), &Filter { from_ms: at(1), to_ms: at(31), ..Filter::default() }).unwrap();
    assert_eq!((whole(&rows, "intervals", 0), whole(&rows, "missing_records", 0)), (30, 10));
    near(&rows, "uncovered_hours", 0, 0.0);
}

#[test]
fn what_a_logger_says_of_itself_is_counted() {
    use wyelog_protocol::record::{Status, StatusRecord};
    let desk = Desk::new();
    let status = |minute, status| Record::Status(StatusRecord { stamp: stamp(minute), status });
    desk.take(
        "L1",
        &[
            settings("Bank 1"),
            status(1, Status::FramesLost { count: 7 }),
            status(2, Status::FramesLost { count: 3 }),
            status(3, Status::RecordsLost { count: 5 }),
            interval(4, [7200.0; 3], HEALTHY, 1.0, 0),
        ],
    );
    let rows = quality(&desk.store(), &Filter::default()).unwrap();
    let of = |name: &str| whole(&rows, name, 0);
    assert_eq!(["crashes", "lost_frames", "lost_records"].map(of), [0, 10, 5]);
    assert!(rows.column("unread").unwrap().get(0).unwrap().is_null());
}

#[test]
fn a_logger_of_the_register_without_a_log_is_never_heard_from() {
    let desk = Desk::new();
    let minute = |n: u64| interval(n, [7200.0; 3], HEALTHY, 1.0, 0);
    desk.take("L1", &std::iter::once(settings("Bank 1")).chain((1..=60).map(minute)).collect::<Vec<_>>());
    let register = "\
[[bank]]
name = \"Ghost\"
feeder = \"East\"
[[bank.logger]]
device = \"W9999\"
to = 2030-06-01
[[bank.logger]]
device = \"W7777\"
from = 2040-01-01
[[bank]]
name = \"Bank 1\"
feeder = \"West\"
[[bank.logger]]
device = \"L1\"
";
    fs::write(desk.store().dir().join("banks.toml"), register).unwrap();
    let ask = |filter: Filter| quality(&desk.store(), &filter).unwrap();
    let devices = |rows: &DataFrame| -> Vec<String> {
        rows.column("device").unwrap().str().unwrap().iter().flatten().map(str::to_owned).collect()
    };
    let rows = ask(Filter::default());
    // First of all; the one that comes in 2040 has time.
    assert_eq!(devices(&rows), ["W9999", "L1"]);
    let text = |name: &str, row| rows.column(name).unwrap().str().unwrap().get(row);
    assert_eq!([text("heard", 0), text("heard", 1)], [Some("never"), Some("recently")]);
    assert_eq!((text("bank", 0), text("feeder", 0)), (Some("Ghost"), Some("East")));
    assert_eq!((whole(&rows, "records", 0), whole(&rows, "logs", 0)), (0, 0));
    assert!(rows.column("last_time").unwrap().get(0).unwrap().is_null());
    assert_eq!(rows.column("is_silent").unwrap().bool().unwrap().get(0), Some(true));
    // By bank, feeder and range.
    let of = |bank: &str| Filter { banks: vec![bank.into()], ..Filter::default() };
    assert_eq!(devices(&ask(of("Ghost"))), ["W9999"]);
    assert_eq!(devices(&ask(of("Bank 1"))), ["L1"]);
    assert_eq!(devices(&ask(Filter { feeders: vec!["East".into()], ..Filter::default() })), ["W9999"]);
    let july = START_MS as i64 + 61 * 86_400_000;
    assert!(devices(&ask(Filter { from_ms: Some(july), ..Filter::default() })).is_empty());
    let page = |filter: Filter| {
        let options = crate::report::Options { filter, ..Default::default() };
        crate::report::report(&desk.store(), &options).unwrap().html
    };
    assert!(page(Filter::default()).contains("<b>Ghost</b>, feeder East: logger W9999</li></ul>"));
    assert!(!page(of("Bank 1")).contains("Never heard from"));
}
