//! What the firmware says of a damaged bank, against worked numbers, a power-flow library and numpy.
//!
//! Source marks as in `conformance_electrical`: *standard*, *published* or *derived* beside each check. Limits are
//! those that the logger is built to: a whole phase within 3 s, anything else within 10 s; a step of one phase to 1 %
//! of its rated capacitance, 2.5 % where nothing was known before.

mod feeder;
mod least_squares;
mod signal;
mod worked;

use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

use serde_json::Value;
use wyelog_device_tests::python::python;

/// Gives a script of this folder a question on its standard input; its answer.
fn ask(script: &str, question: &Value) -> Value {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/conformance_bank").join(script);
    let mut child = Command::new(python())
        .arg(path)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // The scripts read everything before they write anything.
    child.stdin.take().unwrap().write_all(question.to_string().as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    println!("{said}");
    assert!(output.status.success(), "{said}");
    serde_json::from_slice(&output.stdout).unwrap()
}
