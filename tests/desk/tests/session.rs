//! A technician's session with the ARM image: the tool's own serial code, a pseudo-terminal, the emulated board.

use std::time::{Duration, Instant};

use wyelog::alarms::Collector;
use wyelog::device::{Patience, Port, Session};
use wyelog::download;
use wyelog::log::Log;
use wyelog_device_tests::arm::Board;
use wyelog_device_tests::play;
use wyelog_protocol::condition::Condition;
use wyelog_protocol::{FRAMES_PER_SECOND, SCHEMA};
use wyelog_simulator::emulator::{Emulator, End, Serial};
use wyelog_simulator::scenario::Scenario;
use wyelog_simulator::tape::from_scenario;

/// Fuse B clears two cycles after 20.3 s.
const FUSE_S: f64 = 20.3 + 2.0 / 60.0;

#[test]
fn identify_download_and_find_exactly_the_alarm() {
    let path = wyelog_task::root().join("tests/device/scenarios/blown_fuse_b.toml");
    let scenario = Scenario::read(&path).unwrap_or_else(|error| panic!("{error}"));
    let board = Board::new();
    board.insert(&scenario.settings(), from_scenario(&scenario));
    let mut options = board.options();
    options.serial = Serial::Pty;
    options.end = End::Stay;
    let mut emulator = Emulator::start(&options).unwrap_or_else(|error| panic!("{error}"));
    let port = emulator.port().expect("a pseudo-terminal").display().to_string();

    let port = Port::open(&port, Port::BAUD).unwrap_or_else(|error| panic!("{error}"));
    let mut session = Session::new(port, Patience::default());
    let hello = session.identify().unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(hello.identity.schema, SCHEMA);
    assert_eq!(hello.identity.board, "emulated");
    assert_eq!(hello.identity.frames_per_second, FRAMES_PER_SECOND);
    let settings = session.settings().unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(settings.settings, scenario.settings());

    // The tape plays on while we talk; live values say how far it is.
    let end = (scenario.duration_s - 1.0) * f64::from(FRAMES_PER_SECOND);
    let started = Instant::now();
    while session.live().map_or(0, |live| live.stamp.frame) < end as u64 {
        assert!(started.elapsed() < Duration::from_secs(120), "the tape does not come to its end");
        std::thread::sleep(Duration::from_millis(50));
    }

    let file = board.folder().join("downloaded.log");
    download::to_file(&mut session, &hello, &file, None, &mut |_| {})
        .unwrap_or_else(|error| panic!("{error}"));
    emulator.kill();

    let log = Log::read(&file).unwrap_or_else(|error| panic!("{error}"));
    assert!(log.unread.is_nothing(), "{:?}", log.unread);
    let downloaded: Vec<_> = log.records.iter().map(|kept| kept.record.clone()).collect();
    assert_eq!(downloaded, play::decode(&play::stored(board.flash())), "what the flash holds");
    let numbers: Vec<u32> = log.records.iter().map(|kept| kept.sequence).collect();
    assert_eq!(numbers, (0..numbers.len() as u32).collect::<Vec<_>>());

    let mut collector = Collector::default();
    collector.log("downloaded.log", &log);
    // The fault current in the fuse is a sag and a swell as well, which concern the feeder.
    let mut alarms = collector.into_alarms();
    alarms.retain(|alarm| alarm.condition.concerns_bank());
    let [alarm] = &alarms[..] else { panic!("one alarm, not {alarms:?}") };
    assert_eq!((alarm.condition, alarm.phases.bits()), (Condition::BlownFuse, 0b010));
    assert!((alarm.begin.seconds() - FUSE_S).abs() < 3.0, "{}", alarm.begin);
    let detected = alarm.detected.expect("detected").seconds() - FUSE_S;
    assert!(detected > 0.0 && detected < 3.0, "detected {detected} s after the fuse");
    assert!(alarm.announced.is_some());
}
