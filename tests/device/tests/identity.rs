//! The same tape gives the same record bytes in process and on the ARM image: nothing that decides is different there.

use std::fs;
use std::path::{Path, PathBuf};

use wyelog_device_tests::arm::Board;
use wyelog_device_tests::play::{self, SECTORS, Stored};
use wyelog_firmware::frontend::Input;
use wyelog_protocol::bank::Settings;
use wyelog_protocol::record::{ClockSource, Kind};
use wyelog_simulator::comtrade;
use wyelog_simulator::flash::NorMemory;
use wyelog_simulator::scenario::{BankFile, Scenario};
use wyelog_simulator::tape::{Tape, from_comtrade, from_scenario};

fn compare(name: &str, tape: Tape) {
    let settings = tape.settings().clone();
    let inputs: Vec<Input> = tape.collect();
    compare_inputs(name, &settings, &inputs);
}

fn compare_inputs(name: &str, settings: &Settings, inputs: &[Input]) {
    let here = play::stored(play::play_inputs(NorMemory::new(SECTORS), settings, inputs.iter().copied()));
    let board = Board::new();
    board.insert(settings, inputs.iter().copied());
    board.run(&board.options());
    let there = play::stored(board.flash());
    assert_eq!(here.len(), there.len(), "{name}: number of records");
    let (captures_here, here) = apart(here);
    let (captures_there, there) = apart(there);
    for (here, there) in here.iter().zip(&there) {
        assert_eq!(here, there, "{name}");
    }
    for (here, there) in captures_here.iter().zip(&captures_there) {
        assert_eq!(here, there, "{name}: captures");
    }
    assert_eq!(captures_here.len(), captures_there.len(), "{name}: number of captures' records");
    let captures = captures_here.len();
    println!("{name}: {} records and {captures} of captures, {} frames, the same", here.len(), inputs.len());
}

/// The bytes of captures' records, and of all others. Each sort keeps its order; which of a record and a capture comes first
/// depends on when the Keeper has time.
fn apart(stored: Vec<Stored>) -> (Vec<Vec<u8>>, Vec<Vec<u8>>) {
    stored.into_iter().map(|(_, bytes)| bytes).partition(|bytes| bytes[0] == Kind::Capture.number())
}

fn files(folder: &str, extension: &str) -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
    let mut files: Vec<PathBuf> = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.retain(|path| path.extension().is_some_and(|e| e == extension));
    files.sort();
    assert!(!files.is_empty());
    files
}

#[test]
fn every_scenario() {
    for path in files("scenarios", "toml") {
        let scenario = Scenario::read(&path).unwrap_or_else(|error| panic!("{error}"));
        compare(&scenario.name.clone(), from_scenario(&scenario));
    }
}

#[test]
fn every_recorded_waveform() {
    for path in files("records", "cfg") {
        let record = comtrade::Record::read(&path).unwrap_or_else(|error| panic!("{error}"));
        let bank = BankFile::read(&path.with_extension("toml")).unwrap_or_else(|error| panic!("{error}"));
        compare(&bank.bank.name.clone(), from_comtrade(&record, &bank).unwrap());
    }
}

#[test]
fn every_other_input_at_odd_places() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("scenarios/blown_fuse_b.toml");
    let scenario = Scenario::read(&path).unwrap();
    let tape = from_scenario(&scenario);
    let settings = tape.settings().clone();
    let mut inputs = Vec::new();
    for (n, input) in tape.take(25 * 4800).enumerate() {
        inputs.push(input);
        match n % 20_011 {
            777 => inputs.push(Input::FramesLost(n as u32 % 3000 + 1)),
            7_777 => inputs.push(Input::Contact(n % 2 == 0)),
            9_999 => inputs.push(Input::Clock(1_900_000_000_000 + n as u64, ClockSource::Signal)),
            _ => {}
        }
    }
    compare_inputs("odd inputs", &settings, &inputs);
}
