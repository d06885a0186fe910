//! Switching, stress, usage, quality and the weeks of unbalance, on banks that are switched every day, beside pandas and numpy.

use std::fs;
use std::process::Command;
use std::sync::OnceLock;

use serde_json::Value;
use tempfile::TempDir;
use wyelog_desk_tests::agree::assert_agree;
use wyelog_desk_tests::logs::{Logger, START_MS, numbered, whole};
use wyelog_desk_tests::python::python;
use wyelog_desk_tests::switched::Switched;
use wyelog_desk_tests::{repository, wyelog_in};

const BUSY: Switched<'_> =
    Switched { serial: "S1", bank: "Alder 1", interval_s: 600, days: 26, left_open: None };
const LEFT: Switched<'_> =
    Switched { serial: "S22", bank: "Alder 2", interval_s: 60, days: 9, left_open: Some(6) };
/// Never switched, and its records end long before those of the others.
const QUIET: Logger<'_> = Logger { serial: "L1", bank: "Birch 3", start_ms: Some(START_MS) };

/// A store of three loggers, made once for all tests.
fn desk() -> &'static TempDir {
    static DESK: OnceLock<TempDir> = OnceLock::new();
    DESK.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        fs::create_dir(folder.path().join("logs")).unwrap();
        let write = |name: &str, log: &[u8]| fs::write(folder.path().join("logs").join(name), log).unwrap();
        // The busy one in two downloads, with records in both and some in neither.
        let all = BUSY.records();
        let count = u32::try_from(all.len()).unwrap();
        let part = |wanted: &dyn Fn(u32) -> bool| {
            let records = (0..).zip(all.clone()).filter(|(number, _)| wanted(*number));
            numbered(BUSY.serial, records)
        };
        write("s1-a.log", &part(&|number| number < count / 2));
        write("s1-b.log", &part(&|number| number > count / 3 && !(5000..5011).contains(&number)));
        write("s22.log", &whole(LEFT.serial, LEFT.records().into_iter()));
        write("l1.log", &QUIET.log(300));
        let ended = wyelog_in(folder.path(), &["ingest", "logs", "--store", "desk"]);
        assert!(ended.err.contains("records 5000 to 5010 are lost (11)"), "{ended:?}");
        folder
    })
}

fn ask(words: &[&str]) -> Vec<Value> {
    let ended = wyelog_in(desk().path(), &[words, &["--store", "desk", "--json"]].concat());
    assert_eq!(ended.code, Some(0), "{ended:?}");
    ended.out.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

fn of<'v>(rows: &'v [Value], bank: &str) -> &'v Value {
    rows.iter().find(|row| row["bank"] == bank).unwrap()
}

fn reference(script: &str) -> Value {
    let output = Command::new(python())
        .arg(repository(&format!("tests/desk/{script}")))
        .arg("desk")
        .current_dir(desk().path())
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

#[test]
fn every_answer_is_what_pandas_makes_of_the_same_files() {
    let answers = reference("reference_answers.py");
    for question in ["switching", "stress", "usage", "quality"] {
        let expected = answers[question].as_array().unwrap();
        assert_eq!(expected.len(), 3, "{question}");
        assert_agree(question, &ask(&[question]), expected);
    }
    let unbalance = reference("reference.py");
    assert_agree("unbalance", &ask(&["unbalance"]), unbalance["unbalance"].as_array().unwrap());
}

#[test]
fn the_answers_are_no_trivial_ones() {
    let switching = ask(&["switching", "--maintenance", "500"]);
    let busy = of(&switching, BUSY.bank);
    // Twice a day, on odd days four times.
    assert_eq!(busy["operations"], 26 * 3);
    assert!(
        busy["inrush_slope_a_per_year"].as_f64().unwrap()
            > 2.0 * busy["inrush_slope_sigma"].as_f64().unwrap()
    );
    // A clears first, and B and C later by 9 µs more each day.
    assert!(busy["pole_openings"].as_u64().unwrap() > 10, "{busy}");
    let slope = |pole: &str| busy[format!("pole_{pole}_late_slope_ms_per_year")].as_f64().unwrap();
    assert!(slope("a") < -1.0 && busy["pole_a_late_ms"].as_f64().unwrap() < -2.0, "{busy}");
    assert!((slope("a") + slope("b") + slope("c")).abs() < 1e-5, "{busy}");
    assert!(busy["early_closings"].as_u64().unwrap() > 3 && busy["charged_closings"].as_u64().unwrap() > 0);
    assert_eq!(busy["operations_left"], 500 - 26 * 3);
    assert!(busy["maintenance_time"].as_str().unwrap().starts_with("2030-"), "{busy}");

    let stress = ask(&["stress"]);
    let busy = of(&stress, BUSY.bank);
    assert_eq!(busy["rising_harmonic"], 7, "{busy}");
    assert!(busy["in_values"].as_u64().unwrap() >= 36, "{busy}");
    for name in ["voltage_over_hours", "crest_over_hours", "current_over_hours"] {
        assert!(busy[name].as_f64().unwrap() > 1.0, "{name}: {busy}");
    }
    let quiet = of(&stress, QUIET.bank)["resonance"].as_str().unwrap();
    assert_eq!(quiet, "cannot be told: no recent spectrum with the bank out");

    let usage = ask(&["usage"]);
    assert_eq!((&usage[0]["bank"], &usage[0]["use"]), (&LEFT.bank.into(), &"left_open".into()));
    assert!((usage[0]["left_open_hours"].as_f64().unwrap() - 60.0).abs() < 1e-6, "{}", usage[0]);
    let busy = of(&usage, BUSY.bank);
    for name in ["low_closed_hours", "low_open_hours", "high_closed_hours", "high_open_hours"] {
        assert!(busy[name].as_f64().unwrap() > 1.0, "{name}: {busy}");
    }

    let quality = ask(&["quality"]);
    assert_eq!((&quality[0]["bank"], &quality[0]["is_silent"]), (&QUIET.bank.into(), &true.into()));
    let busy = of(&quality, BUSY.bank);
    assert_eq!(
        (&busy["missing_records"], &busy["gaps"], &busy["logs_in_part"]),
        (&11.into(), &1.into(), &1.into())
    );
    assert!(
        busy["known_again"].as_u64().unwrap() > 1000 && busy["uncovered_hours"].as_f64().unwrap() > 0.5,
        "{busy}"
    );

    let unbalance = ask(&["unbalance", "--limit", "0.9"]);
    let busy = of(&unbalance, BUSY.bank);
    assert_eq!(busy["weeks"], 4, "{busy}");
    assert!(busy["u2_over_hours"].as_f64().unwrap() > 10.0, "{busy}");
}

#[test]
fn a_table_and_csv_name_what_they_show() {
    for question in ["switching", "stress", "usage", "quality", "unbalance"] {
        let table = wyelog_in(desk().path(), &[question, "--store", "desk"]);
        assert_eq!((table.code, table.err.as_str()), (Some(0), ""), "{table:?}");
        assert!(table.out.contains("Alder 1") && table.out.lines().count() >= 6, "{}", table.out);
        let csv = wyelog_in(desk().path(), &[question, "--store", "desk", "--csv", "--bank", "Alder 2"]);
        assert_eq!(csv.out.lines().count(), 2, "{}", csv.out);
        assert!(csv.out.starts_with("bank,"), "{}", csv.out);
    }
    let poles = wyelog_in(desk().path(), &["switching", "--store", "desk", "--poles"]);
    assert!(poles.out.contains("A a year") && !poles.out.contains("inrush"), "{}", poles.out);
}
