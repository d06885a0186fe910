//! Ingest and compaction killed at random moments (SIGKILL): each log is wholly in or out whenever the store is opened,
//! and in the end everything is as if nothing had happened.

#![cfg(unix)]

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use polars::prelude::{SortMultipleOptions, col, len};
use wyelog::store::{ALL_TABLES, Store, TABLES, Table, collect_files};
use wyelog::tables;
use wyelog_desk_tests::binary;
use wyelog_desk_tests::fabricate::{Fabricated, Story};

const KILLS: u32 = 100;

/// Kills of one command, behind which it is left alone.
const MOST_IN_A_ROW: u32 = 5;

/// Six logs of 37 days of hours, over two months.
fn write_logs(folder: &Path) {
    fs::create_dir(folder).unwrap();
    for number in 0..6_usize {
        let (serial, bank) = (format!("L{number}"), format!("Bank {number}"));
        let story = match number % 2 {
            0 => Story::Healthy,
            _ => Story::BlownFuse { phase: number % 3, at: 200, until: Some(400) },
        };
        let log = Fabricated { serial: &serial, bank: &bank, interval_s: 3600, intervals: 900, story }.log();
        fs::write(folder.join(format!("{number}.log")), log).unwrap();
    }
}

/// Runs a command, kills it after `delay`. Gives how long it took, or `None` if it was killed.
fn run(folder: &Path, words: &[&str], delay: Option<Duration>) -> Option<Duration> {
    let start = Instant::now();
    let mut command = Command::new(binary());
    command.args(words).current_dir(folder).stdout(Stdio::null()).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    if let Some(delay) = delay {
        std::thread::sleep(delay);
        // One that is through already is not hurt.
        child.kill().unwrap();
    }
    let output = child.wait_with_output().unwrap();
    let code = output.status.code()?;
    assert_eq!(code, 0, "{}", String::from_utf8_lossy(&output.stderr));
    Some(start.elapsed())
}

/// Rows of each logger in all tables.
fn rows(store: &Store) -> BTreeMap<String, u32> {
    let mut rows = BTreeMap::new();
    for table in TABLES {
        let frame = store.scan(table).unwrap().group_by([col("device")]).agg([len().alias("rows")]);
        let frame = frame.collect().unwrap();
        let (devices, counts) = (frame.column("device").unwrap(), frame.column("rows").unwrap());
        for (device, count) in devices.str().unwrap().iter().zip(counts.u32().unwrap().iter()) {
            *rows.entry(device.unwrap().to_owned()).or_default() += count.unwrap();
        }
    }
    rows
}

/// All rows, sorted, as CSV; and the raw logs.
fn content(folder: &Path) -> (Vec<String>, Vec<Vec<u8>>) {
    let store = Store::open(folder).unwrap();
    let table = |table: &&Table| {
        let names: Vec<&str> = table.columns.iter().map(|(name, _)| *name).collect();
        let frame =
            store.scan(table).unwrap().select(names.iter().map(|name| col(*name)).collect::<Vec<_>>());
        let mut frame = frame.sort(names, SortMultipleOptions::default()).collect().unwrap();
        String::from_utf8(tables::to_csv(&mut frame).unwrap()).unwrap()
    };
    let mut raw = Vec::new();
    collect_files(&folder.join("raw"), &mut raw);
    (ALL_TABLES.iter().map(table).collect(), raw.iter().map(|path| fs::read(path).unwrap()).collect())
}

/// Between 0 and 1: the same every time.
struct Dice(u64);

impl Dice {
    fn roll(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 40) as f64 / (1_u64 << 24) as f64
    }
}

#[test]
fn a_hundred_times_killed_the_content_is_that_of_an_undisturbed_run() {
    const INGEST: [&str; 4] = ["ingest", "logs", "--store", "desk"];
    const COMPACT: [&str; 3] = ["compact", "--store", "desk"];
    let folder = tempfile::tempdir().unwrap();
    write_logs(&folder.path().join("logs"));
    let desk = folder.path().join("desk");
    let mut took = [&INGEST[..], &COMPACT[..]].map(|words| run(folder.path(), words, None).unwrap());
    let undisturbed = content(&desk);
    let expected = rows(&Store::open(&desk).unwrap());
    assert_eq!(expected.values().copied().collect::<Vec<_>>(), [901, 904, 901, 904, 901, 904]);

    let mut dice = Dice(7);
    let (mut killed, mut rounds) = ([0_u32; 2], 0);
    while killed.iter().sum::<u32>() < KILLS {
        rounds += 1;
        fs::remove_dir_all(&desk).unwrap();
        for (step, words) in [&INGEST[..], &COMPACT[..]].into_iter().enumerate() {
            let before = killed[step];
            loop {
                // Not for ever at its beginning: then it may come to its end.
                let may_be_killed = killed[step] - before < MOST_IN_A_ROW;
                let delay = may_be_killed.then(|| took[step].mul_f64(dice.roll()));
                if run(folder.path(), words, delay).is_some() {
                    break;
                }
                killed[step] += 1;
                if !desk.join("store.toml").exists() {
                    continue;
                }
                let store = Store::open(&desk).unwrap();
                let is_in: Vec<&str> = store.marks().iter().map(|mark| mark.device.as_str()).collect();
                let found = rows(&store);
                for (device, rows) in &expected {
                    let wanted = if is_in.contains(&device.as_str()) { *rows } else { 0 };
                    let found = found.get(device).copied().unwrap_or(0);
                    assert_eq!(found, wanted, "{device} after {killed:?} kills");
                }
                assert!(step == 0 || is_in.len() == expected.len());
            }
            // The machine may have more or less to do than at first.
            took[step] = match killed[step] - before {
                0 => took[step].mul_f64(0.7),
                MOST_IN_A_ROW => took[step].mul_f64(1.3),
                _ => took[step],
            };
        }
        assert_eq!(content(&desk), undisturbed, "after {killed:?} kills");
        let mut files = Vec::new();
        collect_files(&desk, &mut files);
        let is_left = |path: &&std::path::PathBuf| {
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            name.starts_with('_') && name != "_lock" && name != "_readers"
        };
        assert_eq!(files.iter().find(is_left), None);
    }
    println!("killed {} ingests and {} compactions in {rounds} rounds", killed[0], killed[1]);
    // Both were hit.
    assert!(killed.iter().all(|count| *count >= 5), "{killed:?}");
}
