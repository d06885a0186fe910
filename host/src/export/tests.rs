use std::fs;

use polars::prelude::{DataFrame, LazyFrame, ScanArgsParquet};
use wyelog_simulator::comtrade;

use super::*;
use crate::captures::Captures;
use crate::log::Log;
use crate::store::{CAPTURES, EVENTS, INTERVALS, TABLES, of_trial};

fn parquet(path: &Path) -> DataFrame {
    let path = path.to_str().unwrap().into();
    LazyFrame::scan_parquet(path, ScanArgsParquet::default()).unwrap().collect().unwrap()
}

#[test]
fn every_table_comes_back_as_it_is_in_the_store() {
    let (folder, store) = of_trial();
    for of in TABLES {
        let path = folder.path().join(format!("{}.parquet", of.name));
        let rows = table(&store, of, &Filter::default(), Format::Parquet, &path, false).unwrap();
        let scanned = store.scan(of).unwrap().collect().unwrap();
        assert_eq!(rows, scanned.height() as u64, "{}", of.name);
        assert!(parquet(&path).equals_missing(&scanned), "{}", of.name);

        let path = folder.path().join(format!("{}.csv", of.name));
        table(&store, of, &Filter::default(), Format::Csv, &path, false).unwrap();
        let text = fs::read_to_string(&path).unwrap();
        let head = text.lines().next().unwrap();
        let names: Vec<&str> = of.columns.iter().map(|(name, _)| *name).chain(["feeder"]).collect();
        assert_eq!(head, names.join(","), "{}", of.name);
        assert_eq!(text.lines().count() as u64, rows + 1, "{}", of.name);
    }
}

#[test]
fn a_range_and_a_bank_pick_rows() {
    let (folder, store) = of_trial();
    let path = folder.path().join("a.csv");
    let filter = |from_ms, bank: &str| Filter { from_ms, banks: vec![bank.to_owned()], ..Filter::default() };
    // 06:31 of the trial's day, which begins at 06:30.
    let from = Some(1_904_970_660_000);
    let rows = |filter: &Filter| table(&store, &EVENTS, filter, Format::Csv, &path, true).unwrap();
    let (all, late) = (rows(&filter(None, "Quillmere 3")), rows(&filter(from, "Quillmere 3")));
    assert!(late > 0 && late < all, "{late} of {all}");
    assert_eq!(rows(&filter(None, "Alder 1")), 0);
    assert_eq!(fs::read_to_string(&path).unwrap().lines().count(), 1);
}

#[test]
fn what_is_there_stays_unless_told_and_nothing_is_left_of_a_failure() {
    let (folder, store) = of_trial();
    let path = folder.path().join("a.csv");
    fs::write(&path, "mine").unwrap();
    let write = |replace| table(&store, &INTERVALS, &Filter::default(), Format::Csv, &path, replace);
    assert!(write(false).unwrap_err().to_string().contains("--force"));
    assert_eq!(fs::read_to_string(&path).unwrap(), "mine");
    write(true).unwrap();
    assert!(fs::read_to_string(&path).unwrap().starts_with("device,bank,"));

    // A file of the store that is no Parquet: the export fails in the middle, and what was there stays.
    fs::write(&path, "mine").unwrap();
    let mark = &store.marks()[0];
    let file = mark.files.iter().find(|file| file.starts_with("intervals/")).unwrap();
    fs::write(store.dir().join(file), b"no Parquet").unwrap();
    write(true).unwrap_err();
    assert_eq!(fs::read_to_string(&path).unwrap(), "mine");
    let mut left: Vec<_> =
        fs::read_dir(folder.path()).unwrap().map(|file| file.unwrap().file_name()).collect();
    left.sort();
    assert_eq!(left, ["a.csv", "a.log", "store"]);
}

#[test]
fn waveforms_are_those_of_the_log() {
    let (folder, store) = of_trial();
    let out = folder.path().join("waveforms");
    let written = waveforms(&store, &Filter::default(), &out, false).unwrap();
    let log = Log::read(&folder.path().join("a.log")).unwrap();
    let captures = Captures::of(&log).unwrap().captures;
    assert!(!captures.is_empty());
    assert_eq!(written.captures, captures.len() as u64);
    for capture in &captures {
        let path = out.join(format!("{}-{}.cfg", capture.device, capture.file_name()));
        let record = comtrade::Record::read(&path).unwrap();
        assert_eq!(record.analog[0].len(), capture.samples.len());
        let values = capture.values(3);
        let pairs = record.analog[3].iter().zip(&values).filter(|(_, value)| value.is_finite());
        for (read, value) in pairs {
            assert!((read - value).abs() < 1e-9, "{read} {value}");
        }
    }
    // Again: not over what is there, unless told; of another bank there is none.
    assert!(waveforms(&store, &Filter::default(), &out, false).is_err());
    fs::write(out.join("mine.txt"), "mine").unwrap();
    assert_eq!(waveforms(&store, &Filter::default(), &out, true).unwrap(), written);
    assert_eq!(fs::read_to_string(out.join("mine.txt")).unwrap(), "mine");
    let other = Filter { banks: vec!["Alder 1".to_owned()], ..Filter::default() };
    assert_eq!(waveforms(&store, &other, &folder.path().join("none"), false).unwrap().captures, 0);
    let rows = store.scan(&CAPTURES).unwrap().collect().unwrap().height();
    assert!(rows >= captures.len());
}
