//! Many files become few, and nothing is lost.

use polars::prelude::{ParquetReader, ParquetWriter, SerReader};

use super::*;

/// Every row of a table, sorted, as CSV.
fn content(desk: &Desk, table: &Table) -> String {
    use polars::prelude::SortMultipleOptions;
    let names: Vec<&str> = table.columns.iter().map(|(name, _)| *name).collect();
    let frame = desk.rows(table).select(names.clone()).unwrap();
    let mut frame = frame.sort(names, SortMultipleOptions::default()).unwrap();
    String::from_utf8(crate::tables::to_csv(&mut frame).unwrap()).unwrap()
}

fn contents(desk: &Desk) -> Vec<String> {
    columns::TABLES.iter().map(|table| content(desk, table)).collect()
}

fn files(desk: &Desk, folder: &str) -> Vec<PathBuf> {
    let mut files = Vec::new();
    collect_files(&desk.dir().join(folder), &mut files);
    files
}

/// A store of the halves of two logs.
fn halves() -> Desk {
    let desk = Desk::new();
    for (name, trial, serial) in [("a", "blown_fuse", "L1"), ("b", "healthy", "L2")] {
        let bytes = log(trial);
        let end = Log::from_source(bytes.as_slice()).unwrap().records.last().unwrap().sequence + 1;
        desk.ingest(&format!("{name}1.log"), &part(&bytes, 0..end / 2, serial));
        desk.ingest(&format!("{name}2.log"), &part(&bytes, end / 3..end, serial));
    }
    desk
}

#[test]
fn compacted_is_the_same_content_in_one_sorted_file() {
    let desk = halves();
    let before = contents(&desk);
    let device =
        |desk: &Desk| desk.store().of_device("L2").scan(&INTERVALS).unwrap().collect().unwrap().height();
    let of_device = device(&desk);
    assert!(of_device > 0 && of_device < desk.rows(&INTERVALS).height());
    let mut told = Vec::new();
    let mut store = desk.store();
    store.writer().unwrap().compact(&Compaction::NOW, &mut |one| told.push(one.clone())).unwrap();
    assert!(
        told.iter().any(|one| one.folder == "status" && one.before.0 > 1 && one.after.0 == 1),
        "{told:?}"
    );
    // This store too knows the new files, and they are all there is.
    assert_eq!(store.scan(&STATUS).unwrap().collect().unwrap().height(), desk.rows(&STATUS).height());
    assert_eq!(files(&desk, "status").len(), 1);
    drop(store);
    assert_eq!((contents(&desk), device(&desk)), (before.clone(), of_device));
    assert_eq!(desk.store().of_device("L2").scan_each(&STATUS).unwrap().len(), 1);
    let sorted = desk.rows(&EVENTS);
    let keys = sorted.select(["bank", "time", "device", "boot", "frame", "sequence"]).unwrap();
    let again =
        keys.sort(["bank", "time", "device", "boot", "frame", "sequence"], Default::default()).unwrap();
    assert!(keys.equals_missing(&again));
    // What is in is known: nothing comes twice. What comes later is put together with the rest.
    let whole = log("blown_fuse");
    let records = Log::from_source(whole.as_slice()).unwrap().records.len() as u64;
    assert_eq!(taken(&desk.ingest("whole.log", &part(&whole, 0..u32::MAX, "L1"))), (0, records));
    assert_eq!(contents(&desk), before);
    desk.ingest("other.log", &part(&whole, 0..u32::MAX, "L3"));
    let more = contents(&desk);
    desk.store().writer().unwrap().compact(&Compaction::NOW, &mut |_| {}).unwrap();
    assert_eq!(contents(&desk), more);
    assert_eq!((files(&desk, "status").len(), files(&desk, "settings").len()), (1, 1));
    // One manifest a folder: the outdated ones are gone.
    let folders: std::collections::BTreeSet<String> =
        desk.store().manifests.current().map(|manifest| manifest.folder.clone()).collect();
    assert_eq!(files(&desk, "compacted").len(), folders.len());
}

#[test]
fn many_rows_are_compacted_piece_by_piece_into_several_files() {
    let (desk, small) = (halves(), halves());
    let rule = Compaction { least_files: 2, small_bytes: u64::MAX, target_bytes: 8000, batch_bytes: 900 };
    desk.store().writer().unwrap().compact(&rule, &mut |_| {}).unwrap();
    assert_eq!(contents(&desk), contents(&small));
    let tables = ["intervals", "events", "status"].map(|table| files(&desk, table).len());
    assert!(tables.iter().any(|count| *count > 1), "{tables:?}");
}

#[test]
fn a_killed_compaction_is_carried_out_or_forgotten() {
    let desk = halves();
    let before = contents(&desk);
    // Killed before its manifest was in place: what it wrote is nothing.
    let done = halves();
    done.store().writer().unwrap().compact(&Compaction::NOW, &mut |_| {}).unwrap();
    let name = files(&done, "status").remove(0);
    let name = name.file_name().unwrap();
    fs::copy(done.dir().join("status").join(name), desk.dir().join("status").join(name)).unwrap();
    fs::create_dir_all(desk.dir().join("compacted")).unwrap();
    fs::write(desk.dir().join("compacted/_000001.toml"), "number = 1\nfolder = ").unwrap();
    assert_eq!(contents(&desk), before);
    drop(desk.store().writer().unwrap());
    assert!(!desk.dir().join("status").join(name).exists() && files(&desk, "compacted").is_empty());
    assert_eq!(contents(&desk), before);
    // Killed before it had removed what it replaced: it counts no more, and goes.
    let replaced: Vec<PathBuf> = files(&desk, "status");
    for path in &replaced {
        fs::copy(path, done.dir().join(path.strip_prefix(desk.dir()).unwrap())).unwrap();
    }
    assert_eq!((files(&done, "status").len(), contents(&done)), (replaced.len() + 1, before.clone()));
    drop(done.store().writer().unwrap());
    assert_eq!((files(&done, "status").len(), contents(&done)), (1, before));
}

#[test]
fn who_reads_keeps_the_files_in_place() {
    let desk = halves();
    let reader = desk.store();
    let scan = reader.scan(&STATUS).unwrap();
    let before = scan.clone().collect().unwrap();
    desk.store().writer().unwrap().compact(&Compaction::NOW, &mut |_| {}).unwrap();
    assert!(files(&desk, "status").len() > 1);
    assert_eq!(scan.collect().unwrap(), before);
    drop(reader);
    drop(desk.store().writer().unwrap());
    assert_eq!(files(&desk, "status").len(), 1);
}

#[test]
fn an_older_store_is_taken_over_and_a_newer_one_is_named() {
    let desk = halves();
    let path = desk.dir().join("store.toml");
    let before = contents(&desk);
    for old in ["format = 1\n", "format = 2\n"] {
        fs::write(&path, old).unwrap();
        // Who reads, leaves it to older programs; who writes, tells them that it is no longer theirs.
        drop((Store::open(&desk.dir()).unwrap(), desk.store()));
        assert_eq!(fs::read_to_string(&path).unwrap(), old);
        drop(Store::open(&desk.dir()).unwrap().writer().unwrap());
        assert_eq!((fs::read_to_string(&path).unwrap().as_str(), contents(&desk)), (FORMAT, before.clone()));
    }
    assert!(FORMAT.ends_with("format = 3\n"));
    for (text, said) in
        [("format = 4\n", "format 4"), ("what is this", "no `format"), ("format = 0\n", "format 0")]
    {
        fs::write(&path, text).unwrap();
        let error = Store::open(&desk.dir()).unwrap_err().to_string();
        assert!(error.contains("store.toml") && error.contains(said) && error.contains("1 to 3"), "{error}");
    }
}

#[test]
fn a_column_that_an_older_program_did_not_write_is_null() {
    let desk = Desk::new();
    desk.ingest("a.log", &log("blown_fuse"));
    let path = files(&desk, "events").remove(0);
    let mut frame = ParquetReader::new(fs::File::open(&path).unwrap()).finish().unwrap();
    frame.drop_in_place("causes").unwrap();
    ParquetWriter::new(fs::File::create(&path).unwrap()).finish(&mut frame).unwrap();
    assert_eq!(desk.texts(&EVENTS, "causes"), [const { None }; 6]);
    desk.ingest("b.log", &part(&log("blown_fuse"), 0..u32::MAX, "L2"));
    desk.store().writer().unwrap().compact(&Compaction::NOW, &mut |_| {}).unwrap();
    let causes = desk.texts(&EVENTS, "causes");
    assert_eq!((causes.len(), causes.iter().filter(|causes| causes.is_none()).count() >= 6), (12, true));
}
