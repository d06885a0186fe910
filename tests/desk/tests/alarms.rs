//! From the simulated signal to the line a person reads; and logs to which something has happened.

use std::fs;
use std::path::PathBuf;

use serde_json::Value;
use tempfile::TempDir;
use wyelog_desk_tests::{Ended, wyelog, wyelog_in};

/// A folder with the log of `wyelog try blown_fuse` in it.
fn folder() -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let ended = wyelog_in(folder.path(), &["try", "--out", "b.log"]);
    assert_eq!(ended.code, Some(0), "{ended:?}");
    let log = folder.path().join("b.log");
    (folder, log)
}

fn alarms(folder: &TempDir, words: &[&str]) -> Ended {
    wyelog_in(folder.path(), &[&["alarms"], words].concat())
}

fn objects(ended: &Ended, kind: &str) -> Vec<Value> {
    let lines = ended.out.lines().map(|line| serde_json::from_str::<Value>(line).unwrap());
    lines.filter(|object| object["type"] == kind).collect()
}

/// What was simulated in `host/scenarios/blown_fuse.toml`: a unit fails 20 s after 06:30:00.
/// The alarms that somebody has to know of: the fuse's fault current is a sag and a swell as well.
fn told(ended: &Ended) -> Vec<Value> {
    objects(ended, "alarm").into_iter().filter(|alarm| alarm["route"] != "log_only").collect()
}

fn assert_is_the_blown_fuse(alarm: &Value) {
    assert_eq!(alarm["condition"], "blown_fuse");
    assert_eq!(alarm["phases"], serde_json::json!(["B"]));
    assert_eq!(alarm["route"], "crew");
    assert_eq!(alarm["bank"], "Quillmere 3");
    let begin = alarm["begin_s"].as_f64().unwrap();
    assert!((19.7..=20.3).contains(&begin), "{begin}");
    let announced = alarm["announced_s"].as_f64().unwrap() - alarm["detected_s"].as_f64().unwrap();
    assert!((60.0..60.4).contains(&announced), "{announced}");
    assert!(alarm["begin_utc"].as_str().unwrap().starts_with("2030-05-14T06:30:"));
    // B out stands at +60 degrees (design: signatures on ABC rotation), with the size of its voltage.
    let evidence = &alarm["evidence"];
    assert!((evidence["residual_angle_deg"].as_f64().unwrap() - 60.0).abs() < 3.0);
    assert!((evidence["residual_pu"].as_f64().unwrap() - 1.0).abs() < 0.05);
}

#[test]
fn try_shows_the_alarm_with_phase_and_time() {
    let ended = wyelog(&["try"]);
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""));
    let begin = ended.out.lines().find(|line| line.starts_with("began")).unwrap();
    let is_in_time = ["06:30:19.", "06:30:20."].iter().any(|time| begin.contains(time));
    assert!(is_in_time, "{begin}");
    for part in [
        "condition   blown_fuse, phase B (route: crew)",
        "announced   2030-05-14 06:31:",
        "Five minutes",
        "never proves a line dead",
    ] {
        assert!(ended.out.contains(part), "no {part:?} in:\n{}", ended.out);
    }
}

#[test]
fn the_other_scenarios_say_nothing_about_the_bank() {
    for (scenario, said) in [
        ("healthy", "\nNo alarm.\n"),
        ("interruption", "\nNo alarm.\n"),
        ("interruption", "  interruption ABC"),
        ("broken_wire", "condition   voltage_signal_lost, phase C (route: engineer)"),
    ] {
        let ended = wyelog(&["try", scenario]);
        assert_eq!(ended.code, Some(0), "{ended:?}");
        assert!(ended.out.contains(said), "{}", ended.out);
        assert!(!ended.out.contains("blown_fuse") && !ended.out.contains("\nAlarm 2"), "{}", ended.out);
    }
    let ended = wyelog(&["try", "--list"]);
    assert_eq!(ended.out.lines().count(), 4);
}

#[test]
fn alarms_of_a_whole_log() {
    let (folder, _) = folder();
    let ended = alarms(&folder, &["--json", "b.log"]);
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""));
    let [log] = objects(&ended, "log").try_into().unwrap();
    assert_eq!((&log["is_whole"], &log["device"]), (&Value::Bool(true), &Value::from("TRIAL")));
    let [alarm] = told(&ended).try_into().unwrap();
    assert_is_the_blown_fuse(&alarm);
    // The same log twice is the same alarm once.
    let ended = alarms(&folder, &["--json", "b.log", "b.log"]);
    assert_eq!(told(&ended).len(), 1);
    let ended = alarms(&folder, &["b.log"]);
    assert!(ended.out.contains("TRIAL   Quillmere 3  blown_fuse  B      crew"), "{}", ended.out);
    assert!(alarms(&folder, &["--full", "b.log"]).out.contains("Five minutes"));
}

#[test]
fn a_log_cut_anywhere_still_gives_what_is_before_the_cut() {
    let (folder, log) = folder();
    let bytes = fs::read(&log).unwrap();
    fs::write(&log, &bytes[..bytes.len() - 30]).unwrap();
    let ended = alarms(&folder, &["--json", "b.log"]);
    assert_eq!(ended.code, Some(1));
    assert!(
        ended.err.contains("b.log: the end mark is missing: the download was broken off or the file was cut"),
        "{}",
        ended.err
    );
    assert_eq!(told(&ended).len(), 1);
    assert_eq!(objects(&ended, "log")[0]["is_whole"], false);
}

#[test]
fn a_damaged_middle_is_named_by_byte_and_costs_only_itself() {
    let (folder, log) = folder();
    let mut bytes = fs::read(&log).unwrap();
    let others = wyelog::log::Log::from_source(bytes.as_slice()).unwrap().records.len() - 1;
    // A byte of the third frame: the second record.
    let zeros: Vec<usize> = (0..bytes.len()).filter(|&at| bytes[at] == 0).collect();
    let start = zeros[4] + 1;
    bytes[start + 2] ^= 0x40;
    fs::write(&log, &bytes).unwrap();
    let ended = alarms(&folder, &["--json", "b.log"]);
    assert_eq!(ended.code, Some(1));
    let length = zeros[5] - zeros[4];
    let expected = format!(
        "wyelog: b.log: byte {start}: {length} bytes unreadable (checksum does not match)\n\
         wyelog: b.log: record 1 is lost\n\
         wyelog: b.log: {others} records read; not read: 1 damaged piece, 1 lost, 0 unknown; download it again while the \
         logger still holds them\n\
         wyelog: of 1 file, 0 read whole, 1 in part, 0 not at all; everything intact is shown\n"
    );
    assert_eq!(ended.err, expected);
    let [alarm] = told(&ended).try_into().unwrap();
    assert_eq!(alarm["condition"], "blown_fuse");
}

#[test]
fn files_that_are_no_logs_are_named_and_the_others_read() {
    let (folder, _) = folder();
    fs::write(folder.path().join("note.txt"), "not a log").unwrap();
    fs::write(folder.path().join("empty.log"), "").unwrap();
    let ended = alarms(&folder, &["--json", "note.txt", "empty.log", "none.log", "b.log"]);
    assert_eq!(ended.code, Some(1));
    let mut lines = ended.err.lines();
    assert_eq!(
        lines.next(),
        Some(
            "wyelog: note.txt: this is not a wyelog log (no intact frame in 9 bytes); use a file that `wyelog download` wrote"
        )
    );
    assert_eq!(lines.next(), Some("wyelog: empty.log: the file is empty; download the log again"));
    let line = lines.next().unwrap();
    assert!(
        line.starts_with("wyelog: none.log: ") && line.ends_with("check the name and the rights of the file"),
        "{line}"
    );
    assert_eq!(
        lines.next(),
        Some("wyelog: of 4 files, 1 read whole, 0 in part, 3 not at all; everything intact is shown")
    );
    let [alarm] = told(&ended).try_into().unwrap();
    assert_is_the_blown_fuse(&alarm);
}

#[test]
fn impossible_scenarios_are_answered_with_file_line_and_field() {
    let folder = tempfile::tempdir().unwrap();
    let base = "name = \"x\"\nduration_s = 5\n[feeder]\nkv_ll = 12.47\nfrequency_hz = 60\n[bank]\n\
        connection = \"grounded_wye\"\nrated_kv_ll = 12.47\n";
    for (line, said) in [
        ("rated_kvar = -600\n", "wyelog: s.toml line 9: bank.rated_kvar = -600: must be 10…20000 kvar\n"),
        (
            "rated_kvar = 600\n[[bank.event]]\nkind = \"fuse_blows\"\nat_s = 9\nphase = \"B\"\n",
            "wyelog: s.toml line 12: bank.event.at_s = 9: must be 0…5 s\n",
        ),
    ] {
        fs::write(folder.path().join("s.toml"), format!("{base}{line}")).unwrap();
        let ended = wyelog_in(folder.path(), &["try", "s.toml"]);
        assert_eq!((ended.code, ended.err.as_str(), ended.out.as_str()), (Some(1), said, ""));
    }
    let ended = wyelog(&["try", "no_such_thing"]);
    assert_eq!(ended.code, Some(1));
    assert_eq!(
        ended.err,
        "wyelog: there is no scenario no_such_thing; use one of blown_fuse, healthy, interruption, broken_wire, or the \
         path of a scenario file (.toml)\n"
    );
}

#[test]
fn a_lost_alarm_is_not_taken_for_none() {
    let (folder, log) = folder();
    let bytes = fs::read(&log).unwrap();
    // The boot record and the settings are left.
    let zeros: Vec<usize> = (0..bytes.len()).filter(|&at| bytes[at] == 0).collect();
    fs::write(&log, &bytes[..=zeros[5]]).unwrap();
    let ended = alarms(&folder, &["b.log"]);
    assert_eq!(ended.code, Some(1));
    assert_eq!(ended.out, "No alarm in 2 records that could be read; there may be one in what could not.\n");
}

#[test]
fn logs_of_two_trials_are_two_alarms() {
    let (folder, _) = folder();
    assert_eq!(wyelog_in(folder.path(), &["try", "interruption", "--out", "i.log"]).code, Some(0));
    let ended = alarms(&folder, &["--json", "b.log", "i.log"]);
    let found = objects(&ended, "alarm");
    let found: Vec<&str> = found.iter().map(|alarm| alarm["condition"].as_str().unwrap()).collect();
    // What the fault current did to the feeder, the dead feeder, and the bank's return with it.
    for condition in ["blown_fuse", "interruption", "energised_with_feeder"] {
        assert_eq!(found.iter().filter(|name| **name == condition).count(), 1, "{found:?}");
    }
    assert!(
        found.iter().all(
            |name| ["blown_fuse", "interruption", "energised_with_feeder", "sag", "swell"].contains(name)
        )
    );
}

#[test]
fn a_trial_writes_over_no_logger_s_log() {
    use wyelog::log::LogWriter;
    use wyelog_protocol::message::Identity;
    let (folder, log) = folder();
    // Over another trial's, and over the nothing that a full disk leaves.
    assert_eq!(wyelog_in(folder.path(), &["try", "--out", "b.log"]).code, Some(0));
    fs::write(folder.path().join("empty.log"), []).unwrap();
    assert_eq!(wyelog_in(folder.path(), &["try", "--out", "empty.log"]).code, Some(0));
    let mut writer = LogWriter::new(Vec::new());
    let identity = Identity {
        schema: 1,
        firmware: "1.0.0",
        board: "test",
        device: wyelog_protocol::text("L1"),
        boot: 1,
        frames_per_second: 4800,
        kinds: [(3, 1)].into_iter().collect(),
    };
    writer.identity(&identity).unwrap();
    let real = writer.into_sink().unwrap();
    fs::write(&log, &real).unwrap();
    let ended = wyelog_in(folder.path(), &["try", "--out", "b.log"]);
    let said = "wyelog: b.log: the file is there and is not the log of another trial; choose another name\n";
    assert_eq!((ended.code, ended.err.as_str(), ended.out.as_str()), (Some(1), said, ""));
    assert!(fs::read(&log).unwrap() == real);
}
