//! `wyelog captures` on the log of a fuse's end: what it lists, what it writes, and what the Python package `comtrade` reads
//! out of that.

use std::path::Path;
use std::process::Command;

use serde_json::Value;
use wyelog_desk_tests::{logs, python, repository, wyelog};
use wyelog_device_tests::play::{SECTORS, decode, play_inputs, stored};
use wyelog_firmware::frontend::Input;
use wyelog_protocol::record::{Record, Status, StatusRecord};
use wyelog_simulator::flash::NorMemory;
use wyelog_simulator::scenario::Scenario;
use wyelog_simulator::tape::from_scenario;

/// The first 25 s of the scenario, its settings told: the log, and the frames that went in.
fn fuse_blows() -> (Vec<Record>, Vec<[i32; 4]>, [f64; 4]) {
    let path = repository("tests/device/scenarios/blown_fuse_b.toml");
    let tape = from_scenario(&Scenario::read(Path::new(&path)).unwrap());
    let settings = tape.settings().clone();
    let inputs: Vec<Input> = tape.take(25 * 4800).collect();
    let frames = inputs.iter().filter_map(|i| if let Input::Frame(f) = i { Some(f.channels) } else { None });
    let frames = frames.collect();
    let [a, b, c] = settings.sensors.voltage.map(|sensor| sensor.full_scale.value_f64().unwrap());
    let full_scale = [a, b, c, settings.sensors.neutral_full_scale.value_f64().unwrap()];
    (decode(&stored(play_inputs(NorMemory::new(SECTORS), &settings, inputs))), frames, full_scale)
}

#[test]
fn the_package_comtrade_gives_our_samples_back() {
    let (records, frames, full_scale) = fuse_blows();
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("b3.log");
    std::fs::write(&log, logs::whole("wl-b3", records.into_iter())).unwrap();
    let (log, out) = (log.display().to_string(), folder.path().join("waveforms").display().to_string());

    let ended = wyelog(&["captures", &log, "--out", &out, "--json"]);
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""));
    let found: Vec<Value> = ended.out.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let [capture] = &found[..] else { panic!("{found:?}") };
    assert_eq!((&capture["ending"], &capture["missing"]), (&"whole".into(), &0.into()));
    let conditions: Vec<_> = capture["events"].as_array().unwrap().iter().map(|e| &e["condition"]).collect();
    assert!(conditions.contains(&&Value::from("blown_fuse")), "{capture}");
    let (begin_s, lasts_s) = (capture["begin_s"].as_f64().unwrap(), capture["duration_s"].as_f64().unwrap());
    // Fault current from 20.3 s on, for two cycles.
    assert!(begin_s <= 20.3 - 3.0 / 60.0 && begin_s + lasts_s >= 20.3 + 14.0 / 60.0, "{capture}");

    let script = repository("tests/desk/read_comtrade.py");
    let file = capture["file"].as_str().unwrap();
    let output = Command::new(python::python()).args([&script, file]).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let read: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(read["ids"], serde_json::json!(["VA", "VB", "VC", "IN"]));
    assert_eq!(read["phases"], serde_json::json!(["A", "B", "C", "N"]));
    assert_eq!(read["units"], serde_json::json!(["V", "V", "V", "A"]));
    assert_eq!(read["sides"], serde_json::json!(["P", "P", "P", "P"]));
    assert_eq!((&read["revision"], &read["encoding"]), (&"2013".into(), &"BINARY".into()));
    assert_eq!(read["rates"], serde_json::json!([[4800.0, capture["samples"]]]));
    assert_eq!(read["frequency"].as_f64(), Some(60.0));
    assert_eq!(read["device"], "wl-b3");
    // The scenario begins at 07:08:09 UTC on 6 May 2031; times of the log are good to 1 ms.
    let start = read["start"].as_str().unwrap();
    assert!(start.starts_with("2031-05-06T07:08:29."), "{start}");
    let first = capture["frame"].as_u64().unwrap() as usize;
    let count = capture["samples"].as_u64().unwrap() as usize;
    for (channel, full_scale) in full_scale.iter().enumerate() {
        let values = read["analog"][channel].as_array().unwrap();
        assert_eq!(values.len(), count);
        for (value, frame) in values.iter().zip(&frames[first..]) {
            // Read back as a 32-bit float; half a step of 2^-15 was lost by the logger, a whole one where the fault current
            // drove the converter to the end of its range.
            let step = full_scale / 32_768.0;
            let top = 32_767.0 * step;
            let expected = (f64::from(frame[channel]) / 8_388_608.0 * full_scale).clamp(-top, top);
            let value = value.as_f64().unwrap();
            assert!((value - expected).abs() <= step * 0.5 + expected.abs() * 1e-6, "{value} {expected}");
        }
    }
    let times = read["times"].as_array().unwrap();
    assert!((times[count - 1].as_f64().unwrap() - (count - 1) as f64 / 4800.0).abs() < 1e-6);
}

#[test]
fn a_log_without_captures_says_so_and_one_with_a_hole_keeps_its_timeline() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("some.log");
    let name = path.display().to_string();
    let (mut records, _, _) = fuse_blows();
    std::fs::write(&path, logs::whole("wl-b3", records.clone().into_iter().take(2))).unwrap();
    let ended = wyelog(&["captures", &name]);
    assert_eq!((ended.code, ended.out.as_str()), (Some(0), "0 captures in 2 records\n"));

    // The third record of the capture is lost.
    let third = records.iter().enumerate().filter(|(_, r)| matches!(r, Record::Capture(_))).nth(2).unwrap().0;
    let stamp = *records[third].stamp();
    records[third] = Record::Status(StatusRecord { stamp, status: Status::FramesLost { count: 0 } });
    std::fs::write(&path, logs::whole("wl-b3", records.into_iter())).unwrap();
    let ended = wyelog(&["captures", &name, "--json"]);
    let capture: Value = serde_json::from_str(ended.out.trim()).unwrap();
    assert_eq!(capture["ending"], "whole");
    assert!((40..56).contains(&capture["missing"].as_u64().unwrap()), "{capture}");

    let ended = wyelog(&["captures", "nowhere.log"]);
    assert_eq!((ended.code, ended.out.as_str()), (Some(1), ""));
    assert!(ended.err.contains("nowhere.log"), "{}", ended.err);
}
