//! The clock from the outside: set over the line, kept without power, and what ingest makes of the times.

use std::fs;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};

use std::time::Duration;

use serde_json::Value;
use wyelog::device::{DeviceError, Patience, Port, Session};
use wyelog::log::Log;
use wyelog::rtc::now_ms;
use wyelog_desk_tests::logs::{Logger, START_MS, whole};
use wyelog_desk_tests::python::python;
use wyelog_desk_tests::{binary, repository, wyelog_in};
use wyelog_device_tests::arm::Board;
use wyelog_device_tests::play;
use wyelog_protocol::record::{ClockSource, Record, Stamp, Status, StatusRecord};
use wyelog_simulator::emulator::{Emulator, End, Options, Pace, Serial};
use wyelog_simulator::scenario::Scenario;
use wyelog_simulator::tape::from_scenario;

/// A simulated logger with a battery-backed clock, in this folder, for so many seconds; and its port. The zone of the computer is far
/// from UTC.
fn emulate(folder: &Path, seconds: &str) -> (Child, String) {
    let mut child = Command::new(binary())
        .args(["emulate", "healthy", "--flash", "flash", "--rtc", "rtc", "--for", seconds])
        .env("TZ", "Pacific/Auckland")
        .current_dir(folder)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut port = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut port).unwrap();
    (child, port.trim().to_owned())
}

fn clock(folder: &Path, words: &[&str]) -> Value {
    let ended = wyelog_in(folder, &[&["clock", "--json"], words].concat());
    assert_eq!(ended.code, Some(0), "{ended:?}");
    serde_json::from_str(&ended.out).unwrap_or_else(|error| panic!("{error}: {ended:?}"))
}

/// By how much the logger's clock is off, and by how much that may be wrong, in s.
fn off(shown: &Value) -> (f64, f64) {
    (shown["ahead_s"].as_f64().unwrap(), shown["error_s"].as_f64().unwrap())
}

fn set_records(log: &Log) -> Vec<(u32, Option<u64>, u64, ClockSource)> {
    let set = log.records.iter().filter_map(|kept| match &kept.record {
        Record::Status(StatusRecord { stamp, status: Status::ClockSet { before_ms, after_ms, source } }) => {
            Some((stamp.boot, *before_ms, *after_ms, *source))
        }
        _ => None,
    });
    set.collect()
}

#[test]
fn a_clock_that_was_set_goes_on_without_power_and_the_log_says_who_set_it() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let (mut board, port) = emulate(folder, "9");
    std::thread::sleep(Duration::from_secs(1));
    let shown = clock(folder, &["--port", &port]);
    assert!(shown["logger_utc"].is_null(), "nobody has set it: {shown}");
    let set = clock(folder, &["--port", &port, "--set"]);
    assert!(set["set_utc"].is_string() && set["set_error_s"].as_f64().unwrap() < 0.1, "{set}");
    std::thread::sleep(Duration::from_millis(700));
    let (ahead, error) = off(&clock(folder, &["--port", &port]));
    assert!(ahead.abs() <= error + 0.1 && error < 0.25, "{ahead} ± {error}");
    clock(folder, &["--port", &port, "--set"]);
    assert!(board.wait().unwrap().success());

    let (mut board, port) = emulate(folder, "5");
    std::thread::sleep(Duration::from_secs(1));
    let (ahead, error) = off(&clock(folder, &["--port", &port]));
    assert!(ahead.abs() <= error + 0.2, "behind a restart: {ahead} ± {error}");
    let downloaded = wyelog_in(folder, &["download", "--port", &port, "--out", "b.log"]);
    assert_eq!(downloaded.code, Some(0), "{downloaded:?}");
    assert!(board.wait().unwrap().success());

    let sets = set_records(&Log::read(&folder.join("b.log")).unwrap());
    let [first, second, third] = sets[..] else { panic!("{sets:?}") };
    assert_eq!((first.0, first.1, first.3), (1, None, ClockSource::Host));
    assert_eq!((second.0, second.3), (1, ClockSource::Host));
    let moved = second.2.abs_diff(second.1.unwrap());
    assert!(moved < 100, "set anew at once: {moved} ms");
    assert_eq!((third.0, third.1, third.3), (2, None, ClockSource::Rtc));
    assert!(third.2 > second.2 && third.2 - second.2 < 60_000, "{sets:?}");
}

#[test]
fn the_arm_image_keeps_the_time_of_its_battery() {
    let path = wyelog_task::root().join("tests/device/scenarios/healthy_50hz.toml");
    let scenario = Scenario::read(&path).unwrap_or_else(|error| panic!("{error}"));
    let board = Board::new();
    board.insert(&scenario.settings(), from_scenario(&scenario).without_clock());
    let mut options = board.options();
    options.rtc = Some("rtc".to_owned());
    options.serial = Serial::Pty;
    options.pace = Pace::Real;
    options.end = End::Stay;
    let mut emulator = Emulator::start(&options).unwrap_or_else(|error| panic!("{error}"));
    let port = emulator.port().expect("a pseudo-terminal").display().to_string();
    let port = Port::open(&port, Port::BAUD).unwrap_or_else(|error| panic!("{error}"));
    let mut session = Session::new(port, Patience::default());
    session.identify().unwrap_or_else(|error| panic!("{error}"));
    std::thread::sleep(Duration::from_millis(700));
    // An hour ahead of this computer, so that it can be told from a clock that merely follows it.
    let ahead = || now_ms() + 3_600_000;
    let trip = session.round_trip().unwrap();
    session.set_clock(ahead, trip).unwrap_or_else(|error| panic!("{error}"));
    assert!(matches!(session.set_clock(|| 0, trip), Err(DeviceError::OutOfRange { .. })));
    // The emulated machine falls behind this computer when others use it too: how well the clock is read is measured in process.
    std::thread::sleep(Duration::from_millis(700));
    assert!(session.clock(ahead).unwrap().logger_ms.is_some());
    emulator.kill();

    // The power comes back; and once more with an empty battery.
    options.serial = Serial::None;
    options.pace = Pace::Free;
    options.end = End::Exit;
    let run = |options: &Options| {
        let mut emulator = Emulator::start(options).unwrap_or_else(|error| panic!("{error}"));
        assert!(emulator.wait(Duration::from_secs(120)).unwrap_or_else(|error| panic!("{error}")).success());
    };
    let restarted_ms = ahead();
    run(&options);
    fs::write(board.folder().join("rtc"), (-3_000_000_000_000_i64).to_le_bytes()).unwrap();
    run(&options);
    let sets: Vec<_> = play::decode(&play::stored(board.flash()))
        .into_iter()
        .filter_map(|record| match record {
            Record::Status(StatusRecord { stamp, status: Status::ClockSet { after_ms, source, .. } }) => {
                Some((stamp.boot, stamp.frame, after_ms, source))
            }
            _ => None,
        })
        .collect();
    let [host, rtc] = sets[..] else { panic!("{sets:?}") };
    assert_eq!((host.0, host.3), (1, ClockSource::Host));
    assert_eq!((rtc.0, rtc.1, rtc.3), (2, 0, ClockSource::Rtc), "before the first frame");
    // Whole seconds, twice.
    assert!(rtc.2.abs_diff(restarted_ms) <= 2000, "{rtc:?} {restarted_ms}");
}

/// A log of sixty days and a host's clock at three moments of them; the crystal is 80 ppm fast, and before the first setting there
/// is no clock.
fn two_visits() -> Vec<u8> {
    let logger = Logger { serial: "L7", bank: "Two Visits", start_ms: None };
    let text = logger.log(60);
    let log = Log::of_file(Path::new("a.log"), text.as_slice()).unwrap();
    let mut anchor: Option<(u64, u64)> = None;
    let mut records = Vec::new();
    let utc = |anchor: Option<(u64, u64)>, frame: u64| anchor.map(|(at, ms)| ms + (frame - at) * 5 / 24);
    for (number, kept) in log.records.into_iter().enumerate() {
        // A day between records.
        let frame = number as u64 * 414_720_000;
        let stamp = Stamp { boot: 1, frame, utc_ms: utc(anchor, frame) };
        let record = match kept.record {
            Record::Interval(interval) => {
                Record::Interval(wyelog_protocol::record::Interval { stamp, ..interval })
            }
            Record::Settings(settings) => {
                Record::Settings(wyelog_protocol::record::SettingsRecord { stamp, ..settings })
            }
            other => other,
        };
        records.push(record);
        if [2, 30, 58].contains(&number) {
            // True time: the frames are 80 ppm too many.
            let true_ms = START_MS + (frame as f64 * 1000.0 / 4800.0 / 1.000_08) as u64;
            let before_ms = utc(anchor, frame);
            anchor = Some((frame, true_ms));
            let stamp = Stamp { boot: 1, frame, utc_ms: Some(true_ms) };
            let status = Status::ClockSet { before_ms, after_ms: true_ms, source: ClockSource::Host };
            records.push(Record::Status(StatusRecord { stamp, status }));
        }
    }
    // A start that never knew the time, at the end.
    let settings = records.iter().find_map(|record| match record {
        Record::Settings(settings) => Some(settings.clone()),
        _ => None,
    });
    let stamp = Stamp { boot: 2, frame: 0, utc_ms: None };
    records.extend(
        settings
            .map(|settings| Record::Settings(wyelog_protocol::record::SettingsRecord { stamp, ..settings })),
    );
    whole("L7", records.into_iter())
}

#[test]
fn a_log_of_two_visits_has_its_times_corrected_in_the_store() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("a.log"), two_visits()).unwrap();
    for _ in 0..2 {
        let ended = wyelog_in(folder.path(), &["ingest", "a.log", "--store", "desk"]);
        assert_eq!(ended.code, Some(0), "{ended:?}");
    }
    let output = Command::new(python())
        .arg(repository("tests/desk/clock_reference.py"))
        .arg(folder.path().join("desk"))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{said}{}", String::from_utf8_lossy(&output.stderr));
    let answer: Value = serde_json::from_str(&said).unwrap();
    // Days 2 to 58, and nothing of them beyond a millisecond: the logger itself was off by 3 min on day 29.
    assert_eq!(answer["compared"], 57, "{answer}");
    assert!(answer["worst_ms"].as_f64().unwrap() <= 1.0, "{answer}");
}
