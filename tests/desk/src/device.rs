//! Loggers to talk to: the shipped Keeper with a log of its own making, and things that only look like loggers.

use std::net::{SocketAddr, TcpListener};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use wyelog_firmware::keeper::{Device, Keeper};
use wyelog_protocol::bank::Settings;
use wyelog_protocol::frame::{Decoder, MAX_FRAME_BYTES, encode};
use wyelog_protocol::message::{FromLogger, MAX_PACKET_BYTES, Reply, Request, ToLogger};
use wyelog_protocol::quantity::{PerUnit, Percent, Voltage};
use wyelog_protocol::record::{BankState, Interval, Polar, Quality, Range, Record, Stamp};
use wyelog_protocol::text;
use wyelog_simulator::flash::NorMemory;
use wyelog_simulator::line::{Clients, FaultCounts, LineFaults};
use wyelog_simulator::scenario::BankFile;

/// The settings of the loggers here.
///
/// # Panics
/// The bank file in this function makes no sense.
pub fn settings() -> Settings {
    let bank = "[bank]\nname = \"Quillmere 3\"\nconnection = \"grounded_wye\"\nrated_kvar = 600\n\
        rated_kv_ll = 12.47\nfrequency_hz = 60\n";
    BankFile::parse("bank.toml", bank).map(|bank| bank.settings()).unwrap_or_else(|error| panic!("{error}"))
}

/// A Keeper that has stored so many intervals, all different.
///
/// # Panics
/// The flash cannot be mounted.
pub fn keeper(serial: &str, intervals: u64, sectors: usize) -> Keeper<NorMemory> {
    let device = Device { board: "test", serial: text(serial) };
    let (mut keeper, mounted) = Keeper::start(NorMemory::new(sectors), device, settings(), None);
    assert!(mounted.is_ok(), "{mounted:?}");
    for number in 0..intervals {
        keeper.store(&interval(keeper.boot(), number));
    }
    keeper
}

/// The record of an interval, all different.
pub fn interval(boot: u32, number: u64) -> Record {
    // Small numbers that look measured and differ from one interval to the next.
    let wobble = (number.wrapping_mul(2_654_435_761) % 1000) as f32;
    let volts = |offset: f32| Voltage::quantise(7200.0 + offset + wobble / 10.0);
    let voltage =
        [0.0, 15.0, -20.0].map(|o| Range { rms: volts(o), min: volts(o - 9.0), max: volts(o + 8.0) });
    Record::Interval(Interval {
        stamp: Stamp { boot, frame: number * 288_000, utc_ms: Some(1_900_000_000_000 + number * 60_000) },
        windows: 300,
        flagged: 0,
        frequency: wyelog_protocol::quantity::Frequency::quantise(60.0 + wobble / 1e5),
        voltage,
        neutral: Range::default(),
        residual: PerUnit::quantise(wobble / 1e4),
        neutral_phasor: Polar::default(),
        residual_phasor: Polar::default(),
        u2: Percent::quantise(0.8),
        u0: Percent::quantise(1.1),
        nema: Percent::quantise(0.7),
        connected: [PerUnit::quantise(1.0); 3],
        quality: Quality::default(),
        state: BankState::Closed,
    })
}

/// Something that listens on a port of this machine, in a thread of its own, until dropped.
#[derive(Debug)]
pub struct Served {
    /// Where.
    pub port: String,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<FaultCounts>>,
}

impl Served {
    fn start(work: impl FnOnce(TcpListener, &AtomicBool) -> FaultCounts + Send + 'static) -> Self {
        let (listener, address) = listener();
        let stop = Arc::new(AtomicBool::new(false));
        let flag = Arc::clone(&stop);
        let thread = std::thread::spawn(move || work(listener, &flag));
        Self { port: format!("tcp:{address}"), stop, thread: Some(thread) }
    }

    /// Serves `keeper` over a line with faults. After `connections` disconnects by fault it is gone for good.
    ///
    /// # Panics
    /// The port fails.
    pub fn keeper(mut keeper: Keeper<NorMemory>, faults: LineFaults, connections: Option<u64>) -> Self {
        Self::start(move |listener, stop| {
            let mut clients = Clients::new(listener, faults).unwrap_or_else(|error| panic!("{error}"));
            while !stop.load(Ordering::Relaxed)
                && connections.is_none_or(|most| clients.counts().disconnects < most)
            {
                let line = clients.line().unwrap_or_else(|error| panic!("{error}"));
                if !keeper.serve(line) {
                    std::thread::sleep(Duration::from_micros(300));
                }
            }
            clients.counts()
        })
    }

    /// Answers every request with what `answer` makes of it, in frames: a logger of another kind.
    ///
    /// # Panics
    /// The port fails.
    pub fn answering(answer: fn(u16, Request) -> Vec<u8>) -> Self {
        use embedded_line::*;
        Self::start(move |listener, stop| {
            let mut clients =
                Clients::new(listener, LineFaults::NONE).unwrap_or_else(|error| panic!("{error}"));
            let mut decoder = Decoder::new();
            while !stop.load(Ordering::Relaxed) {
                let line = clients.line().unwrap_or_else(|error| panic!("{error}"));
                let Some(byte) = read_byte(line) else {
                    std::thread::sleep(Duration::from_micros(300));
                    continue;
                };
                let request = match decoder.push(byte) {
                    Some(Ok(packet)) => postcard::from_bytes::<ToLogger>(packet).ok(),
                    _ => None,
                };
                if let Some(ToLogger { number, request }) = request {
                    write_all(line, &answer(number, request));
                }
            }
            clients.counts()
        })
    }

    /// Ends it, and says what went wrong on the line.
    ///
    /// # Panics
    /// The thread did.
    pub fn end(mut self) -> FaultCounts {
        self.stop.store(true, Ordering::Relaxed);
        let thread = self.thread.take();
        thread.map(|thread| thread.join().unwrap_or_else(|_| panic!("the device failed"))).unwrap_or_default()
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            // A device that failed has said so in its own thread.
            let _ = thread.join();
        }
    }
}

mod embedded_line {
    //! Reading and writing a client's line without a trait in scope elsewhere.

    use wyelog_simulator::line::Connection;

    pub fn read_byte(line: &mut impl Connection) -> Option<u8> {
        let mut byte = [0];
        let is_there = line.read_ready().unwrap_or(false) && matches!(line.read(&mut byte), Ok(1));
        is_there.then_some(byte[0])
    }

    pub fn write_all(line: &mut impl Connection, bytes: &[u8]) {
        let mut rest = bytes;
        while !rest.is_empty() && !line.is_gone() {
            let written = line.write(rest).unwrap_or(rest.len());
            rest = rest.get(written..).unwrap_or_default();
        }
    }
}

/// A listening port of this machine.
///
/// # Panics
/// There is none.
pub fn listener() -> (TcpListener, SocketAddr) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap_or_else(|error| panic!("{error}"));
    let address = listener.local_addr().unwrap_or_else(|error| panic!("{error}"));
    (listener, address)
}

/// A reply in a frame.
///
/// # Panics
/// It fits none.
pub fn framed(number: u16, reply: Reply<'_>) -> Vec<u8> {
    let mut packet = [0; MAX_PACKET_BYTES];
    let packet = postcard::to_slice(&FromLogger { number, reply }, &mut packet);
    framed_bytes(packet.unwrap_or_else(|error| panic!("{error}")))
}

/// Any bytes in a frame.
///
/// # Panics
/// They fit none.
pub fn framed_bytes(packet: &[u8]) -> Vec<u8> {
    encode(packet, &mut [0; MAX_FRAME_BYTES]).unwrap_or_else(|| panic!("too long")).to_vec()
}
