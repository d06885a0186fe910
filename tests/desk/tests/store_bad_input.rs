//! Everything that may lie in a folder of downloads: each file is said, the rest is in, the exit code tells.

use std::fs;
use std::path::Path;
#[cfg(unix)]
use std::process::Command;

use wyelog::log::LogWriter;
#[cfg(unix)]
use wyelog_desk_tests::binary;
use wyelog_desk_tests::logs::{Logger, START_MS};
use wyelog_desk_tests::wyelog_in;
use wyelog_protocol::message::Extent;

const OAK: Logger<'_> = Logger { serial: "L1", bank: "Hollow Oak 12", start_ms: Some(START_MS) };

/// A log of a logger that writes a kind of record that nobody here knows.
fn newer() -> Vec<u8> {
    let log = wyelog::log::Log::from_source(Logger { serial: "L5", ..OAK }.log(3).as_slice()).unwrap();
    let mut writer = LogWriter::new(Vec::new());
    let mut identity = log.identity.clone().unwrap();
    identity.schema ^= 1;
    writer.identity(&identity.message()).unwrap();
    writer.record(0, &[99, 1, 2, 0xAA, 0xBB]).unwrap();
    writer.end(Extent { boot: 1, oldest: 0, next: 1, refused: 0 }).unwrap();
    writer.into_sink().unwrap()
}

fn folder(logs: &[(&str, &[u8])]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::create_dir(folder.path().join("logs")).unwrap();
    for (name, bytes) in logs {
        fs::write(folder.path().join("logs").join(name), bytes).unwrap();
    }
    folder
}

#[test]
fn each_file_is_said_in_a_table_and_the_rest_is_in() {
    let far = Logger { serial: "L4", bank: "Mill Lane", start_ms: Some(4_070_908_800_000) };
    let lost = Logger { serial: "L3", bank: "Far End", start_ms: Some(5000) };
    let folder = folder(&[
        ("a.log", &OAK.log(10)),
        ("b.log", &Logger { serial: "L2", ..OAK }.log(10)),
        ("c_1970.log", &lost.log(10)),
        ("d_2099.log", &far.log(10)),
        ("e_newer.log", &newer()),
        ("empty.log", b""),
        ("photo.jpg", b"\xFF\xD8\xFF\xE0 a photo"),
    ]);
    let ended = wyelog_in(folder.path(), &["ingest", "logs", "--store", "desk"]);
    assert_eq!(ended.code, Some(1), "{ended:?}");
    assert!(ended.out.contains("5 logs taken") && ended.out.contains("2 not readable"), "{}", ended.out);
    for (file, what, why) in [
        ("logs/b.log", "taken, see why", "two loggers, one name"),
        ("logs/c_1970.log", "taken, see why", "before 2000"),
        ("logs/d_2099.log", "taken, see why", "2090 or later"),
        ("logs/e_newer.log", "taken in part", "kind 99 version 1 not known here"),
        ("logs/empty.log", "not taken", "the file is empty"),
        ("logs/photo.jpg", "not taken", "this is not a wyelog log"),
    ] {
        let line = ended.out.lines().find(|line| line.starts_with(file));
        assert!(line.is_some_and(|line| line.contains(what) && line.contains(why)), "{file}: {}", ended.out);
    }
    assert!(!ended.out.contains("logs/a.log"), "{}", ended.out);
    // All of the same again: nothing new, and only what cannot be read is said.
    let again = wyelog_in(folder.path(), &["ingest", "logs", "--store", "desk"]);
    assert!(again.out.contains("0 logs taken with 0 new records, 5 known already"), "{}", again.out);
    // With dates, two loggers of one name are no question: the rows go where the register says.
    let register = "\
[[bank]]
name = \"Hollow Oak 12\"
feeder = \"Oak\"
[[bank.logger]]
device = \"L1\"
[[bank]]
name = \"Hollow Oak 13\"
feeder = \"Oak\"
[[bank.logger]]
device = \"L2\"
[[bank.logger]]
device = \"L77\"
from = 2040-01-01
";
    fs::create_dir(folder.path().join("other")).unwrap();
    assert_eq!(wyelog_in(folder.path(), &["ingest", "logs/a.log", "--store", "other"]).code, Some(0));
    fs::write(folder.path().join("other/banks.toml"), register).unwrap();
    let ended = wyelog_in(folder.path(), &["ingest", "logs/b.log", "--store", "other"]);
    assert_eq!(ended.code, Some(1));
    assert!(!ended.out.contains("two loggers"), "{}", ended.out);
    assert!(
        ended.err.contains("banks.toml: line 11: ") && ended.err.contains("at the same time"),
        "{}",
        ended.err
    );
    // Of these two mistakes the overlap is one; without it, that nobody knows the logger is the other.
    fs::write(
        folder.path().join("other/banks.toml"),
        register.replace("\"L2\"\n", "\"L2\"\nto = 2040-01-01\n"),
    )
    .unwrap();
    let ended = wyelog_in(folder.path(), &["banks", "--store", "other", "--csv"]);
    assert_eq!(ended.code, Some(1));
    assert!(ended.err.contains("banks.toml: line 12: no log of a logger \"L77\""), "{}", ended.err);
    assert!(
        ended.out.contains("Hollow Oak 13,Oak,,,,,L2,,2040-01-01T00:00:00.000Z,register,"),
        "{}",
        ended.out
    );
    let ended = wyelog_in(folder.path(), &["kvar", "--store", "other", "--csv"]);
    assert!(ended.out.contains("Hollow Oak 12,") && ended.out.contains("Hollow Oak 13,"), "{}", ended.out);
}

#[test]
fn a_log_that_does_not_say_whose_it_is_is_kept_aside_until_somebody_does() {
    let mut damaged = OAK.log(20);
    damaged[9] ^= 4;
    let folder = folder(&[("a.log", &damaged)]);
    let ingest =
        |words: &[&str]| wyelog_in(folder.path(), &[&["ingest"][..], words, &["--store", "desk"]].concat());
    for _ in 0..2 {
        let ended = ingest(&["logs"]);
        assert_eq!(ended.code, Some(1));
        assert!(
            ended.out.contains("0 logs taken") && ended.out.contains("1 log of unknown loggers"),
            "{ended:?}"
        );
        let why = "logs/a.log: whose log this is cannot be read, and no logger in the store has its records (its \
                   nameplate says Hollow Oak 12); kept as unclaimed/";
        assert!(ended.err.contains(why) && ended.err.contains("--device SERIAL"), "{}", ended.err);
    }
    let banks = wyelog_in(folder.path(), &["kvar", "--store", "desk"]);
    assert_eq!(banks.out, "Nothing in the store for that.\n");
    // A folder may hold logs of others.
    let ended = ingest(&["logs", "--device", "L1"]);
    assert!(ended.code == Some(2) && ended.err.contains("logs: a folder"), "{ended:?}");
    // A number that nobody knows may be a slip of the pen.
    let ended = ingest(&["logs/a.log", "--device", "L1"]);
    assert!(ended.code == Some(1) && ended.err.contains("nor the register names a logger L1"), "{ended:?}");
    fs::write(folder.path().join("desk/banks.csv"), "bank,device\nHollow Oak 12,L1\n").unwrap();
    let ended = ingest(&["logs/a.log", "--device", "L1"]);
    assert!(ended.out.contains("1 log taken with 21 new records"), "{ended:?}");
    // The same logger's whole log holds nothing new, and is no other logger.
    fs::write(folder.path().join("logs/b.log"), OAK.log(20)).unwrap();
    let ended = ingest(&["logs"]);
    assert!(ended.out.contains("1 log taken with 0 new records, 1 known already"), "{ended:?}");
    let loggers = wyelog_in(
        folder.path(),
        &["sql", "--store", "desk", "--csv", "select distinct device from intervals"],
    );
    assert_eq!(loggers.out, "device\nL1\n", "{loggers:?}");
}

#[test]
fn a_store_of_another_format_is_named() {
    let folder = folder(&[("a.log", &OAK.log(3))]);
    assert_eq!(wyelog_in(folder.path(), &["ingest", "logs", "--store", "desk"]).code, Some(0));
    fs::write(folder.path().join("desk/store.toml"), "format = 4\n").unwrap();
    for words in [
        &["kvar", "--store", "desk"][..],
        &["ingest", "logs", "--store", "desk"],
        &["compact", "--store", "desk"],
    ] {
        let ended = wyelog_in(folder.path(), words);
        assert_eq!(ended.code, Some(1));
        assert!(
            ended.err.contains("store.toml: format 4, and this wyelog reads formats 1 to 3"),
            "{}",
            ended.err
        );
    }
}

/// Blocks that a file may grow to (`ulimit -f`): beyond them a write fails as on a full disk, with the signal ignored.
#[cfg(unix)]
fn on_a_full_disk(folder: &Path, blocks: u32, words: &str) -> std::process::Output {
    let script = format!("trap '' XFSZ; ulimit -f {blocks}; exec \"$0\" {words}");
    Command::new("sh").arg("-c").arg(script).arg(binary()).current_dir(folder).output().unwrap()
}

#[cfg(unix)]
#[test]
fn a_full_disk_stops_a_compaction_and_loses_nothing() {
    let mill = Logger { serial: "L2", bank: "Mill Lane", start_ms: Some(START_MS) };
    let folder = folder(&[("a.log", &OAK.log(9000)), ("b.log", &mill.log(9000))]);
    assert_eq!(wyelog_in(folder.path(), &["ingest", "logs", "--store", "desk"]).code, Some(0));
    let ask = || wyelog_in(folder.path(), &["kvar", "--store", "desk", "--json"]);
    let before = ask();
    assert_eq!(before.out.lines().count(), 2);
    for blocks in [0, 8, 200] {
        let output = on_a_full_disk(folder.path(), blocks, "compact --store desk");
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(!output.status.success(), "{blocks} blocks are enough");
        assert!(said.contains("desk/") && said.contains("the store is as it was"), "{said}");
        assert_eq!(ask(), before, "{blocks}");
    }
    let ended = wyelog_in(folder.path(), &["compact", "--store", "desk"]);
    assert_eq!(ended.code, Some(0), "{ended:?}");
    assert!(ended.out.contains("put together into"), "{}", ended.out);
    let close = |a: &str, b: &str| {
        // Sums may be taken in another order.
        let (a, b) = (serde_json::from_str(a).unwrap(), serde_json::from_str(b).unwrap());
        wyelog_desk_tests::agree::assert_agree("kvar", &[a], &[b]);
    };
    let after = ask();
    for (a, b) in after.out.lines().zip(before.out.lines()) {
        close(a, b);
    }
    assert_eq!(
        wyelog_in(folder.path(), &["compact", "--store", "desk"]).out,
        "desk: no small files to put together.\n"
    );
}
