//! Records with something wrong in them: each is answered with the file and the place, and what can be read is read.

use std::path::Path;

use serde_json::Value;
use wyelog_desk_tests::{Ended, repository, wyelog_in};
use wyelog_simulator::comtrade::{Encoding, Record};

const BANK: &str =
    "[bank]\nconnection = \"grounded_wye\"\nrated_kvar = 900\nrated_kv_ll = 13.8\nfrequency_hz = 50\n";

/// What `replay --json` says of the files in `folder`, with these words behind it.
fn replay(folder: &Path, more: &[&str]) -> Ended {
    std::fs::write(folder.join("b.toml"), BANK).unwrap();
    let words = ["replay", "r.cfg", "--bank", "b.toml", "--json"];
    wyelog_in(folder, &[&words, more].concat())
}

/// The record `healthy`, its `.cfg` file changed and its `.dat` file as it is.
fn with_config(change: impl Fn(String) -> String) -> Ended {
    let folder = tempfile::tempdir().unwrap();
    let source = |end: &str| repository(&format!("tests/device/records/healthy.{end}"));
    let cfg = std::fs::read_to_string(source("cfg")).unwrap();
    let changed = change(cfg.clone());
    assert_ne!(changed, cfg);
    std::fs::write(folder.path().join("r.cfg"), changed).unwrap();
    std::fs::copy(source("dat"), folder.path().join("r.dat")).unwrap();
    replay(folder.path(), &[])
}

/// The record `healthy` with changed samples, in kV and A, written with room for half as much again.
fn with_samples(encoding: Encoding, change: impl Fn(&mut [Vec<f64>])) -> Ended {
    let healthy = Record::read(Path::new(&repository("tests/device/records/healthy.cfg"))).unwrap();
    let mut record = healthy.cut(0.0, healthy.duration_s(), encoding).unwrap();
    for channel in &mut record.config.analog {
        channel.a *= 1.5;
    }
    change(&mut record.analog);
    let folder = tempfile::tempdir().unwrap();
    record.write(&folder.path().join("r.cfg")).unwrap();
    replay(folder.path(), &[])
}

fn objects(ended: &Ended, kind: &str) -> Vec<Value> {
    let all = ended.out.lines().map(|line| serde_json::from_str::<Value>(line).unwrap());
    all.filter(|object| object["type"] == kind).collect()
}

#[test]
fn what_cannot_be_used_is_an_error_with_its_line() {
    for (from, to, said) in [
        (
            "3,VC,C,",
            "3,VC,,",
            "r.cfg: no voltage of phase C (ph C, L3 or T, unit V or kV) among VA (line 3: ph A, kV), ",
        ),
        (
            "3,VC,C,",
            "3,VC,B,",
            "r.cfg: 2 channels could be the voltage of phase B (ph B, L2 or S, unit V or kV): VB (line 4: ph B, kV), VC (line 5: ph B, kV); name the channel: --voltage-b NAME",
        ),
        ("\r\n50\r\n1", "\r\n0\r\n1", "r.cfg line 8: line frequency = 0: must be above 0"),
        (
            "BINARY",
            "BINARY64",
            "r.cfg line 13: file type = \"BINARY64\": must be ASCII, BINARY, BINARY32 or FLOAT32",
        ),
        ("4800,15360", "1200,15360", "r.cfg: sample rate 1200 Hz must be 2000…100000 Hz"),
        ("5,4A,1D", "5,5A,0D", "r.cfg line 7: field 6 (a) is missing"),
        ("1,VA,A,,kV,0.0003594639855607229", "1,VA,A,,kV,nan", "r.cfg line 3: a = \"nan\" is not a number"),
    ] {
        let ended = with_config(|cfg| cfg.replacen(from, to, 1));
        assert_eq!((ended.code, ended.out.as_str()), (Some(1), ""), "{to}");
        assert!(ended.err.starts_with(&format!("wyelog: {said}")), "{}", ended.err);
    }
    // The samples of another encoding are numbers out of step.
    let ended = with_config(|cfg| cfg.replacen("BINARY", "BINARY32", 1));
    assert!(
        ended.err.starts_with("wyelog: r.dat byte ") && ended.err.contains("sample number"),
        "{}",
        ended.err
    );
    assert_eq!((ended.code, ended.out.as_str()), (Some(1), ""));
}

#[test]
fn a_record_without_a_neutral_runs_voltage_only_and_says_so() {
    let ended = with_config(|cfg| cfg.replacen("4,IN,N,", "4,IN,,", 1));
    assert_eq!(ended.code, Some(0), "{}", ended.err);
    assert_eq!(
        ended.err,
        "wyelog: r.cfg: no neutral current in the record: voltages only, nothing is said of the bank\n"
    );
    assert_eq!(objects(&ended, "event"), [Value::Null; 0]);
    let windows = objects(&ended, "window");
    assert!(windows.len() > 10);
    for window in windows {
        for field in
            ["neutral_a", "neutral_phasor_a", "neutral_harmonics_a", "residual_pu", "residual_angle_deg"]
        {
            assert!(window[field].is_null(), "{field}");
        }
        assert_eq!(window["connected"], serde_json::json!([null, null, null]));
        assert!(window["voltage_v"][2].as_f64().unwrap() > 7000.0);
    }
}

#[test]
fn missing_samples_are_counted_and_what_they_touch_is_flagged() {
    for encoding in [Encoding::Ascii, Encoding::Binary, Encoding::Binary32, Encoding::Float32] {
        let ended = with_samples(encoding, |analog| analog[1][7200..7210].fill(f64::NAN));
        assert_eq!(ended.code, Some(1), "{encoding:?}");
        assert!(
            ended.err.starts_with("wyelog: r.dat byte ")
                && ended.err.ends_with(
                    ": channel VB: 10 samples without a value, the first is number 7201; what they touch is flagged\n"
                ),
            "{}",
            ended.err
        );
        // 1.5 s to 1.502 s, and ten cycles from there.
        assert_flagged_around(&ended, 1.5, 1.7);
        assert_eq!(objects(&ended, "event"), [Value::Null; 0]);
    }
    let empty = with_samples(Encoding::Binary, |analog| analog[1].fill(f64::NAN));
    assert_eq!((empty.code, empty.out.as_str()), (Some(1), ""));
    assert!(
        empty.err.starts_with("wyelog: r.cfg line 4: channel VB has not a single value in r.dat"),
        "{}",
        empty.err
    );
}

#[test]
fn saturated_samples_are_counted_flagged_and_no_alarm() {
    // Three cycles of A beyond the converter's range, which the writer saturates: 1.5 times the crest.
    for encoding in [Encoding::Binary, Encoding::Binary32] {
        let ended = with_samples(encoding, |analog| analog[0][7200..7488].iter_mut().for_each(|v| *v *= 3.0));
        assert_eq!(ended.code, Some(1), "{encoding:?}");
        assert!(
            ended.err.starts_with("wyelog: r.dat byte ")
                && ended.err.contains(": channel VA: ")
                && ended.err.ends_with("what they touch is flagged\n")
                && ended.err.contains(" at the end of the converter's range, the first is number 72"),
            "{}",
            ended.err
        );
        assert_flagged_around(&ended, 1.51, 1.75);
        assert_eq!(objects(&ended, "event"), [Value::Null; 0], "{encoding:?}");
    }
    // Beyond what the logger's own sensor would give, unless the bank file says otherwise: 4.5 crests in a wider range.
    let large =
        with_samples(Encoding::Float32, |analog| analog[0][7200..7488].iter_mut().for_each(|v| *v *= 4.5));
    assert_eq!(large.code, Some(0), "{}", large.err);
    assert!(
        large.err.starts_with("wyelog: r.cfg: ")
            && large.err.contains(" values of A beyond 28169 V, where its sensor is taken to saturate")
            && large.err.ends_with("clip in [sensors.A] of b.toml\n"),
        "{}",
        large.err
    );
    assert_flagged_around(&large, 1.51, 1.75);
    assert_eq!(objects(&large, "event"), [Value::Null; 0]);
    // As it was recorded, its crest at the end of the range: nothing is said.
    let whole = with_samples(Encoding::Binary, |_| {});
    assert_eq!((whole.code, whole.err.as_str()), (Some(0), ""));
}

#[test]
fn what_the_bank_file_says_of_its_sensors_is_used_and_told() {
    let folder = tempfile::tempdir().unwrap();
    let source = |end: &str| repository(&format!("tests/device/records/healthy.{end}"));
    // Secondary values without a ratio of their own (A), and with one that is not the bank's (B).
    let cfg = std::fs::read_to_string(source("cfg")).unwrap();
    let cfg = cfg.replacen("-32767,32767,1,1,P", "-32767,32767,1,1,S", 1);
    let cfg = cfg.replacen("-32767,32767,1,1,P", "-32767,32767,3,2,S", 1);
    std::fs::write(folder.path().join("r.cfg"), cfg).unwrap();
    std::fs::copy(source("dat"), folder.path().join("r.dat")).unwrap();
    let sensors = "[sensors.A]\nkind = \"divider\"\nratio = \"2:1\"\nphase_deg = 3\nlocation = \"capacitor\"\n[sensors.B]\nratio = 2\n";
    std::fs::write(folder.path().join("told.toml"), format!("{BANK}{sensors}")).unwrap();
    std::fs::write(folder.path().join("plain.toml"), BANK).unwrap();
    let run = |bank: &str| wyelog_in(folder.path(), &["replay", "r.cfg", "--bank", bank, "--json"]);
    let (told, plain) = (run("told.toml"), run("plain.toml"));
    assert_eq!(
        told.err,
        "wyelog: r.cfg line 3: no ratio for the secondary values of VA: 2 is used, from told.toml (sensors.A)\n\
         wyelog: r.cfg line 4: the ratio of VB is 1.5 there and 2 in told.toml (sensors.B); the record's is used\n"
    );
    assert_eq!(plain.err, "");
    let last = |ended: &Ended| objects(ended, "window").pop().unwrap();
    let (told, plain) = (last(&told), last(&plain));
    for (phase, factor) in [(0, 2.0), (1, 1.0), (2, 1.0)] {
        let [told, plain] = [&told, &plain].map(|window| window["voltage_v"][phase].as_f64().unwrap());
        assert!((told / plain / factor - 1.0).abs() < 1e-4, "{phase}: {told} {plain}");
    }
    // The sensor's three degrees ahead are taken out: A against C, whatever the positive sequence does.
    let between = |window: &Value| {
        let angle = |phase: usize| window["voltage_angle_deg"][phase].as_f64().unwrap();
        (angle(0) - angle(2)).rem_euclid(360.0)
    };
    assert!((between(&plain) - between(&told) - 3.0).abs() < 0.01, "{} {}", between(&plain), between(&told));
}

/// The windows that these seconds touch are flagged, those well before and behind them are not.
fn assert_flagged_around(ended: &Ended, from_s: f64, until_s: f64) {
    let windows = objects(ended, "window");
    let mut seen = 0;
    for window in &windows {
        let begin = window["t_s"].as_f64().unwrap();
        let is_flagged = window["flagged"].as_bool().unwrap();
        if begin < until_s && begin + 0.2 > from_s {
            assert!(is_flagged, "{begin}");
            seen += 1;
        } else if begin + 0.2 < from_s - 0.01 || begin > until_s + 0.21 {
            assert!(!is_flagged, "{begin}");
        }
    }
    assert!(seen >= 2 && windows.len() > seen + 4, "{seen} of {}", windows.len());
}
