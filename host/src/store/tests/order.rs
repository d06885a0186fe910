//! Files go in in the order of what is in them, whatever they are called.

use super::*;

/// Puts these files into a folder and ingests them in one call, by their names.
fn ingest_all(desk: &Desk, files: &[(&str, Vec<u8>)]) -> Vec<(String, Verdict)> {
    let folder = desk.folder.path().join("downloads");
    fs::create_dir_all(&folder).unwrap();
    for (name, bytes) in files {
        fs::write(folder.join(name), bytes).unwrap();
    }
    let mut paths = Vec::new();
    collect_files(&folder, &mut paths);
    let mut told = Vec::new();
    let name = |path: &Path| path.file_name().unwrap().to_string_lossy().into_owned();
    desk.store()
        .writer()
        .unwrap()
        .ingest_all(&paths, &mut |one| told.push((name(&one.path), one.verdict)))
        .unwrap();
    told
}

#[test]
fn a_log_goes_in_behind_the_one_before_it() {
    let desk = Desk::new();
    let bytes = log("blown_fuse");
    // The settings are in the first one, which is the last by its name.
    let parts = [("c.log", 0..3), ("b.log", 3..5), ("a.log", 5..9)];
    let files: Vec<(&str, Vec<u8>)> =
        parts.into_iter().map(|(name, numbers)| (name, part(&bytes, numbers, "L1"))).collect();
    let told = ingest_all(&desk, &files);
    let names: Vec<&str> = told.iter().map(|(name, _)| name.as_str()).collect();
    assert_eq!(names, ["c.log", "b.log", "a.log"]);
    for table in columns::TABLES {
        let banks = desk.texts(table, "bank");
        assert!(banks.iter().all(|bank| bank.as_deref() == Some("Quillmere 3")), "{}: {banks:?}", table.name);
    }
}

#[test]
fn logs_of_different_loggers_stay_mixed_and_what_is_no_log_stays_in_its_place() {
    let desk = Desk::new();
    let bytes = log("blown_fuse");
    // The first piece is damaged: they are of nobody, and come last.
    let of_nobody = |numbers| {
        let mut part = part(&bytes, numbers, "L1");
        part[4] ^= 1;
        part
    };
    let files = [
        ("1", part(&bytes, 3..6, "L1")),
        ("2", b"no log".to_vec()),
        ("3", part(&bytes, 2..4, "L2")),
        ("0", of_nobody(4..6)),
        ("6", of_nobody(0..6)),
        ("4", part(&bytes, 0..3, "L1")),
        ("5", part(&bytes, 0..2, "L2")),
    ];
    let told = ingest_all(&desk, &files);
    let names: Vec<&str> = told.iter().map(|(name, _)| name.as_str()).collect();
    assert_eq!(names, ["4", "2", "5", "1", "3", "6", "0"]);
}

/// What host/STORE.md says of a store that an older program made.
#[test]
fn the_raw_logs_of_a_store_make_the_same_store() {
    let desk = Desk::new();
    let bytes = log("blown_fuse");
    for first in 0..6 {
        desk.ingest(&format!("{first}.log"), &part(&bytes, first..first + 1, "L1"));
    }
    let mut raw = Vec::new();
    collect_files(&desk.dir().join("raw"), &mut raw);
    assert_eq!(raw.len(), 6);
    let other = Desk::new();
    other.store().writer().unwrap().ingest_all(&raw, &mut |_| {}).unwrap();
    for table in columns::TABLES {
        let rows = |desk: &Desk| {
            let rows = desk.rows(table).lazy().sort(["sequence"], Default::default());
            rows.collect().unwrap()
        };
        assert!(rows(&desk).equals_missing(&rows(&other)), "{}", table.name);
    }
}
