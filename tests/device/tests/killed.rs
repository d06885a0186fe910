//! The emulator killed at random times, again and again on one flash: what was acknowledged is there, nothing else is.
//!
//! A host at the board's line asks for the log's extent and reads it, as the board writes a record every few frames; then the
//! emulator's process is killed, wherever it is: mostly between two writes to the file of its flash. Known by then:
//! every number below the extent's `next` is acknowledged, and the bytes of what the host has read. Then the file is
//! mounted here, and the next start of the board mounts what is left.
//!
//! 1. The mount succeeds, here and on the board.
//! 2. Every acknowledged record is there, with the bytes that the link gave, or that an earlier mount found; but for those that
//!    the ring has overwritten since. What it keeps fills at least a quarter of the flash.
//! 3. Each record decodes; each setting of the clock and each interval is one that the same tape gives in process.
//! 4. The number of a start is never used twice, and sequence numbers go on.
//!
//! 50 kills; `WYELOG_KILLS=200` for more. The times are seeded, but the emulator's own time is not ours: no two runs are the same.
//! A write to the file is one call of the system, so that few kills fall within an operation of the flash: those are what
//! `power_cut` is about. This is about the whole board, its queues and its start.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::path::Path;
use std::time::{Duration, Instant};

use rand_pcg::Pcg32;
use rand_pcg::rand_core::Rng;
use wyelog_device_tests::arm::Board;
use wyelog_device_tests::play;
use wyelog_firmware::frontend::Input;
use wyelog_firmware::log::{Entry, Log};
use wyelog_protocol::bank::Settings;
use wyelog_protocol::frame::{Decoder, MAX_FRAME_BYTES, encode};
use wyelog_protocol::message::{FromLogger, Reply, Request, ToLogger};
use wyelog_protocol::record::{ClockSource, Envelope, MAX_RECORD_BYTES, Record, Status, StatusRecord};
use wyelog_simulator::emulator::{Emulator, Pace, Serial};
use wyelog_simulator::flash::NorMemory;
use wyelog_simulator::scenario::Scenario;
use wyelog_simulator::tape::from_scenario;

const SECTORS: usize = 16;
const SECTOR: usize = 4096;
/// The board lives at most so many milliseconds after its line has come up.
const LONGEST_MS: u32 = 800;
/// The clock is set every so many frames, a whole number of milliseconds, so many times.
const EVERY: usize = 24;
const TIMES: usize = 4;

/// What is known of the log.
#[derive(Default)]
struct Known {
    /// Bytes by number: read over the link, or found by a mount.
    records: BTreeMap<u32, Vec<u8>>,
    /// All lower numbers are acknowledged.
    next: u32,
    oldest: u32,
    /// Newest start.
    boot: u32,
    /// Numbers that an earlier mount has given up: records under way at a kill.
    gaps: BTreeSet<u32>,
}

fn tape() -> (Settings, Vec<Input>) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("scenarios/blown_fuse_b.toml");
    let tape = from_scenario(&Scenario::read(&path).unwrap_or_else(|error| panic!("{error}")));
    let settings = tape.settings().clone();
    let mut inputs = Vec::new();
    for (n, input) in tape.take(20 * 4800).enumerate() {
        inputs.push(input);
        if n % EVERY == EVERY - 1 {
            inputs.extend([Input::Clock(1_900_000_000_000 + n as u64 * 5 / 24, ClockSource::Signal); TIMES]);
        }
    }
    (settings, inputs)
}

/// What can be compared with another run: the record, but for the number of its start.
fn comparable(record: &Record) -> Option<Vec<u8>> {
    let record = match record.clone() {
        Record::Status(StatusRecord { mut stamp, status: status @ Status::ClockSet { .. } }) => {
            stamp.boot = 0;
            Record::Status(StatusRecord { stamp, status })
        }
        Record::Interval(mut interval) => {
            interval.stamp.boot = 0;
            Record::Interval(interval)
        }
        _ => return None,
    };
    Some(record.encode(&mut [0; MAX_RECORD_BYTES]).expect("it fits").to_vec())
}

fn decoded(sequence: u32, bytes: &[u8]) -> Record {
    let (envelope, rest) =
        Envelope::parse(bytes).unwrap_or_else(|error| panic!("record {sequence}: {error:?}"));
    assert!(rest.is_empty(), "record {sequence} has a tail");
    envelope.decode().unwrap_or_else(|error| panic!("record {sequence}: {error:?}"))
}

/// A host at the line until the board's time is up.
struct Host<'k> {
    line: TcpStream,
    decoder: Decoder,
    number: u16,
    until: Instant,
    known: &'k mut Known,
}

impl Host<'_> {
    /// Asks, and hands over the replies until `look` has what it wants; `None` when the time is up.
    fn ask<T>(&mut self, request: Request, mut look: impl FnMut(Reply<'_>) -> Option<T>) -> Option<T> {
        self.number = self.number.wrapping_add(1);
        let packet = postcard::to_stdvec(&ToLogger { number: self.number, request }).unwrap();
        self.line.write_all(encode(&packet, &mut [0; MAX_FRAME_BYTES]).unwrap()).ok()?;
        loop {
            let left = self.until.checked_duration_since(Instant::now()).filter(|left| !left.is_zero())?;
            self.line.set_read_timeout(Some(left)).unwrap();
            let mut bytes = [0; 512];
            let count = self.line.read(&mut bytes).ok().filter(|count| *count > 0)?;
            for byte in &bytes[..count] {
                let Some(packet) = self.decoder.push(*byte) else { continue };
                let FromLogger { number, reply } =
                    postcard::from_bytes(packet.expect("a clean line")).unwrap();
                if number == self.number
                    && let Some(found) = look(reply)
                {
                    return Some(found);
                }
            }
        }
    }

    fn session(&mut self) -> Option<()> {
        let boot = self.ask(Request::Identify, |reply| match reply {
            Reply::Identity(identity) => Some(identity.boot),
            other => panic!("{other:?}"),
        })?;
        assert!(boot > self.known.boot, "start {boot} after start {}", self.known.boot);
        self.known.boot = boot;
        let mut from = self.known.next;
        loop {
            let extent = self.ask(Request::ReadExtent, |reply| match reply {
                Reply::Extent(extent) => Some(extent),
                other => panic!("{other:?}"),
            })?;
            assert_eq!(extent.refused, 0);
            assert!(extent.next >= self.known.next && extent.oldest >= self.known.oldest);
            (self.known.next, self.known.oldest) = (extent.next, extent.oldest);
            let mut read = Vec::new();
            let end = self.ask(Request::ReadLog { from, limit: extent.next.saturating_sub(from) }, |reply| {
                match reply {
                    Reply::Records { first, mut bytes } => {
                        let mut sequence = first;
                        while let Ok((_, rest)) = Envelope::parse(bytes) {
                            read.push((sequence, bytes[..bytes.len() - rest.len()].to_vec()));
                            (sequence, bytes) = (sequence + 1, rest);
                        }
                    }
                    Reply::Missing { .. } => {}
                    Reply::LogEnd(_) => return Some(()),
                    other => panic!("{other:?}"),
                }
                None
            });
            from = read.last().map_or(from, |(sequence, _)| sequence + 1);
            self.known.records.extend(read);
            end?;
        }
    }
}

/// Whether an erase was cut off: the header is gone, but not all behind it.
fn half_erased(flash: &NorMemory) -> bool {
    flash.clone().into_bytes().chunks(SECTOR).any(|sector| {
        let mut pieces = sector.chunks(256).map(|piece| piece.iter().all(|cell| *cell == 0xFF));
        pieces.next() == Some(true) && pieces.any(|blank| !blank)
    })
}

/// Mounts the flash and compares it with what is known; says whether the kill has left a trace.
fn check(flash: NorMemory, known: &mut Known, expected: &BTreeSet<Vec<u8>>, round: usize) -> bool {
    let half_erased = half_erased(&flash);
    let (mut log, mounted) = Log::mount(flash, &mut |_, _| {}).expect("it mounts");
    let extent = log.extent();
    assert!(extent.next >= known.next, "kill {round}: next {} after {}", extent.next, known.next);
    assert!(extent.oldest >= known.oldest);
    let mut found = BTreeMap::new();
    let mut cursor = log.cursor(extent.oldest);
    loop {
        match log.read(&mut cursor, &mut [0; _]) {
            Entry::Record { sequence, bytes } => {
                let bytes = bytes.to_vec();
                let record = decoded(sequence, &bytes);
                if let Some(comparable) = comparable(&record) {
                    assert!(expected.contains(&comparable), "kill {round}: nobody wrote {record:?}");
                }
                known.boot = known.boot.max(record.stamp().boot);
                if let Some(before) = known.records.get(&sequence) {
                    assert_eq!(*before, bytes, "kill {round}: record {sequence} is another one");
                }
                found.insert(sequence, bytes);
            }
            // Nearly all records are copied, and copies are larger: what the main ring has overwritten, the other has as well.
            Entry::Missing { from, to } => {
                let lost: Vec<u32> = (from..to)
                    .filter(|number| *number < known.next && !known.gaps.contains(number))
                    .collect();
                assert!(lost.is_empty(), "kill {round}: acknowledged records {lost:?} are lost: {mounted:?}");
                known.gaps.extend(from..to);
            }
            Entry::End => break,
        }
    }
    let kept: usize = found.values().map(Vec::len).sum();
    assert!(extent.oldest == 0 || kept >= SECTORS * SECTOR / 4, "kill {round}: only {kept} bytes are kept");
    (known.next, known.oldest) = (extent.next, extent.oldest);
    known.records = found;
    half_erased || mounted.torn > 0
}

#[test]
fn a_killed_emulator_has_lost_nothing_that_was_acknowledged() {
    let kills: usize =
        std::env::var("WYELOG_KILLS").map_or(50, |kills| kills.parse().expect("WYELOG_KILLS is a number"));
    let (settings, inputs) = tape();
    let mut expected = BTreeSet::new();
    let whole = play::play_inputs(NorMemory::new(1024), &settings, inputs.iter().copied());
    expected.extend(play::decode(&play::stored(whole)).iter().filter_map(comparable));
    let board = Board::new();
    board.insert(&settings, inputs);
    let file = board.folder().join("flash");
    std::fs::write(&file, vec![0xFF; SECTORS * SECTOR]).unwrap();
    let mut options = board.options();
    options.pace = Pace::Free;
    options.serial = Serial::Tcp;
    options.log = None;
    let mut random = Pcg32::new(5, 25);
    let mut known = Known::default();
    let mut traces = 0;
    for round in 0..kills {
        let life = Duration::from_micros(u64::from(random.next_u32() % (LONGEST_MS * 1000)));
        let mut emulator = Emulator::start(&options).unwrap_or_else(|error| panic!("{error}"));
        let line = emulator.take_line().unwrap();
        let until = Instant::now() + life;
        let mut host = Host { line, decoder: Decoder::new(), number: 0, until, known: &mut known };
        let _ = host.session();
        std::thread::sleep(until.saturating_duration_since(Instant::now()));
        emulator.kill();
        traces += usize::from(check(board.flash(), &mut known, &expected, round));
    }
    println!(
        "{kills} kills, {traces} with a trace of it in the flash: {} records acknowledged, starts up to {}",
        known.next, known.boot
    );
    assert!(known.next > 100 && known.boot as usize > kills / 4, "that is no test");
}
