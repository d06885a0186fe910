//! Who has to go where, and what a bank's records prove: from the outside, beside pandas, and with odd files.

use std::fs;
use std::process::Command;

use serde_json::Value;
use tempfile::TempDir;
use wyelog::store::{Banks, Store};
use wyelog_desk_tests::agree::assert_agree;
use wyelog_desk_tests::fabricate::{Fabricated, Story};
use wyelog_desk_tests::python::python;
use wyelog_desk_tests::{Ended, repository, wyelog_in};

/// Twenty days of ten minutes.
const WELL: Fabricated<'_> =
    Fabricated { serial: "L1", bank: "Alder 1", interval_s: 600, intervals: 2880, story: Story::Healthy };
const DRIFTING: Fabricated<'_> = Fabricated {
    serial: "L2",
    bank: "Alder 2",
    story: Story::Drifting { phase: 0, ppm_per_day: 700 },
    ..WELL
};
const BLOWN: Fabricated<'_> = Fabricated {
    serial: "L3",
    bank: "Birch 3",
    story: Story::BlownFuse { phase: 1, at: 500, until: None },
    ..WELL
};
const REPAIRED: Fabricated<'_> = Fabricated {
    serial: "L4",
    bank: "Birch 4",
    story: Story::BlownFuse { phase: 2, at: 100, until: Some(300) },
    ..WELL
};

fn desk() -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(&folder.path().join("desk")).unwrap();
    let mut writer = store.writer().unwrap();
    for bank in [WELL, DRIFTING, BLOWN, REPAIRED] {
        let path = folder.path().join(bank.serial);
        fs::write(&path, bank.log()).unwrap();
        writer.ingest(&path).unwrap();
    }
    drop(writer);
    let feeders = [(WELL, "North"), (DRIFTING, "North"), (BLOWN, "East"), (REPAIRED, "East")];
    let banks = Banks::new(feeders.map(|(bank, feeder)| (bank.bank.to_owned(), feeder.to_owned())));
    fs::write(folder.path().join("desk/banks.toml"), banks.text().unwrap()).unwrap();
    folder
}

fn run(folder: &TempDir, words: &[&str]) -> Ended {
    let ended = wyelog_in(folder.path(), words);
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{ended:?}");
    ended
}

fn ask(folder: &TempDir, words: &[&str]) -> Vec<Value> {
    let ended = run(folder, &[words, &["--store", "desk", "--json"]].concat());
    ended.out.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

#[test]
fn trends_worklist_and_certificates_are_what_pandas_makes_of_the_same_files() {
    let folder = desk();
    let mut reference = Command::new(python());
    reference.arg(repository("tests/desk/reference.py")).arg("desk").current_dir(folder.path());
    let reference = reference.output().unwrap();
    assert!(reference.status.success(), "{}", String::from_utf8_lossy(&reference.stderr));
    let reference: Value = serde_json::from_slice(&reference.stdout).unwrap();
    let expected = |question: &str| reference[question].as_array().unwrap().clone();

    let mut kvar = ask(&folder, &["kvar"]);
    for row in &mut kvar {
        // The reference has crossings to the hour.
        if let Some(time) = row["crossing_time"].as_str() {
            row["crossing_time"] = time.get(..13).into();
        }
    }
    assert_agree("kvar", &kvar, &expected("kvar"));
    let drifting = kvar.iter().find(|row| row["bank"] == DRIFTING.bank).unwrap();
    // A gains 700 millionths a day: two thirds of that against the mean; 0.04 after 86 days.
    assert_eq!((&drifting["crossing_phase"], &drifting["trend_days"]), (&"A".into(), &20.0.into()));
    assert!(drifting["crossing_time"].as_str().unwrap().starts_with("2030-07-2"), "{drifting}");
    // A week is needed after a fuse; the one that was replaced has it.
    let days = |bank: &str| kvar.iter().find(|row| row["bank"] == bank).unwrap()["trend_days"].clone();
    assert_eq!((days(BLOWN.bank), days(REPAIRED.bank)), (16.0.into(), 17.0.into()));

    let worklist = ask(&folder, &["worklist"]);
    assert_agree("worklist", &worklist, &expected("worklist"));
    assert_eq!(worklist.len(), 1);
    // Row by row, in the order of the limits; both fuses are caught by every one.
    let (whatif, limits) = (ask(&folder, &["whatif"]), expected("whatif"));
    assert_eq!((whatif.len(), limits.len()), (8, 8));
    for (answer, row) in whatif.iter().zip(&limits) {
        assert_agree("whatif", std::slice::from_ref(answer), std::slice::from_ref(row));
        assert_eq!(answer["caught"], 2.0, "{answer}");
    }
    // Each bank over all time, and over a range.
    assert_eq!(expected("certificate").len(), 8);
    for row in expected("certificate") {
        let mut words = vec!["certificate", "--bank", row["bank"].as_str().unwrap()];
        for (option, name) in [("--from", "range_from_time"), ("--to", "range_to_time")] {
            words.extend(row[name].as_str().into_iter().flat_map(|time| [option, time]));
        }
        let page = ask(&folder, &words);
        let (page, mut row) = (page[0].clone(), row);
        let connected = (page["left_connected"].clone(), row["left_connected"].take());
        for phase in 0..3 {
            let (is, should) = (connected.0[phase].as_f64().unwrap(), connected.1[phase].as_f64().unwrap());
            assert!((is - should).abs() < 1e-6, "{connected:?}");
        }
        row.as_object_mut().unwrap().remove("left_connected");
        assert_agree("certificate", &[page], &[row]);
    }
}

#[test]
fn an_order_goes_out_as_a_line_and_an_acknowledged_alarm_stays_in_it() {
    let folder = desk();
    let order = &ask(&folder, &["worklist"])[0];
    assert_eq!((&order["bank"], &order["fuse_link_from"]), (&BLOWN.bank.into(), &"range".into()));
    let id = order["alarms"].as_str().unwrap().to_owned();
    let acknowledge =
        |words: &[&str]| run(&folder, &[&["acknowledge", "--store", "desk"], words].concat()).out;
    assert!(acknowledge(&[&id[..5], "--note", "crew, \"Monday\""]).contains("acknowledged."));
    assert!(acknowledge(&[&id, "--note", "crew, \"Monday\""]).contains("nothing changed"));
    let csv = run(&folder, &["worklist", "--store", "desk", "--csv"]).out;
    let (head, line) = csv.split_once('\n').unwrap();
    for name in ["asset", "pole", "position", "feeder", "fuse_link", "cautions"] {
        assert!(head.split(',').any(|column| column == name), "{head}");
    }
    assert!(line.contains("\"crew, \"\"Monday\"\"\""), "{line}");
    let full = run(&folder, &["worklist", "--store", "desk", "--full"]).out;
    for part in ["1. Birch 3, feeder East (crew)", "look for", "bring", "caution", "tank-rupture curve"] {
        assert!(full.contains(part), "{part}: {full}");
    }
    assert!(acknowledge(&[&id, "--undo"]).contains("no longer"));
    let missing = wyelog_in(folder.path(), &["acknowledge", "--store", "desk", "zz", "--note", "x"]);
    assert_eq!(missing.code, Some(1));
    assert!(missing.err.contains("no alarm in desk has an id that begins with \"zz\""), "{missing:?}");
}

#[test]
fn files_that_people_edit_say_where_they_are_wrong() {
    let folder = desk();
    for (file, text, question) in [
        ("fuse_links.toml", "[[link]]\nkvar_per_phase = -1\nlink = \"40 K\"\n", "worklist"),
        ("acknowledged.toml", "[[alarm]]\nidd = \"x\"\n", "alarms"),
    ] {
        let path = folder.path().join("desk").join(file);
        fs::write(&path, text).unwrap();
        let ended = wyelog_in(folder.path(), &[question, "--store", "desk"]);
        assert_eq!(ended.code, Some(1), "{ended:?}");
        assert!(ended.err.contains(file), "{ended:?}");
        fs::remove_file(&path).unwrap();
    }
}

#[test]
fn a_proving_page_is_a_page_that_carries_all_with_it() {
    let folder = desk();
    let ended = run(&folder, &["certificate", "--store", "desk", "--bank", "Birch 3", "--out", "page.html"]);
    assert!(ended.out.starts_with("Birch 3: one item open."), "{ended:?}");
    let html = fs::read_to_string(folder.path().join("page.html")).unwrap();
    for word in ["http:", "https:", "<script", "<link", "src=", "url(", "//"] {
        assert!(!html.contains(word), "{word}");
    }
    let mut reader = Command::new(python());
    reader.arg(repository("tests/desk/read_report.py")).arg("page.html").current_dir(folder.path());
    let read = reader.output().unwrap();
    assert!(read.status.success(), "{}", String::from_utf8_lossy(&read.stderr));
    let words = ["certificate", "--store", "desk", "--bank", "Birch 3", "--to", "2030-05-10", "--csv"];
    let csv = run(&folder, &words).out;
    let (head, line) = csv.split_once('\n').unwrap();
    assert!(head.starts_with("bank,feeder,device,is_proven,range_from_time,range_to_time,"), "{head}");
    assert!(line.starts_with("Birch 3,East,L3,false,,2030-05-10T00:00:00.000Z,2030-05-01T"), "{line}");
    assert_eq!(line.lines().count(), 1, "{line}");
    let missing = wyelog_in(folder.path(), &["certificate", "--store", "desk", "--bank", "Nowhere"]);
    assert_eq!(missing.code, Some(1));
    assert!(missing.err.contains("there is no bank \"Nowhere\""), "{missing:?}");
}

#[test]
fn a_page_is_written_over_a_page_and_over_nothing_else() {
    let folder = desk();
    let report: &[&str] = &["report", "--store", "desk"];
    let certificate: &[&str] = &["certificate", "--store", "desk", "--bank", "Birch 3"];
    for (words, other) in [(report, certificate), (certificate, report)] {
        let to = |name: &'static str| [words, &["--out", name]].concat();
        if folder.path().join("page.html").exists() {
            fs::remove_file(folder.path().join("page.html")).unwrap();
        }
        run(&folder, &to("page.html"));
        run(&folder, &to("page.html"));
        // The other kind of page, a list of somebody's, an empty file.
        run(&folder, &[other, &["--out", "page.html", "--force"]].concat());
        fs::write(folder.path().join("list.html"), "<!DOCTYPE html>\nours").unwrap();
        for name in ["page.html", "list.html"] {
            let before = fs::read(folder.path().join(name)).unwrap();
            let refused = wyelog_in(folder.path(), &to(name));
            assert_eq!(refused.code, Some(1), "{refused:?}");
            assert!(refused.err.contains("replace it with --force"), "{refused:?}");
            assert_eq!(fs::read(folder.path().join(name)).unwrap(), before);
            run(&folder, &[&to(name)[..], &["--force"]].concat());
        }
        fs::write(folder.path().join("empty.html"), "").unwrap();
        run(&folder, &to("empty.html"));
    }
    for words in [
        &["export", "days", "--store", "desk", "--out", "days.txt"][..],
        &["export", "days", "--store", "desk", "--out", "days", "--as", "comtrade"],
    ] {
        let wrong = wyelog_in(folder.path(), words);
        assert_eq!((wrong.code, wrong.out.as_str()), (Some(2), ""), "{wrong:?}");
    }
}

/// Every question to a store, and the options that only it needs.
const QUESTIONS: [&[&str]; 13] = [
    &["banks"],
    &["unbalance"],
    &["kvar"],
    &["alarms"],
    &["alarms", "--feeder-events"],
    &["alarms", "--rates"],
    &["switching"],
    &["stress"],
    &["usage"],
    &["quality"],
    &["worklist"],
    &["worklist", "--full"],
    &["whatif"],
];

#[test]
fn a_name_that_nobody_knows_is_no_sound_fleet() {
    let folder = desk();
    let register = folder.path().join("desk/banks.toml");
    let text = fs::read_to_string(&register).unwrap();
    fs::write(&register, format!("{text}\n[[bank]]\nname = \"Dale 9\"\nfeeder = \"South\"\n")).unwrap();
    let refused = |words: &[&str], code: i32, said: &[&str]| {
        let ended = wyelog_in(folder.path(), &[words, &["--store", "desk"]].concat());
        assert_eq!((ended.code, ended.out.as_str()), (Some(code), ""), "{words:?}: {ended:?}");
        for text in said {
            assert!(ended.err.contains(text), "{words:?}: {ended:?}");
        }
    };
    let page = ["report", "--out", "page.html"];
    let table = ["export", "days", "--out", "days.csv"];
    let all = QUESTIONS.into_iter().chain([&page[..], &table[..]]);
    let reversed = ["--from", "2030-05-05", "--to", "2030-05-04"];
    for question in all {
        // The one that is right does not hide the one that is not.
        let named = [question, &["--bank", "Alder 1", "--bank", "alder2"]].concat();
        refused(&named, 1, &["there is no bank \"alder2\", the nearest name is \"Alder 2\""]);
        refused(&[question, &["--feeder", "north"]].concat(), 1, &["no feeder \"north\"", "\"North\""]);
        refused(&[question, &["--bank", "Zzz"]].concat(), 1, &["\"Zzz\"; `wyelog banks --store` lists all"]);
        refused(&[question, &reversed].concat(), 2, &["give a later --to or an earlier --from"]);
        let known = [question, &["--store", "desk", "--bank", "Dale 9", "--feeder", "South"]].concat();
        let known = wyelog_in(folder.path(), &known);
        assert_eq!((known.code, known.err.as_str()), (Some(0), ""), "{question:?}: {known:?}");
    }
    refused(&["certificate", "--bank", "Birch3"], 1, &["the nearest name is \"Birch 3\""]);
    refused(&["certificate", "--bank", "Dale 9"], 1, &["no log of the bank \"Dale 9\""]);
    refused(&[&["certificate", "--bank", "Birch 3"], &reversed[..]].concat(), 2, &["later --to"]);
}
