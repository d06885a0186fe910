//! How much faster than real time: `cargo run -p wyelog-device-tests --example speed`.
//!
//! The same tape three ways: made only (the baseline), made and played in process, played on the ARM image. Nothing fails when
//! it is slow.

use std::path::Path;
use std::time::Instant;

use wyelog_device_tests::arm::Board;
use wyelog_device_tests::play::{SECTORS, play_inputs};
use wyelog_firmware::frontend::Input;
use wyelog_simulator::flash::NorMemory;
use wyelog_simulator::scenario::Scenario;
use wyelog_simulator::tape::from_scenario;

fn main() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("scenarios/blown_fuse_b.toml");
    let scenario = Scenario::read(&path).expect("the scenario");
    let settings = scenario.settings();
    let seconds = scenario.duration_s;

    let start = Instant::now();
    let inputs: Vec<Input> = from_scenario(&scenario).collect();
    report("signal and tape alone", seconds, start);

    let start = Instant::now();
    play_inputs(NorMemory::new(SECTORS), &settings, inputs.iter().copied());
    report("logger in process", seconds, start);

    let start = Instant::now();
    play_inputs(NorMemory::new(SECTORS), &settings, from_scenario(&scenario));
    report("signal, tape and logger in process", seconds, start);

    let board = Board::new();
    board.insert(&settings, inputs);
    let start = Instant::now();
    board.run(&board.options());
    report("logger on the emulated Cortex-M4F", seconds, start);
}

fn report(what: &str, signal_s: f64, start: Instant) {
    let took = start.elapsed().as_secs_f64();
    println!("{what:<40} {signal_s:6.0} s of signal in {took:7.3} s: {:6.0} x real time", signal_s / took);
}
