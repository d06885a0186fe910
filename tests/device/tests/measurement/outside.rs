//! The firmware's windows against numpy and scipy, in double precision, from the same counts.
//!
//! Frequencies are such that the 10 or 12 cycles of a window are a whole number of frames: numpy transforms the counts as they are,
//! without any resampling.

use std::fs;
use std::path::Path;
use std::process::Command;

use serde_json::{Value, json};
use tempfile::TempDir;
use wyelog_device_tests::measurement::cases;
use wyelog_device_tests::measurement::heard::{Heard, play};
use wyelog_device_tests::measurement::sag;
use wyelog_device_tests::measurement::signal::{DECLARED_V, RATE, Signal};
use wyelog_device_tests::measurement::tally::LINES;
use wyelog_device_tests::python::python;
use wyelog_electrical::Rotation;
use wyelog_firmware::identify::Measured;
use wyelog_protocol::bank::RatedFrequency;
use wyelog_protocol::condition::{Change, Condition};
use wyelog_protocol::record::Record;

/// Frames of a window, and names of signals at the frequency that this gives.
const WINDOWS: [(RatedFrequency, u32, [&str; 2]); 6] = [
    (RatedFrequency::Hz60, 960, ["u2 5 %, u0 5 %, 10 % third and fifth", "all harmonics 1 %"]),
    (RatedFrequency::Hz60, 1000, ["all harmonics 3 %", "u2 5 %, u0 1 %"]),
    (RatedFrequency::Hz60, 850, ["150, 10 and 77 %", "10 % of h[7, 13, 19, 25]"]),
    (RatedFrequency::Hz50, 960, ["u2 3 %, u0 2 %, rotation ACB", "all harmonics 0.4 %"]),
    (RatedFrequency::Hz50, 1100, ["all harmonics 3 %", "10 % of h[2, 8, 14, 20]"]),
    (RatedFrequency::Hz50, 840, ["one phase, 10 % third and fifth", "u2 1 %, u0 5 %"]),
];

fn line(window: &Measured) -> Option<Value> {
    let fundamental = window.fundamental.as_ref()?;
    let [a, b, c] = fundamental.voltage;
    let phasors = [a, b, c, fundamental.neutral].map(|phasor| [phasor.re, phasor.im]);
    let ([ha, hb, hc], hn) = (window.voltage_harmonics, window.neutral_harmonics);
    let [ra, rb, rc] = window.voltage_rms;
    Some(json!({
        "type": "window",
        "first": window.begin as f64 + f64::from(window.fraction) / 4_294_967_296.0,
        "overlaps": window.overlaps,
        "frequency": window.frequency,
        "rms": [ra, rb, rc, window.neutral_rms],
        "acb": fundamental.rotation == Rotation::Acb,
        "phasors": phasors,
        "u2": fundamental.u2,
        "u0": fundamental.u0,
        "harmonics": [ha, hb, hc, hn],
        // NaN, of a phase without voltage, is null.
        "thd": window.thd,
    }))
}

fn lines(heard: &Heard) -> String {
    let events = heard.records.iter().filter_map(|record| match record {
        Record::Event(event) if event.condition == Condition::Sag && event.change == Change::Ended => {
            let residual = event.evidence.voltage.iter().filter_map(|volts| volts.value_f64());
            Some(json!({
                "type": "sag",
                "begin": event.begin.frame,
                "end": event.end.map(|end| end.frame),
                "residual": residual.fold(f64::INFINITY, f64::min) / DECLARED_V,
            }))
        }
        _ => None,
    });
    let windows = heard.windows.iter().filter_map(line);
    windows.chain(events).map(|value| value.to_string() + "\n").collect()
}

/// Writes counts, windows and what they mean; true rms is per unit.
fn write(folder: &Path, name: &str, signal: &Signal, seconds: f64, frames: Option<u32>) {
    let counts: Vec<u8> =
        signal.frames(seconds).flat_map(|frame| frame.channels).flat_map(i32::to_le_bytes).collect();
    fs::write(folder.join(name).with_extension("counts"), counts).unwrap();
    fs::write(folder.join(name).with_extension("jsonl"), lines(&play(signal, seconds))).unwrap();
    let limits: serde_json::Map<String, Value> =
        LINES.iter().filter_map(|line| Some((format!("{:?}", line.quantity), json!(line.reach?)))).collect();
    let head = json!({
        "name": signal.name,
        "rate": RATE,
        "nominal": signal.rated.hz(),
        "cycles": signal.rated.cycles_per_window(),
        "frames": frames,
        "counts_per_unit": signal.counts_per_unit(),
        "limits": limits,
    });
    fs::write(folder.join(name).with_extension("json"), head.to_string()).unwrap();
}

#[test]
fn numpy_and_scipy_find_the_same_in_every_window() {
    let folder = TempDir::new().unwrap();
    let mut names = Vec::new();
    for (rated, frames, cases) in WINDOWS {
        let hz = f64::from(rated.cycles_per_window()) * RATE / f64::from(frames);
        for wanted in cases {
            let all = cases::steady(rated, hz, frames as usize);
            let case = all.into_iter().find(|case| case.signal.name == wanted);
            let case = case.unwrap_or_else(|| panic!("there is no signal '{wanted}'"));
            names.push(format!("steady{}", names.len()));
            write(folder.path(), &names[names.len() - 1], &case.signal, 2.5, Some(frames));
        }
    }
    for (rated, hz) in [(RatedFrequency::Hz60, 60.0), (RatedFrequency::Hz50, 48.7)] {
        let (signal, seconds) = sag::sags(rated, hz, [true, false, true], 5);
        names.push(format!("sags{}", names.len()));
        write(folder.path(), &names[names.len() - 1], &signal, seconds, None);
    }
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/measurement/judge.py");
    let output = Command::new(python()).arg(script).args(&names).current_dir(folder.path()).output().unwrap();
    println!("{}", String::from_utf8_lossy(&output.stdout));
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}
