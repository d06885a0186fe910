//! The ARM image as a machine: its cost, its deadlines, its crashes, its flash.

use std::path::Path;

use wyelog_device_tests::arm::{Board, line, numbers};
use wyelog_device_tests::play;
use wyelog_firmware::frontend::Input;
use wyelog_protocol::SCHEMA;
use wyelog_protocol::bank::Settings;
use wyelog_protocol::record::{CrashCause, Record, Reset, Status, StatusRecord};
use wyelog_simulator::emulator::{Erase, Pace, Trip};
use wyelog_simulator::scenario::Scenario;
use wyelog_simulator::tape::from_scenario;

/// The first `seconds` of a scenario.
fn scenario(name: &str, seconds: usize) -> (Settings, Vec<Input>) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("scenarios").join(name).with_extension("toml");
    let tape = from_scenario(&Scenario::read(&path).unwrap_or_else(|error| panic!("{error}")));
    let settings = tape.settings().clone();
    (settings, tape.take(seconds * 4800).collect())
}

fn statuses(records: &[Record]) -> Vec<(u32, Status)> {
    records
        .iter()
        .filter_map(|record| match record {
            Record::Status(StatusRecord { stamp, status }) => Some((stamp.boot, status.clone())),
            _ => None,
        })
        .collect()
}

/// `-icount shift=0` makes an instruction a nanosecond, and a tick of the board's 25 MHz timer 40 instructions: the same
/// number at every run.
#[test]
fn instructions_of_the_meter_stay_within_their_budget() {
    let (settings, inputs) = scenario("blown_fuse_b", 70);
    let board = Board::new();
    board.insert(&settings, inputs);
    let mut options = board.options();
    options.icount_shift = Some(0);
    let log = board.run(&options);
    let [.., steps, ticks, worst] = numbers(line(&log, "worst step"))[..] else { panic!("{log:?}") };
    let seconds = steps as f64 / 4800.0;
    let mean = ticks as f64 * 40.0 / seconds;
    let worst = worst * 40;
    println!(
        "{:.2} million instructions a second of signal over {seconds:.0} s, worst step {worst}",
        mean / 1e6
    );
    assert!(seconds > 59.0, "{seconds} s measured");
    assert!(mean <= 8e6, "{mean} instructions a second of signal; 8 million are allowed");
    assert!(worst <= 250_000, "worst step {worst} instructions; 250 000 are allowed");
}

/// `-icount shift=4`: 62.5 million instructions a second, about an 84 MHz Cortex-M4F.
#[test]
fn no_frame_is_lost_while_the_flash_erases_for_400_ms() {
    let (settings, signal) = scenario("blown_fuse_b", 32);
    // A record every 40 ms, so that a sector is full every few seconds and the Keeper erases again and again.
    let mut inputs = Vec::new();
    let mut records = 0;
    for (n, input) in signal.into_iter().enumerate() {
        inputs.push(input);
        if n % 192 == 191 {
            inputs.push(Input::Clock(1_900_000_000_000 + n as u64 * 5 / 24));
            records += 1;
        }
    }
    let board = Board::new();
    board.insert(&settings, inputs);
    let mut options = board.options();
    options.pace = Pace::Real;
    options.erase = Erase::Worst;
    options.icount_shift = Some(4);
    let log = board.run(&options);
    let [.., lost, deepest] = numbers(line(&log, "frames lost"))[..] else { panic!("{log:?}") };
    let erases = *numbers(line(&log, "sectors erased")).last().unwrap();
    println!("{erases} erases of 400 ms, {lost} frames lost, at most {deepest} inputs waiting");
    assert!(erases >= 5, "{erases} erases are no test");
    assert_eq!(lost, 0);
    let records_kept = play::decode(&play::stored(board.flash()));
    let statuses = statuses(&records_kept);
    assert!(
        !statuses.iter().any(|(_, s)| matches!(s, Status::FramesLost { .. } | Status::RecordsLost { .. }))
    );
    let set = statuses.iter().filter(|(_, s)| matches!(s, Status::ClockSet { .. })).count();
    assert_eq!(set, records + 1, "every record is in the log");
}

#[test]
fn a_second_run_finds_the_first_ones_log() {
    let (settings, inputs) = scenario("interruption", 8);
    let board = Board::new();
    board.insert(&settings, inputs);
    board.run(&board.options());
    let first = play::stored(board.flash());
    board.run(&board.options());
    let both = play::stored(board.flash());
    assert_eq!(both[..first.len()], first);
    assert_eq!(both.len(), 2 * first.len());
    let boots: Vec<u32> = play::decode(&both).iter().map(|record| record.stamp().boot).collect();
    assert!(boots[..first.len()].iter().all(|boot| *boot == 1));
    assert!(boots[first.len()..].iter().all(|boot| *boot == 2));
}

#[test]
fn a_crash_leaves_its_cause_and_address_and_becomes_a_record() {
    for (trip, cause) in [(Trip::Panic, CrashCause::Panic), (Trip::HardFault, CrashCause::HardFault)] {
        let (settings, inputs) = scenario("interruption", 2);
        let board = Board::new();
        board.insert(&settings, inputs);
        let mut options = board.options();
        options.trip = Some(trip);
        board.run(&options);
        let statuses = statuses(&play::decode(&play::stored(board.flash())));
        let second: Vec<&Status> = statuses.iter().filter(|(boot, _)| *boot == 2).map(|(_, s)| s).collect();
        assert!(matches!(second[0], Status::Boot { reset: Reset::Crash, .. }), "{second:?}");
        let Status::Crash { cause: found, address, schema } = second[1] else { panic!("{second:?}") };
        assert_eq!((*found, *schema), (cause, SCHEMA));
        // In the code: flash begins at 0, and holds less than 128 KiB.
        assert!((0x100..0x2_0000).contains(address), "{address:#x}");
    }
}
