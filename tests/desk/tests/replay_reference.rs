//! Reading and replaying held against others: the package comtrade reads the same files, numpy evaluates a real recording.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;
use wyelog_desk_tests::python::{folder as python_folder, python};
use wyelog_desk_tests::{repository, wyelog_in};
use wyelog_simulator::comtrade::{ChannelNames, Record};

fn reference(script: &str, words: &[&str]) -> String {
    let mut command = Command::new(python());
    let output = command.arg(repository(&format!("tests/desk/{script}"))).args(words).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

fn numbers(value: &Value) -> Vec<Option<f64>> {
    value.as_array().unwrap().iter().map(Value::as_f64).collect()
}

/// Both agree on what is missing, and on the rest to 1e-12.
fn assert_same(what: &str, found: &[f64], expected: &[Option<f64>]) {
    assert_eq!(found.len(), expected.len(), "{what}");
    let top = expected.iter().flatten().fold(0.0, |top: f64, value| top.max(value.abs()));
    for (found, expected) in found.iter().zip(expected) {
        match expected {
            None => assert!(found.is_nan(), "{what}"),
            Some(expected) => {
                assert!((found - expected).abs() <= 1e-12 * top, "{what}: {found}, not {expected}")
            }
        }
    }
}

#[test]
fn every_encoding_and_scaling_is_read_as_the_package_comtrade_reads_it() {
    let folder = tempfile::tempdir().unwrap();
    let records = reference("comtrade_reference.py", &[&folder.path().display().to_string()]);
    let records: Vec<Value> = serde_json::from_str(&records).unwrap();
    // Four scalings of two encodings in both revisions, and of two more in the later one.
    assert_eq!(records.len(), 24);
    for expected in records {
        let name = expected["name"].as_str().unwrap();
        let record = Record::read(&folder.path().join(format!("{name}.cfg"))).unwrap();
        assert_eq!((record.missing_samples, record.bytes_behind), (0, 0), "{name}");
        for (index, column) in record.analog.iter().enumerate() {
            assert_same(&format!("{name} {index}"), column, &numbers(&expected["analog"][index]));
        }
        for (states, expected) in record.status.iter().zip(expected["status"].as_array().unwrap()) {
            let states: Vec<u8> = states.iter().map(|state| u8::from(*state)).collect();
            assert_eq!(serde_json::json!(states), *expected, "{name}");
        }
        let channels = record.bank_channels(&ChannelNames::default()).unwrap();
        let signals = record.bank_signals(&channels).unwrap();
        let neutral = signals.neutral.unwrap();
        for (index, signal) in signals.volts.iter().chain([&neutral]).enumerate() {
            assert_same(&format!("{name} primary {index}"), signal, &numbers(&expected["primary"][index]));
        }
    }
}

/// Nominal line-to-neutral voltage of the recording.
const NOMINAL: f64 = 13_800.0 / 1.732_050_807_568_877_2;

/// The replayed objects of the recording, voltages only, and the path of its `.cfg` file.
fn recording(folder: &Path) -> (Vec<Value>, PathBuf) {
    let kept = python_folder().with_file_name("reference-recording");
    let cfg =
        PathBuf::from(reference("recording_reference.py", &["fetch", &kept.display().to_string()]).trim());
    let bank = "[bank]\nname = \"recording\"\nconnection = \"grounded_wye\"\nrated_kvar = 600\nrated_kv_ll = 13.8\nfrequency_hz = 60\n";
    std::fs::write(folder.join("bank.toml"), bank).unwrap();
    let words = ["--voltage-a", "VA_GC1", "--voltage-b", "VB_GC1", "--voltage-c", "VC_GC1", "--json"];
    let record = cfg.display().to_string();
    let ended = wyelog_in(folder, &[&["replay", &record, "--bank", "bank.toml"], words.as_slice()].concat());
    assert_eq!(ended.code, Some(0), "{}", ended.err);
    // The record has the neutral current of a transformer: not the bank's, and not taken beside voltages by name.
    assert!(
        ended.err.contains("no neutral current (IN_TF8 is the neutral current of NEUTF8"),
        "{}",
        ended.err
    );
    assert_eq!(ended.err.lines().count(), 1, "{}", ended.err);
    std::fs::write(folder.join("replay.jsonl"), &ended.out).unwrap();
    (ended.out.lines().map(|line| serde_json::from_str(line).unwrap()).collect(), cfg)
}

fn of<'v>(objects: &'v [Value], kind: &str) -> Vec<&'v Value> {
    objects.iter().filter(|object| object["type"] == kind).collect()
}

#[test]
fn windows_of_a_real_recording_are_what_numpy_finds_in_the_same_span() {
    let folder = tempfile::tempdir().unwrap();
    let (objects, cfg) = recording(folder.path());
    let windows = of(&objects, "window");
    assert_eq!(windows.len(), 11);
    let replay = folder.path().join("replay.jsonl").display().to_string();
    let evaluated = reference("recording_reference.py", &["evaluate", &cfg.display().to_string(), &replay]);
    let evaluated: Vec<Value> = evaluated.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(evaluated.len(), windows.len());
    for (window, expected) in windows.iter().zip(&evaluated) {
        let t_s = window["t_s"].as_f64().unwrap();
        let close = |what: &str, found: &Value, expected: &Value, limit: f64| {
            let (found, expected) = (found.as_f64().unwrap(), expected.as_f64().unwrap());
            assert!((found - expected).abs() <= limit, "{what} at {t_s} s: {found}, not {expected}");
        };
        assert!(window["neutral_a"].is_null());
        for phase in 0..3 {
            // 0.05 % of the nominal voltage: half of what class A allows.
            close("rms", &window["voltage_v"][phase], &expected["voltage_v"][phase], 5e-4 * NOMINAL);
            for order in 0..25 {
                // 0.05 % of it: class I of IEC 61000-4-7 below 1 %.
                let [found, expected] = [*window, expected].map(|of| &of["harmonics_v"][phase][order]);
                close(&format!("harmonic {}", order + 1), found, expected, 5e-4 * NOMINAL);
            }
        }
        close("u2", &window["u2_percent"], &expected["u2_percent"], 0.05);
        close("u0", &window["u0_percent"], &expected["u0_percent"], 0.05);
    }
    // Samples 0 to 1151, twelve cycles, evaluated with numpy before: the first window lies half a cycle behind.
    let first = windows[0];
    assert!(first["t_s"].as_f64().unwrap() < 0.017);
    for (phase, volts) in [7565.715, 7579.763, 7476.508].into_iter().enumerate() {
        let found = first["voltage_v"][phase].as_f64().unwrap();
        assert!((found / volts - 1.0).abs() < 2e-3, "{found}");
    }
    for (field, percent) in [("u2_percent", 1.148_81), ("u0_percent", 1.772_87)] {
        let found = first[field].as_f64().unwrap();
        assert!((found - percent).abs() < 0.05, "{field}: {found}");
    }
    // Root of the mean square of all eleven, the one with the sag among them.
    let squares: f64 = windows.iter().map(|window| window["voltage_v"][0].as_f64().unwrap().powi(2)).sum();
    let aggregate = (squares / 11.0).sqrt();
    assert!((aggregate / 7515.808 - 1.0).abs() < 1e-3, "{aggregate}");
}

#[test]
fn the_sag_of_a_real_recording_is_found_with_its_depth_and_duration() {
    let folder = tempfile::tempdir().unwrap();
    let (objects, _) = recording(folder.path());
    let [event] = of(&objects, "event").try_into().unwrap();
    assert_eq!(event["condition"], "sag");
    assert_eq!(event["phases"], serde_json::json!(["A", "B", "C"]));
    // Urms(1/2) on a grid of half cycles from sample 0, 90 % with a hysteresis of 2 %: 0.67864, 0.83157, 0.85587 pu, lowest
    // 5.407012 kV on A; 0.2 % of the nominal voltage is what class A allows.
    for (phase, volts) in [5407.012, 0.831_57 * NOMINAL, 0.855_87 * NOMINAL].into_iter().enumerate() {
        let residual = event["voltage_v"][phase].as_f64().unwrap();
        let allowed = if phase == 0 { 0.002 } else { 0.01 };
        assert!((residual - volts).abs() <= allowed * NOMINAL, "{phase}: {residual}, not {volts}");
    }
    let (begin, end) = (event["begin_s"].as_f64().unwrap(), event["end_s"].as_f64().unwrap());
    // 14 half cycles there; on another grid one more or less.
    let half_cycles = (end - begin) * 120.0;
    assert!((half_cycles - 14.0).abs() <= 1.0, "{half_cycles} half cycles from {begin} s to {end} s");
    for window in of(&objects, "window") {
        let from = window["t_s"].as_f64().unwrap();
        let until = from + 12.0 / window["frequency_hz"].as_f64().unwrap_or(60.0);
        let touches = from < end && until > begin;
        // A cycle on either side may be taken into it.
        if touches || until < begin - 0.017 || from > end + 0.017 {
            assert_eq!(window["flagged"], touches, "{from}");
        }
    }
}
