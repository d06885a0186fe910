//! What it does while its store changes.

use std::fs;

use wyelog_desk_tests::fabricate::Fabricated;
use wyelog_desk_tests::serving::{Served, desk};
use wyelog_desk_tests::wyelog_in;

use super::{BLOWN, DEAD_LEAD, WELL, fleet, shown};

/// A page that is open for days keeps no file in place that has been put together with others, and goes on.
#[test]
fn files_are_put_together_below_an_open_page() {
    let folder = fleet();
    let served = Served::ready(folder.path(), &[]);
    let bank = "/bank?bank=Alder+1&from=2030-05-02&to=2030-05-03";
    let before = served.get(bank);
    assert_eq!(before.status, 200);
    let small = || {
        let mut files = Vec::new();
        wyelog::store::collect_files(&folder.path().join("desk/settings"), &mut files);
        files.iter().filter(|file| !file.to_string_lossy().contains("compacted")).count()
    };
    assert_eq!(small(), 3);
    let ended = wyelog_in(folder.path(), &["compact", "--store", "desk"]);
    assert_eq!((ended.code, small()), (Some(0), 0), "{ended:?}");
    for target in [bank, "/bank?bank=Alder+9", "/", "/?to=2030-05-03"] {
        assert_eq!(served.get(target).status, 200, "{target}");
    }
    assert_eq!(shown(&served.get(bank)), shown(&before));
}

/// Sums of many rows differ in the last digits by the order in which threads bring them; slopes of what stands still are nothing
/// but that.
fn to_nine_digits(rows: &impl std::fmt::Debug) -> Vec<String> {
    let number = |line: &str| line.trim().trim_end_matches(',').parse::<f64>().ok();
    let number = |line: &str| number(line).map(|number| if number.abs() < 1e-9 { 0.0 } else { number });
    let rounded = |line: &str| number(line).map_or_else(|| line.to_owned(), |number| format!("{number:.8e}"));
    format!("{rows:#?}").lines().map(rounded).collect()
}

#[test]
fn reading_one_loggers_rows_anew_is_as_good_as_reading_all() {
    use wyelog::analysis::Filter;
    use wyelog::analysis::fleet::{fleet, fleet_after};
    use wyelog::store::Store;
    // Its records end days before the others' once theirs go on.
    let silent = Fabricated { serial: "L4", bank: "Birch 4", intervals: 700, ..WELL };
    let first = [WELL, BLOWN, DEAD_LEAD].map(|bank| Fabricated { intervals: 720, ..bank });
    let folder = desk(first.iter().chain([&silent]).map(Fabricated::log));
    let open = || Store::open(&folder.path().join("desk")).unwrap();
    let mut rows = fleet(&open(), &Filter::default()).unwrap();
    // Later downloads have all that there was before; a logger is new.
    let new = Fabricated { serial: "L0", bank: "Elm", ..BLOWN };
    for bank in [BLOWN, DEAD_LEAD, WELL, new] {
        fs::write(folder.path().join("later.log"), bank.log()).unwrap();
        let ended = wyelog_in(folder.path(), &["ingest", "later.log", "--store", "desk"]);
        assert_eq!(ended.code, Some(0), "{ended:?}");
        rows = fleet_after(&open(), rows, bank.serial).unwrap();
        let all = fleet(&open(), &Filter::default()).unwrap();
        assert_eq!(to_nine_digits(&rows), to_nine_digits(&all), "{}", bank.bank);
    }
    let birch = rows.iter().find(|row| row.bank == "Birch 4").unwrap();
    assert!(format!("{:?}", birch.observations).contains("Silent"), "{birch:?}");
}
