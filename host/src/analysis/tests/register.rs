//! Loggers that the register puts on other banks than their nameplates do.

use super::*;
use crate::analysis::cells::Cells;
use crate::analysis::register::register;
use crate::store::{Compaction, INTERVALS, TABLES};

/// A logger's log: a minute an interval, from one minute to another.
fn log(name: &str, minutes: std::ops::RangeInclusive<u64>) -> Vec<Record> {
    let rows = minutes.map(|n| interval(n, [7200.0; 3], HEALTHY, 1.0, 0));
    [settings(name)].into_iter().chain(rows).collect()
}

/// Four loggers: `D2` and `D3` say one name, `D1` says another, which no register changes, and `D4` none at all.
fn desk() -> Desk {
    let desk = Desk::new();
    for (serial, name) in [("D1", "Alder"), ("D2", "Birch"), ("D3", "Birch"), ("D4", "")] {
        desk.take(serial, &log(name, 1..=10));
    }
    desk
}

/// `D2` hung on Cedar from minute 3 to 6 and on Alder from 8 on, `D4` on Cedar since minute 7.
const MOVED: &str = "bank,feeder,device,from,to
Alder,North,D2,2030-05-01T00:08,
Cedar,South,D2,2030-05-01T00:03,2030-05-01T00:06
Cedar,,D4,2030-05-01T00:07,
";

fn filter(banks: &[&str], feeders: &[&str]) -> Filter {
    let owned = |names: &[&str]| names.iter().map(|name| (*name).to_owned()).collect();
    Filter { banks: owned(banks), feeders: owned(feeders), ..Filter::default() }
}

/// Banks, feeders and ranges to ask for.
fn filters() -> Vec<Filter> {
    let minute = |minute: u64| Some(i64::try_from(START_MS + minute * 60_000).unwrap());
    let names: [&[&str]; 6] = [&["Alder"], &["Birch"], &["Cedar"], &[""], &["Birch", "Cedar"], &["Nowhere"]];
    let mut filters: Vec<Filter> = names.map(|names| filter(names, &[])).to_vec();
    filters.extend([filter(&[], &["North"]), filter(&[], &["North", "South"]), filter(&[], &["Nowhere"])]);
    filters.extend([filter(&["Cedar"], &["North"]), filter(&["Cedar"], &["South"]), Filter::default()]);
    let ranged = |filter: &Filter| Filter { from_ms: minute(4), to_ms: minute(9), ..filter.clone() };
    filters.extend(filters.clone().iter().map(ranged));
    filters
}

#[test]
fn a_filter_reads_what_it_must_and_finds_what_it_did() {
    for register in ["bank,feeder\nAlder,North\nBirch,South\n", MOVED] {
        let desk = desk();
        fs::write(desk.folder.path().join("store/banks.csv"), register).unwrap();
        let agree = || {
            let store = desk.store();
            for (table, filter) in
                TABLES.iter().flat_map(|table| filters().into_iter().map(move |of| (table, of)))
            {
                let sorted = |rows: LazyFrame| {
                    rows.sort(["device", "sequence"], Default::default()).collect().unwrap()
                };
                let all = sorted(filter.apply(store.scan(table).unwrap(), "time"));
                let pruned = sorted(filter.scan(&store, table, "time").unwrap());
                assert!(pruned.equals_missing(&all), "{} {filter:?}: {pruned:?}, not {all:?}", table.name);
            }
        };
        agree();
        desk.store().writer().unwrap().compact(&Compaction::NOW, &mut |_| ()).unwrap();
        agree();
    }
}

/// What of the plan of a question stands at the reading of the files: how many of them, and by what rows are picked there.
fn reads(desk: &Desk, filter: &Filter) -> (usize, String) {
    let plan = filter.rows(&desk.store(), &INTERVALS, "time").unwrap().explain(true).unwrap();
    let files = plan.matches(".parquet").count();
    let selection =
        plan.lines().find(|line| line.trim_start().starts_with("SELECTION")).unwrap_or("").to_owned();
    (files, selection)
}

#[test]
fn a_register_that_renames_keeps_row_groups_unread() {
    let desk = desk();
    fs::write(desk.folder.path().join("store/banks.csv"), MOVED).unwrap();
    // Nothing of Birch and Alder is in the files of D4, nor anything of Cedar in those of D1 and D3.
    let (files, selection) = reads(&desk, &filter(&["Cedar"], &[]));
    assert_eq!(files, 2);
    assert!(
        selection.contains("col(\"bank\").is_in") && selection.contains("col(\"device\").is_in"),
        "{selection}"
    );
    assert_eq!(reads(&desk, &filter(&[], &["Nowhere"])).0, 0);
    // Compacted, the rows of all of them are in one file, sorted by the names that are stored.
    desk.store().writer().unwrap().compact(&Compaction::NOW, &mut |_| ()).unwrap();
    let (files, selection) = reads(&desk, &filter(&[], &["South"]));
    assert_eq!(files, 1);
    assert!(
        selection.contains("col(\"bank\").is_in") && selection.contains("col(\"device\").is_in"),
        "{selection}"
    );
    // The rows of one logger are found by the name that it gave them.
    let plan = desk.store().of_device("D2").scan(&INTERVALS).unwrap().explain(true).unwrap();
    assert!(
        plan.lines().any(|line| line.contains("SELECTION") && line.contains("col(\"bank\").is_in")),
        "{plan}"
    );
}

/// Bank, logger, who says so, and minutes of the first and the last interval.
type Line = (String, Option<String>, Option<String>, Option<i64>, Option<i64>);

fn lines(desk: &Desk, filter: &Filter) -> Vec<Line> {
    let frame = register(&desk.store(), filter).unwrap();
    let cells = Cells(&frame);
    let minute = |name: &str, row| Some((cells.ms(name, row)? - START_MS as i64) / 60_000);
    let line = |row| {
        let text = |name| cells.text(name, row);
        let (first, last) = (minute("first_time", row), minute("last_time", row));
        (text("bank").unwrap(), text("device"), text("source"), first, last)
    };
    (0..cells.rows()).map(line).collect()
}

#[test]
fn each_stay_of_a_logger_has_its_own_first_and_last_interval() {
    let desk = Desk::new();
    // Minutes 1 to 20 of R1, which is Birch by its nameplate, of 600 kvar until minute 9 and then of 300.
    let mut records = log("Birch", 1..=20);
    let Record::Settings(mut half) = settings("Birch") else { panic!() };
    half.stamp = stamp(9);
    half.settings.nameplate.rated_power = ReactivePower::quantise(300.0);
    records.insert(9, Record::Settings(half));
    desk.take("R1", &records).take("R2", &log("Birch", 1..=20));
    // R1: 1 and 2 on Birch by the nameplate; 3 to 5 on Cedar; 6 to 8 on Birch; 9 to 11 on Alder; 12 to 14 on Cedar again; 15 and 16 by
    // the nameplate; from 17 on Birch again. It has not come to Alder a second time yet. R2 hung on Elm throughout.
    let csv = "bank,device,from,to
Cedar,R1,2030-05-01T00:03,2030-05-01T00:06
Cedar,R1,2030-05-01T00:12,2030-05-01T00:15
Birch,R1,2030-05-01T00:06,2030-05-01T00:09
Birch,R1,2030-05-01T00:17,2031-01-01
Alder,R1,2030-05-01T00:09,2030-05-01T00:12
Alder,R1,2031-01-01,
Elm,R2,,
";
    let path = desk.folder.path().join("store/banks.csv");
    fs::write(&path, csv).unwrap();
    let all = |last: u64| {
        let by = |bank: &str, device: &str, source: &str, span: Option<(i64, i64)>| {
            let texts = (Some(device.to_owned()), Some(source.to_owned()));
            (bank.to_owned(), texts.0, texts.1, span.map(|span| span.0), span.map(|span| span.1))
        };
        let last = i64::try_from(last).unwrap();
        vec![
            by("Alder", "R1", "register", Some((9, 11))),
            by("Alder", "R1", "register", None),
            by("Birch", "R1", "nameplate", Some((1, 16))),
            by("Birch", "R1", "register", Some((6, 8))),
            by("Birch", "R1", "register", Some((17, last))),
            by("Cedar", "R1", "register", Some((3, 5))),
            by("Cedar", "R1", "register", Some((12, 14))),
            by("Elm", "R2", "register", Some((1, last))),
        ]
    };
    assert_eq!(lines(&desk, &Filter::default()), all(20));
    let range = Filter { to_ms: Some(START_MS as i64 + 19 * 60_000), ..Filter::default() };
    assert_eq!(lines(&desk, &range), all(18));
    assert_eq!(lines(&desk, &filter(&["Cedar"], &[])), all(20)[5..7]);
    // Each stay has the nameplate of its own time: on Birch 600 kvar first, and 300 since it came back; where no settings came with it,
    // those that it had there before.
    let frame = register(&desk.store(), &Filter::default()).unwrap();
    let kvar: Vec<Option<f64>> = (0..8).map(|row| real(&frame, "rated_kvar", row)).collect();
    assert_eq!(kvar[0..2], [Some(300.0), Some(300.0)]);
    assert_eq!(kvar[3..5], [Some(600.0), Some(600.0)]);
    assert_eq!(kvar[7], Some(600.0));
    // What is written is read again, and says the same: a nameplate is no entry.
    let mut frame = frame;
    fs::write(&path, crate::tables::to_csv(&mut frame).unwrap()).unwrap();
    assert_eq!(
        desk.store().problems().iter().map(ToString::to_string).collect::<Vec<_>>(),
        Vec::<String>::new()
    );
    assert_eq!(lines(&desk, &Filter::default()), all(20));
}
