//! Logs into a store, and answers out of it, as an analyst does it; and what must not be lost on the way.

use std::fs;
use std::path::Path;
use std::process::Command;

use serde_json::Value;
use tempfile::TempDir;
use wyelog::store::INTERVALS;
use wyelog_desk_tests::agree::assert_agree;
#[cfg(unix)]
use wyelog_desk_tests::binary;
use wyelog_desk_tests::logs::{Logger, START_MS};
use wyelog_desk_tests::python::python;
use wyelog_desk_tests::{Ended, repository, wyelog_in};

const OAK: Logger<'_> = Logger { serial: "L1", bank: "Hollow Oak 12", start_ms: Some(START_MS) };
const MILL: Logger<'_> = Logger { serial: "L2", bank: "Mill Lane", start_ms: Some(START_MS + 86_400_000) };

/// A folder with these files in `logs/`.
fn folder(logs: &[(&str, &[u8])]) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::create_dir(folder.path().join("logs")).unwrap();
    for (name, bytes) in logs {
        fs::write(folder.path().join("logs").join(name), bytes).unwrap();
    }
    folder
}

fn ingest(folder: &Path) -> Ended {
    wyelog_in(folder, &["ingest", "logs", "--store", "desk"])
}

fn ask(folder: &Path, question: &str) -> Vec<Value> {
    let ended = wyelog_in(folder, &[question, "--store", "desk", "--json"]);
    assert_eq!(ended.code, Some(0), "{ended:?}");
    ended.out.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

#[test]
fn every_aggregate_is_what_pandas_makes_of_the_same_files() {
    let folder = folder(&[("oak.log", &OAK.log(3000)), ("mill.log", &MILL.log(2000))]);
    let ended = ingest(folder.path());
    assert_eq!(ended.code, Some(0), "{ended:?}");
    let run = |words: &[&str]| {
        let output = Command::new(python()).args(words).current_dir(folder.path()).output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    };
    let agree = || {
        let reference = run(&[&repository("tests/desk/reference.py"), "desk"]);
        let reference: Value = serde_json::from_str(&reference).unwrap();
        for question in ["unbalance", "kvar"] {
            assert_agree(question, &ask(folder.path(), question), reference[question].as_array().unwrap());
        }
    };
    agree();
    let example = repository("tests/desk/examples/read_store.py");
    let sums = run(&[&example, "desk"]);
    // Compacted, it is the same; and the folder of a table is one table for others, partitioned as by Hive.
    let ended = wyelog_in(folder.path(), &["compact", "--store", "desk"]);
    assert!(ended.out.contains("put together into"), "{ended:?}");
    agree();
    assert_eq!(run(&[&example, "desk"]), sums);
    let whole = "import pyarrow.dataset as d; t = d.dataset('desk/intervals', partitioning='hive').to_table(); \
                 print(t.num_rows, sorted(set(t['month'].to_pylist())), len(t.column_names))";
    assert_eq!(run(&["-c", whole]), format!("5000 ['2030-05'] {}\n", INTERVALS.columns.len() + 1));
}

#[test]
fn a_photo_and_an_empty_file_are_named_and_the_rest_is_in() {
    let log = OAK.log(100);
    let cut = &log[..log.len() - 200];
    let folder = folder(&[("cut.log", cut), ("empty.log", b""), ("photo.jpg", b"\xFF\xD8\xFF\xE0 a photo")]);
    let ended = ingest(folder.path());
    assert_eq!(ended.code, Some(1));
    for said in [
        "logs/cut.log: the end mark is missing",
        "logs/empty.log: the file is empty",
        "logs/photo.jpg: this is not",
    ] {
        assert!(ended.err.contains(said), "{said}: {}", ended.err);
    }
    assert!(ended.out.contains("1 log taken") && ended.out.contains("2 not readable"), "{}", ended.out);
    assert!(ask(folder.path(), "kvar")[0]["hours"].as_f64().unwrap() > 1.5);
    // The whole log later brings what was cut off, and nothing twice.
    fs::write(folder.path().join("logs/whole.log"), &log).unwrap();
    ingest(folder.path());
    let hours: f64 = ask(folder.path(), "kvar")[0]["hours"].as_f64().unwrap();
    // 100 minutes, of which every 29th had half its windows.
    assert!((hours - (100.0 - 1.5) / 60.0).abs() < 0.001, "{hours}");
}

#[test]
fn two_loggers_with_one_name_and_a_clock_in_1970_are_said() {
    let other = Logger { serial: "L9", ..OAK };
    let lost = Logger { serial: "L3", bank: "Far End", start_ms: Some(5000) };
    let folder = folder(&[("a.log", &OAK.log(10)), ("b.log", &other.log(10)), ("c.log", &lost.log(10))]);
    let ended = ingest(folder.path());
    assert_eq!(ended.code, Some(1));
    assert!(ended.err.contains("logs/b.log: bank \"Hollow Oak 12\" is also"), "{}", ended.err);
    assert!(ended.err.contains("logs/c.log: 11 records were written while"), "{}", ended.err);
    // Each has its own row; the one without a time is there unless a time is asked for.
    assert_eq!(ask(folder.path(), "kvar").len(), 3);
    let in_may = wyelog_in(folder.path(), &["kvar", "--store", "desk", "--from", "2030-05-01", "--json"]);
    assert_eq!(in_may.out.lines().count(), 2);
    assert!(folder.path().join("desk/intervals/month=unknown").is_dir());
}

/// `ulimit -f` lets a file grow to so many blocks: the next write kills the program, or, with the signal ignored, fails as
/// on a full disk.
#[cfg(unix)]
#[test]
fn a_full_disk_or_a_killed_ingest_leaves_the_store_as_it_was() {
    let long = MILL.log(20_000);
    let folder = folder(&[("a.log", &OAK.log(500))]);
    assert_eq!(ingest(folder.path()).code, Some(0));
    let before = ask(folder.path(), "kvar");
    fs::write(folder.path().join("logs/long.log"), &long).unwrap();
    for (trap, blocks) in [("trap '' XFSZ;", 64), ("trap '' XFSZ;", 1200), ("", 64), ("", 1200)] {
        let script = format!("{trap} ulimit -f {blocks}; exec \"$0\" ingest logs --store desk");
        let output = Command::new("sh")
            .arg("-c")
            .arg(script)
            .arg(binary())
            .current_dir(folder.path())
            .output()
            .unwrap();
        assert!(!output.status.success(), "{blocks} blocks are enough: {output:?}");
        if !trap.is_empty() {
            let said = String::from_utf8_lossy(&output.stderr).into_owned();
            assert!(said.contains("desk") && said.contains("the store is as it was"), "{said}");
        }
        assert_eq!(ask(folder.path(), "kvar"), before, "{trap} {blocks}");
    }
    assert_eq!(ingest(folder.path()).code, Some(0));
    assert_eq!(ask(folder.path(), "kvar").len(), 2);
    // Nothing half written is left.
    let left =
        Command::new("find").args(["desk", "-name", "_*.*"]).current_dir(folder.path()).output().unwrap();
    assert_eq!(String::from_utf8_lossy(&left.stdout), "");
}
