//! The demo, and the store that it leaves: what other readers make of it.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

use serde_json::Value;
use tempfile::TempDir;
use wyelog_desk_tests::agree::assert_agree;
use wyelog_desk_tests::python::python;
use wyelog_desk_tests::{Ended, repository, wyelog_in};

/// A day of the demo, made once for all tests.
fn demo() -> &'static (TempDir, Ended) {
    static DEMO: OnceLock<(TempDir, Ended)> = OnceLock::new();
    DEMO.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let ended = wyelog_in(folder.path(), &["demo", "--days", "1", "--out", "d"]);
        assert_eq!(ended.code, Some(0), "{ended:?}");
        (folder, ended)
    })
}

fn ask(question: &str) -> Vec<Value> {
    let words: Vec<&str> = question.split(' ').chain(["--store", "d/store", "--json"]).collect();
    let ended = wyelog_in(demo().0.path(), &words);
    assert_eq!(ended.code, Some(0), "{ended:?}");
    ended.out.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

#[test]
fn it_finds_what_befell_the_fleet_and_says_so_in_five_lines() {
    let (folder, ended) = demo();
    let lines: Vec<&str> = ended.out.lines().collect();
    assert_eq!(lines.len(), 5, "{}", ended.out);
    // A star point that may have lost its ground is a hazard: first.
    for (line, said) in
        [(0, "13 banks"), (1, "Halvick 2"), (2, "Ostervane 3"), (3, "Quillmere 3"), (4, "report.html")]
    {
        assert!(lines[line].contains(said), "{line}: {}", ended.out);
    }
    assert!(folder.path().join("d/report.html").metadata().unwrap().len() > 10_000);

    let alarms = ask("alarms");
    let of = |condition: &str| {
        let alarms = alarms.iter().filter(|alarm| alarm["condition"] == condition);
        let mut names: Vec<String> =
            alarms.map(|alarm| format!("{} {}", alarm["bank"].as_str().unwrap(), alarm["phases"])).collect();
        names.sort();
        names
    };
    assert_eq!(of("blown_fuse"), ["Ostervane 3 \"A\"", "Quillmere 3 \"B\""]);
    // Six times the feeder is dead, for its four banks.
    let dead = of("interruption");
    assert!(dead.len() == 24 && dead.iter().all(|name| name.starts_with("Ostervane ")), "{dead:?}");
    // Each of them within a sag; beside them only what the fault currents of the two fuses did to the feeder.
    let (sags, swells) = (of("sag").len(), of("swell").len());
    assert!((24 + 2..=24 + 8).contains(&sags) && swells <= 8, "{sags} {swells}");
    // The bank comes back with its feeder, and the feeder full of harmonics loads its banks.
    let back = of("energised_with_feeder");
    assert!(back.iter().all(|name| name.starts_with("Ostervane ")), "{back:?}");
    let loaded = of("capacitor_overload");
    assert!(loaded.iter().all(|name| name.starts_with("Halvick ")), "{loaded:?}");
    // The neutral lead that breaks.
    assert_eq!(of("neutral_signal_lost"), ["Halvick 2 \"N\""]);
    assert_eq!(alarms.len(), 26 + sags + swells + back.len() + loaded.len() + 1);
}

#[test]
fn every_aggregate_is_what_pandas_makes_of_the_same_files() {
    let compare = |script: &str, questions: &[&str]| {
        let mut reference = Command::new(python());
        reference
            .arg(repository(&format!("tests/desk/{script}")))
            .arg("d/store")
            .current_dir(demo().0.path());
        let reference = reference.output().unwrap();
        assert!(reference.status.success(), "{}", String::from_utf8_lossy(&reference.stderr));
        let reference: Value = serde_json::from_slice(&reference.stdout).unwrap();
        for question in questions {
            let expected = reference[*question].as_array().unwrap();
            assert!(expected.len() >= 13, "{question}");
            assert_agree(question, &ask(question), expected);
        }
        reference
    };
    let reference = compare("reference.py", &["unbalance", "kvar", "alarms"]);
    compare("reference_answers.py", &["switching", "stress", "usage", "quality"]);
    let feeders = compare("reference_feeders.py", &[]);
    for (question, name) in [("alarms --feeder-events", "feeder_events"), ("alarms --rates", "rates")] {
        assert_agree(question, &ask(question), feeders[name].as_array().unwrap());
    }
    let expected = reference["worklist"].as_array().unwrap();
    assert!(expected.len() >= 3);
    let worklist = ask("worklist");
    assert_agree("worklist", &worklist, expected);
    let first: Vec<&Value> = worklist.iter().take(3).map(|row| &row["bank"]).collect();
    assert_eq!(first, ["Halvick 2", "Ostervane 3", "Quillmere 3"]);
}

#[test]
fn a_dead_feeder_is_one_event_and_only_the_bank_that_did_not_come_back_is_named() {
    let words = ["alarms", "--store", "d/store", "--feeder-events", "--json"];
    let ended = wyelog_in(demo().0.path(), &words);
    assert_eq!(ended.code, Some(0), "{ended:?}");
    let events: Vec<Value> = ended.out.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let dead: Vec<&Value> = events
        .iter()
        .filter(|event| event["conditions"].as_str().unwrap().contains("interruption"))
        .collect();
    // Six times, and all four banks of the feeder each time.
    assert_eq!(dead.len(), 6, "{dead:?}");
    assert!(dead.iter().all(|event| event["feeder"] == "Ostervane" && event["seen_by"] == 4.0), "{dead:?}");
    let lost: Vec<&str> = events.iter().filter_map(|event| event["did_not_come_back"].as_str()).collect();
    assert!(lost.contains(&"Ostervane 3: blown fuse A"), "{lost:?}");
    assert_eq!(lost.iter().filter(|text| text.contains("Ostervane 3")).count(), 1, "{lost:?}");
}

/// An example of this crate: `cargo test` has built it beside the tests.
fn example(name: &str) -> PathBuf {
    let test = std::env::current_exe().unwrap();
    let folder = test.ancestors().nth(2).map(Path::to_owned).unwrap();
    folder.join("examples").join(format!("{name}{}", std::env::consts::EXE_SUFFIX))
}

#[test]
fn both_reading_examples_say_what_kvar_says() {
    let store = demo().0.path().join("d/store");
    let run = |command: &mut Command| {
        let output = command.arg(&store).output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    };
    let python = run(Command::new(python()).arg(repository("tests/desk/examples/read_store.py")));
    let rust = run(&mut Command::new(example("read_store")));
    assert_eq!(rust.replace("\r\n", "\n"), python.replace("\r\n", "\n"));
    let rows: Vec<&str> = rust.lines().skip(1).collect();
    assert_eq!(rows.len(), 13);
    for answer in ask("kvar") {
        let kvarh: f64 =
            ["kvarh_a", "kvarh_b", "kvarh_c"].iter().filter_map(|name| answer[*name].as_f64()).sum();
        let row = format!("{},2030-05,{kvarh:.1}", answer["bank"].as_str().unwrap());
        assert!(rows.contains(&row.as_str()), "{row} is not in {rows:?}");
    }
}

#[test]
fn the_same_demo_twice_is_the_same_and_a_foreign_folder_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let again = || wyelog_in(folder.path(), &["demo", "--days", "1", "--out", "d"]);
    assert_eq!(again().code, Some(0));
    // A file that a demo did not leave is gone after the next one: the folder is its own.
    fs::write(folder.path().join("d/logs/old.log"), b"old").unwrap();
    assert_eq!(again().code, Some(0));
    assert!(!folder.path().join("d/logs/old.log").exists());
    for file in ["logs/W2121.log", "logs/W2177.log", "report.html"] {
        let here = fs::read(folder.path().join("d").join(file)).unwrap();
        let there = fs::read(demo().0.path().join("d").join(file)).unwrap();
        assert!(here == there, "{file} differs from one demo to the next");
    }

    fs::create_dir(folder.path().join("mine")).unwrap();
    fs::write(folder.path().join("mine/letter.txt"), b"mine").unwrap();
    let ended = wyelog_in(folder.path(), &["demo", "--days", "1", "--out", "mine"]);
    assert_eq!(ended.code, Some(1));
    assert!(ended.err.contains("mine: there is something in it that no demo wrote"), "{}", ended.err);
    assert_eq!(fs::read(folder.path().join("mine/letter.txt")).unwrap(), b"mine");
}
