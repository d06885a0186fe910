//! Loggers that the register puts on other banks than their nameplates do.

use super::*;
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
