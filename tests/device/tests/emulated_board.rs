//! The ARM image as a machine: its cost, its deadlines, its crashes, its flash.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::time::{Duration, Instant};

use wyelog_device_tests::arm::{Board, line, numbers};
use wyelog_device_tests::play;
use wyelog_firmware::frontend::Input;
use wyelog_protocol::SCHEMA;
use wyelog_protocol::bank::Settings;
use wyelog_protocol::condition::{Change, Condition};
use wyelog_protocol::frame::{Decoder, MAX_FRAME_BYTES, encode};
use wyelog_protocol::message::{FromLogger, Reply, Request, ToLogger};
use wyelog_protocol::record::{ClockSource, CrashCause, Follows, Record, Reset, Status, StatusRecord};
use wyelog_simulator::emulator::{Emulator, End, Erase, Pace, Serial, Trip};
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

/// The first `seconds` of a fuse's end, with a clock set every so many frames: each makes a record, so that a sector is
/// full every few seconds and the Keeper erases again and again. And how often the clock is set.
fn many_records(seconds: usize, every: usize) -> (Settings, Vec<Input>, usize) {
    let (settings, signal) = scenario("blown_fuse_b", seconds);
    let mut inputs = Vec::new();
    let mut records = 1;
    for (n, input) in signal.into_iter().enumerate() {
        inputs.push(input);
        if n % every == every - 1 {
            inputs.push(Input::Clock(1_900_000_000_000 + n as u64 * 5 / 24, ClockSource::Signal));
            records += 1;
        }
    }
    (settings, inputs, records)
}

/// Every erase at its worst, no frame lost, every record in the log.
fn check_that_nothing_is_lost(board: &Board, log: &[String], records: usize, erases_at_least: u64) {
    let [.., lost, deepest] = numbers(line(log, "frames lost"))[..] else { panic!("{log:?}") };
    let erases = *numbers(line(log, "sectors erased")).last().unwrap();
    println!("{erases} erases of 400 ms, {lost} frames lost, at most {deepest} inputs waiting");
    assert!(erases >= erases_at_least, "{erases} erases are no test");
    assert_eq!(lost, 0);
    let stored = play::decode(&play::stored(board.flash()));
    let statuses = statuses(&stored);
    assert!(
        !statuses.iter().any(|(_, s)| matches!(s, Status::FramesLost { .. } | Status::RecordsLost { .. }))
    );
    assert!(!statuses.iter().any(|(_, s)| matches!(s, Status::CapturesLost { .. })));
    let ends: Vec<Follows> = stored
        .iter()
        .filter_map(|record| if let Record::Capture(capture) = record { Some(capture.follows) } else { None })
        .filter(|follows| *follows != Follows::More)
        .collect();
    println!("{} captures", ends.len());
    assert!(ends.iter().all(|follows| *follows == Follows::Nothing), "{ends:?}");
    let set = statuses.iter().filter(|(_, s)| matches!(s, Status::ClockSet { .. })).count();
    assert_eq!(set, records, "every record is in the log");
}

/// `-icount shift=4`: 62.5 million instructions a second, about an 84 MHz Cortex-M4F.
#[test]
fn no_frame_is_lost_while_the_flash_erases_for_400_ms() {
    let (settings, inputs, records) = many_records(32, 192);
    let board = Board::new();
    board.insert(&settings, inputs);
    let mut options = board.options();
    options.pace = Pace::Real;
    options.erase = Erase::Worst;
    options.icount_shift = Some(4);
    let log = board.run(&options);
    check_that_nothing_is_lost(&board, &log, records, 5);
    let stored = play::decode(&play::stored(board.flash()));
    assert!(stored.iter().any(|record| matches!(record, Record::Capture(_))), "a fuse has blown");
}

/// A host at the board's serial line.
struct Host {
    line: TcpStream,
    decoder: Decoder,
    number: u16,
}

impl Host {
    fn new(emulator: &mut Emulator) -> Self {
        let line = emulator.take_line().unwrap();
        // 400 ms of the machine's time can be seconds of ours.
        line.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
        Self { line, decoder: Decoder::new(), number: 0 }
    }

    fn send(&mut self, request: Request) -> std::io::Result<()> {
        self.number += 1;
        let packet = postcard::to_stdvec(&ToLogger { number: self.number, request }).unwrap();
        self.line.write_all(encode(&packet, &mut [0; MAX_FRAME_BYTES]).unwrap())
    }

    /// The next reply, if one comes, with its number.
    fn reply<T>(&mut self, look: impl FnOnce(Reply<'_>) -> T) -> Option<(u16, T)> {
        loop {
            let mut byte = [0];
            self.line.read_exact(&mut byte).ok()?;
            if let Some(packet) = self.decoder.push(byte[0]) {
                let FromLogger { number, reply } = postcard::from_bytes(packet.unwrap()).unwrap();
                return Some((number, look(reply)));
            }
        }
    }

    /// Asks once; says whether the right reply came, `None` when the line is gone.
    fn is_answered(&mut self, request: Request) -> Option<bool> {
        self.send(request).ok()?;
        let number = self.number;
        let (replied, right) = self.reply(|reply| match request {
            Request::Identify => matches!(reply, Reply::Identity(identity) if identity.schema == SCHEMA),
            _ => matches!(reply, Reply::Live(_) | Reply::NotYet),
        })?;
        Some(right && replied == number)
    }
}

#[test]
fn the_link_answers_while_the_flash_erases_for_400_ms() {
    let (settings, inputs, records) = many_records(12, 144);
    let board = Board::new();
    board.insert(&settings, inputs);
    let mut options = board.options();
    options.pace = Pace::Real;
    options.erase = Erase::Worst;
    options.icount_shift = Some(4);
    options.serial = Serial::Tcp;
    let mut emulator = Emulator::start(&options).unwrap();
    let mut host = Host::new(&mut emulator);
    let (mut asked, mut slowest) = (0, Duration::ZERO);
    // Until the tape, and with it the emulator, ends.
    for request in [Request::Identify, Request::ReadLive].into_iter().cycle() {
        let begin = Instant::now();
        match host.is_answered(request) {
            Some(right) => assert!(right, "a wrong answer to request {}", host.number),
            None => break,
        }
        slowest = slowest.max(begin.elapsed());
        asked += 1;
    }
    assert!(emulator.wait(Duration::from_secs(20)).unwrap().success(), "the link fell silent");
    let log = board.log();
    println!("{asked} requests answered, each at the first asking, the slowest after {slowest:?}");
    log.iter().for_each(|line| println!("    {line}"));
    // How many depends on this machine; a dozen an erase are traffic.
    assert!(asked > 50, "{asked} requests are no traffic");
    assert_eq!(*numbers(line(&log, "bytes found no room")).last().unwrap(), 0);
    check_that_nothing_is_lost(&board, &log, records, 3);
}

/// The machine's time is ours here: while the second sector is erased, right after the start, 400 ms of a flood come in.
#[test]
fn a_flood_of_requests_loses_some_and_garbles_none() {
    let (settings, inputs) = scenario("interruption", 2);
    let board = Board::new();
    board.insert(&settings, inputs);
    let mut options = board.options();
    options.pace = Pace::Real;
    options.erase = Erase::Worst;
    options.end = End::Stay;
    options.serial = Serial::Tcp;
    let mut emulator = Emulator::start(&options).unwrap();
    let mut host = Host::new(&mut emulator);
    host.line.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
    let flood: u16 = 1000;
    (0..flood).for_each(|_| host.send(Request::Identify).unwrap());
    let mut answered = 0;
    while let Some((number, right)) = host.reply(|reply| matches!(reply, Reply::Identity(_))) {
        assert!(right && number <= flood, "a wrong answer to request {number}");
        answered += 1;
    }
    println!("{answered} of {flood} requests answered");
    assert!((1..flood).contains(&answered), "{answered}: all were lost, or none");
    // A frame begins with a zero too: what is left of a torn one takes no other with it.
    assert_eq!(host.is_answered(Request::Identify), Some(true));
}

/// Contacts at each frame of a burst of chatter: with the frame, as many inputs as the board takes from the tape at once. They
/// alone are more work than the processor of [`play_slowly`] can do.
const CONTACTS: usize = 23;
/// A burst of chatter begins every so many frames. The pause behind it is long enough for the queue to run empty, and for the
/// Keeper to store what was said.
const BURST_EVERY: usize = 480;
/// Frames of a burst: most of them are lost.
const BURST: usize = 96;
/// The frame of each burst at which the clock is set, a whole number of milliseconds: by then the queue is full.
const CLOCK_AT: usize = 48;
const CHATTER_BEGINS: usize = 2400;
const CHATTER_ENDS: usize = 9600;

/// A contact that chatters in bursts, on a processor so slow that the queue is full in each of them and empty before the next.
/// The contact says open, then closed from just before frame `closes` on; the clock is set, never changed.
fn chatter(seconds: usize, closes: usize) -> (Settings, Vec<Input>) {
    let (settings, signal) = scenario("healthy_50hz", seconds);
    let frames = signal.into_iter().filter(|input| matches!(input, Input::Frame(_)));
    let mut inputs = vec![Input::Contact(false)];
    for (n, frame) in frames.enumerate() {
        let chatters = (CHATTER_BEGINS..CHATTER_ENDS).contains(&n) && n % BURST_EVERY < BURST && n <= closes;
        if chatters {
            inputs.extend([Input::Contact(false); CONTACTS - 1]);
            inputs.push(Input::Contact(n == closes));
        }
        if n % BURST_EVERY == CLOCK_AT && n < CHATTER_ENDS {
            inputs.push(Input::Clock(1_900_000_000_000 + n as u64 * 5 / 24, ClockSource::Signal));
        }
        inputs.push(frame);
    }
    (settings, inputs)
}

fn play_slowly(board: &Board, settings: &Settings, inputs: Vec<Input>) -> (Vec<String>, Vec<Record>) {
    board.insert(settings, inputs);
    let mut options = board.options();
    options.pace = Pace::Real;
    options.erase = Erase::None;
    // 31 million instructions a second: three times what the signal alone takes, and too few for a burst by far.
    options.icount_shift = Some(5);
    let log = board.run(&options);
    (log, play::decode(&play::stored(board.flash())))
}

/// Plays the chatter, checks what must be whatever was lost, and returns every loss, its first frame and its length, and
/// whether the contact was heard to be closed.
fn losses(closes: usize) -> (Vec<(usize, usize)>, bool) {
    let board = Board::new();
    let (settings, inputs) = chatter(13, closes);
    let (log, records) = play_slowly(&board, &settings, inputs);
    let mut losses = Vec::new();
    let mut clocks = 0;
    for record in &records {
        let Record::Status(StatusRecord { stamp, status }) = record else { continue };
        match status {
            Status::FramesLost { count } => {
                losses.push((stamp.frame as usize - *count as usize, *count as usize));
            }
            // It was always set to what it was: however many frames were lost, time went on.
            Status::ClockSet { before_ms: Some(before), after_ms, .. } => {
                assert_eq!(before, after_ms);
                clocks += 1;
            }
            _ => {}
        }
    }
    let [.., lost, _] = numbers(line(&log, "frames lost"))[..] else { panic!("{log:?}") };
    println!("{lost} frames lost: {losses:?}");
    assert!(lost > 100, "{lost} frames lost are no test");
    assert_eq!(losses.iter().map(|(_, count)| *count as u64).sum::<u64>(), lost, "each lost frame is told");
    // A clock that was held back parts the loss around it.
    let is_parted = |[(first, count), (rest, _)]: &[(usize, usize); 2]| {
        first + count == *rest && rest % BURST_EVERY == CLOCK_AT
    };
    assert!(losses.array_windows().any(is_parted), "no clock was held back: {losses:?}");
    // The first had no time before it.
    assert_eq!(clocks, (CHATTER_ENDS - CLOCK_AT) / BURST_EVERY, "each setting of the clock is told");
    // The bank carries though it is told to be open, until the contact says otherwise.
    let closed = records.iter().any(|record| {
        matches!(record, Record::Event(event)
            if event.condition == Condition::FailedToOperate && event.change == Change::Ended)
    });
    (losses, closed)
}

#[test]
fn a_full_queue_loses_frames_but_neither_contacts_nor_clocks() {
    let (all, closed) = losses(usize::MAX);
    assert!(!closed, "nobody said so");
    let (first, count) = all.into_iter().max_by_key(|(_, count)| *count).unwrap();
    // Counted instructions: the same again, up to where the contact's last word falls into the midst of a loss.
    let closes = first + count / 2;
    let (again, closed) = losses(closes);
    assert!(
        again.iter().any(|(first, count)| (*first..first + count).contains(&closes)),
        "{closes}: {again:?}"
    );
    assert!(closed, "the contact's last word was lost");
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
    let trips = [
        (Trip::Panic, CrashCause::Panic, true),
        (Trip::HardFault, CrashCause::HardFault, true),
        // The stack had no room for the address.
        (Trip::StackOverflow, CrashCause::HardFault, false),
    ];
    for (trip, cause, has_address) in trips {
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
        let in_code = (0x100..0x2_0000).contains(address);
        assert!(if has_address { in_code } else { *address == 0 }, "{trip:?}: {address:#x}");
    }
}
