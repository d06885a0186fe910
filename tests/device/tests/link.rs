//! The logger's end of the link, over a byte pipe in memory.

use embedded_io::{Read, ReadReady, Write};
use proptest::prelude::*;
use wyelog_device_tests::play::{self, Stored, device};
use wyelog_firmware::frontend::Input;
use wyelog_firmware::logger::Logger;
use wyelog_firmware::meter::Buffers;
use wyelog_protocol::frame::{Decoder, MAX_FRAME_BYTES, encode};
use wyelog_protocol::message::{Extent, FromLogger, Replaced, Reply, Request, ToLogger};
use wyelog_protocol::record::{BaselineReason, BaselineState, ClockSource, Envelope, Record, Status};
use wyelog_protocol::{FRAMES_PER_SECOND, SCHEMA};
use wyelog_simulator::flash::NorMemory;
use wyelog_simulator::line::{MemoryLine, memory_line};
use wyelog_simulator::scenario::Scenario;
use wyelog_simulator::tape::from_scenario;

const SCENARIO: &str = "name = \"link\"\nduration_s = 3600\n[feeder]\nkv_ll = 12.47\nfrequency_hz = 60\n\
    [bank]\nname = \"bank 7\"\nconnection = \"grounded_wye\"\nrated_kvar = 600\nrated_kv_ll = 12.47\n";

/// A logger and the host's end of its line.
struct Session<'b> {
    logger: Logger<'b, NorMemory>,
    near: MemoryLine,
    far: MemoryLine,
    decoder: Decoder,
    number: u16,
}

impl<'b> Session<'b> {
    /// A logger with `sectors` of flash that has played `seconds` and then got `clocks` records more.
    fn new(buffers: &'b mut Buffers, sectors: usize, seconds: usize, clocks: u64) -> Self {
        let tape = from_scenario(&Scenario::parse("link.toml", SCENARIO).unwrap());
        let settings = tape.settings().clone();
        let (mut logger, mounted) = Logger::start(buffers, NorMemory::new(sectors), device(), settings, None);
        mounted.unwrap();
        tape.take(seconds * 4800).for_each(|input| logger.input(input));
        (0..clocks).for_each(|utc_ms| logger.input(Input::Clock(utc_ms, ClockSource::Signal)));
        let (near, far) = memory_line();
        Self { logger, near, far, decoder: Decoder::new(), number: 0 }
    }

    fn send(&mut self, bytes: &[u8]) {
        self.far.write_all(bytes).unwrap();
    }

    fn request(&mut self, request: Request) {
        self.number += 1;
        let packet = postcard::to_stdvec(&ToLogger { number: self.number, request }).unwrap();
        let mut frame = [0; MAX_FRAME_BYTES];
        self.send(encode(&packet, &mut frame).unwrap());
    }

    /// Serves until nothing moves; gives every packet with the number of the last request to `take`.
    fn replies(&mut self, take: &mut dyn FnMut(Reply<'_>)) {
        let mut idle = 0;
        while idle < 3 {
            idle = if self.logger.serve(&mut self.near) { 0 } else { idle + 1 };
            while self.far.read_ready().unwrap() {
                let mut byte = [0];
                self.far.read_exact(&mut byte).unwrap();
                idle = 0;
                if let Some(packet) = self.decoder.push(byte[0]) {
                    let FromLogger { number, reply } = postcard::from_bytes(packet.unwrap()).unwrap();
                    assert_eq!(number, self.number);
                    take(reply);
                }
            }
        }
    }

    /// One request, one reply, looked at.
    fn ask<T>(&mut self, request: Request, look: impl Fn(Reply<'_>) -> T) -> T {
        let mut seen = Vec::new();
        self.request(request);
        self.replies(&mut |reply| seen.push(look(reply)));
        assert_eq!(seen.len(), 1);
        seen.pop().unwrap()
    }

    /// Downloads: records, gaps, and the extent at the end.
    fn download(&mut self, from: u32, limit: u32) -> (Vec<Stored>, Vec<(u32, u32)>, Extent) {
        self.request(Request::ReadLog { from, limit });
        self.records()
    }

    fn records(&mut self) -> (Vec<Stored>, Vec<(u32, u32)>, Extent) {
        let (mut records, mut gaps, mut end) = (Vec::new(), Vec::new(), None);
        self.replies(&mut |reply| match reply {
            Reply::Records { first, mut bytes } => {
                for sequence in first.. {
                    let Ok((_, rest)) = Envelope::parse(bytes) else { break };
                    records.push((sequence, bytes[..bytes.len() - rest.len()].to_vec()));
                    bytes = rest;
                }
                assert!(bytes.is_empty());
            }
            Reply::Missing { from, to } => gaps.push((from, to)),
            Reply::LogEnd(extent) => end = Some(extent),
            other => panic!("{other:?}"),
        });
        (records, gaps, end.expect("an end"))
    }
}

#[test]
fn the_baseline_is_learned_and_discarded_over_the_link() {
    let tape = || from_scenario(&Scenario::parse("link.toml", SCENARIO).unwrap());
    let mut buffers = Box::new(Buffers::new());
    let mut session = Session::new(&mut buffers, 16, 20, 0);
    let mut tape = tape().skip(20 * 4800);
    let baseline = |reply: Reply<'_>| match reply {
        Reply::NotYet => None,
        Reply::Baseline(bytes) => match Envelope::parse(bytes).unwrap().0.decode() {
            Ok(Record::Baseline(record)) => Some((record.state, record.reason)),
            other => panic!("{other:?}"),
        },
        other => panic!("{other:?}"),
    };
    assert_eq!(session.ask(Request::ReadBaseline, baseline), None);
    assert!(session.ask(Request::LearnBaseline, |reply| reply == Reply::Accepted));
    tape.by_ref().take(119 * 4800).for_each(|input| session.logger.input(input));
    assert_eq!(session.ask(Request::ReadBaseline, baseline), None, "it takes two minutes");
    tape.by_ref().take(4 * 4800).for_each(|input| session.logger.input(input));
    let learned = Some((BaselineState::Provisional, BaselineReason::Sound));
    assert_eq!(session.ask(Request::ReadBaseline, baseline), learned);
    assert!(session.ask(Request::DiscardBaseline(Replaced::Unit), |reply| reply == Reply::Accepted));
    tape.take(4800).for_each(|input| session.logger.input(input));
    let discarded = Some((BaselineState::Invalid, BaselineReason::UnitReplaced));
    assert_eq!(session.ask(Request::ReadBaseline, baseline), discarded);
}

#[test]
fn the_clock_is_set_over_the_link_and_the_log_says_from_what_to_what() {
    let mut buffers = Box::new(Buffers::new());
    let mut session = Session::new(&mut buffers, 16, 1, 0);
    let good = 1_803_859_200_000;
    for utc_ms in [0, 1_767_225_599_999, 4_102_444_800_000, u64::MAX] {
        assert!(session.ask(Request::SetClock { utc_ms }, |reply| reply == Reply::OutOfRange), "{utc_ms}");
    }
    for utc_ms in [1_767_225_600_000, 4_102_444_799_999, good] {
        assert!(session.ask(Request::SetClock { utc_ms }, |reply| reply == Reply::Accepted), "{utc_ms}");
    }
    let end = session.ask(Request::ReadExtent, |reply| match reply {
        Reply::Extent(extent) => extent.next,
        other => panic!("{other:?}"),
    });
    let (records, ..) = session.download(0, end);
    let set: Vec<Status> = records
        .iter()
        .filter_map(|(_, bytes)| match Envelope::parse(bytes).unwrap().0.decode() {
            Ok(Record::Status(record)) if matches!(record.status, Status::ClockSet { .. }) => {
                Some(record.status)
            }
            _ => None,
        })
        .collect();
    // The signal begins in 2030; 4798 frames of it have been played, with the clock and the contact before them.
    let set = |n: usize| set.get(n).cloned();
    let told = |before_ms, after_ms, source| Some(Status::ClockSet { before_ms, after_ms, source });
    assert_eq!(set(0), told(None, 1_893_456_000_000, ClockSource::Signal));
    assert_eq!(set(1), told(Some(1_893_456_000_999), 1_767_225_600_000, ClockSource::Host));
    assert_eq!(set(2), told(Some(1_767_225_600_000), 4_102_444_799_999, ClockSource::Host));
    assert_eq!(set(3), told(Some(4_102_444_799_999), good, ClockSource::Host));
    assert_eq!(set(4), None);
}

#[test]
fn a_logger_says_who_it_is_and_what_it_was_told() {
    let mut buffers = Box::new(Buffers::new());
    let mut session = Session::new(&mut buffers, 16, 1, 0);
    session.ask(Request::Identify, |reply| {
        let Reply::Identity(identity) = reply else { panic!("{reply:?}") };
        assert_eq!((identity.schema, identity.board, identity.boot), (SCHEMA, "emulated", 1));
        assert_eq!(identity.frames_per_second, FRAMES_PER_SECOND);
        assert_eq!(identity.kinds.as_slice(), (1..=9).map(|kind| (kind, 1)).collect::<Vec<_>>());
    });
    session.ask(Request::ReadSettings, |reply| {
        let Reply::Settings(bytes) = reply else { panic!("{reply:?}") };
        let Ok(Record::Settings(record)) = Envelope::parse(bytes).unwrap().0.decode() else { panic!() };
        assert_eq!(record.settings.nameplate.name.as_str(), "bank 7");
    });
}

#[test]
fn live_values_come_with_the_first_window() {
    let mut buffers = Box::new(Buffers::new());
    let mut session = Session::new(&mut buffers, 16, 0, 0);
    session.ask(Request::ReadLive, |reply| assert_eq!(reply, Reply::NotYet));
    let tape = from_scenario(&Scenario::parse("link.toml", SCENARIO).unwrap());
    tape.take(3000).for_each(|input| session.logger.input(input));
    session.ask(Request::ReadLive, |reply| {
        let Reply::Live(live) = reply else { panic!("{reply:?}") };
        assert!((live.frequency.value().unwrap() - 60.0).abs() < 1e-3);
        assert!((live.voltage[1].value().unwrap() - 7199.6).abs() < 1.0);
        assert!((live.voltage_angle[1].value().unwrap() + 120.0).abs() < 0.02);
    });
}

#[test]
fn a_download_gives_what_the_journal_holds() {
    let mut buffers = Box::new(Buffers::new());
    let mut session = Session::new(&mut buffers, 16, 130, 300);
    let (records, gaps, end) = session.download(0, u32::MAX);
    let held = play::stored(session.logger.keeper().flash().unwrap().clone());
    assert_eq!(records, held);
    assert_eq!((gaps, end), (Vec::new(), Extent { boot: 1, oldest: 0, next: held.len() as u32, refused: 0 }));
    // From anywhere, as many as wanted; again gives the same.
    for _ in 0..2 {
        let (part, _, _) = session.download(17, 100);
        assert_eq!(part, held[17..117]);
    }
    assert_eq!(session.download(u32::MAX, 5).0, []);
    assert_eq!(session.download(3, 0).0, []);
}

#[test]
fn what_has_been_overwritten_is_said_to_be_missing() {
    let mut buffers = Box::new(Buffers::new());
    let mut session = Session::new(&mut buffers, 8, 1, 2000);
    let extent = session.ask(Request::ReadExtent, |reply| {
        let Reply::Extent(extent) = reply else { panic!("{reply:?}") };
        extent
    });
    assert!(extent.oldest > 0);
    let (records, gaps, end) = session.download(0, u32::MAX);
    assert_eq!(gaps, [(0, extent.oldest)]);
    assert_eq!(end, extent);
    assert_eq!(records.first().unwrap().0, extent.oldest);
    assert_eq!(records.last().unwrap().0, extent.next - 1);
}

#[test]
fn a_request_of_a_newer_host_is_answered_too() {
    let mut buffers = Box::new(Buffers::new());
    let mut session = Session::new(&mut buffers, 16, 0, 0);
    session.number = 7;
    // Request number 7, and a request that this version does not know.
    let mut frame = [0; MAX_FRAME_BYTES];
    session.send(encode(&[7, 99, 1, 2, 3], &mut frame).unwrap());
    let mut seen = 0;
    session.replies(&mut |reply| {
        assert_eq!(reply, Reply::NotUnderstood);
        seen += 1;
    });
    assert_eq!(seen, 1);
}

#[test]
fn another_request_ends_a_download() {
    let mut buffers = Box::new(Buffers::new());
    let mut session = Session::new(&mut buffers, 16, 1, 300);
    session.request(Request::ReadLog { from: 0, limit: u32::MAX });
    session.number += 7;
    session.request(Request::ReadLog { from: 290, limit: 5 });
    session.decoder = Decoder::new();
    // Replies to the first request may come first: they carry its number, and a host drops them.
    let (mut last, mut ends) = (0, 0);
    for _ in 0..2000 {
        session.logger.serve(&mut session.near);
        while session.far.read_ready().unwrap() {
            let mut byte = [0];
            session.far.read_exact(&mut byte).unwrap();
            if let Some(packet) = session.decoder.push(byte[0]) {
                let FromLogger { number, reply } = postcard::from_bytes(packet.unwrap()).unwrap();
                assert!(number >= last, "an old reply after a newer one");
                last = number;
                ends += u32::from(matches!(reply, Reply::LogEnd(_)));
            }
        }
    }
    assert_eq!((last, ends), (session.number, 1));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn garbage_before_a_request_does_no_harm(garbage in prop::collection::vec(any::<u8>(), 0..1500)) {
        let mut buffers = Box::new(Buffers::new());
        let mut session = Session::new(&mut buffers, 8, 0, 3);
        session.send(&garbage);
        session.request(Request::ReadExtent);
        let mut extents = 0;
        session.replies(&mut |reply| extents += usize::from(matches!(reply, Reply::Extent(_))));
        prop_assert_eq!(extents, 1);
    }
}
