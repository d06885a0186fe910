//! Downloads of 4 MiB over a serial line of every speed, on the line's own clock: how much of the line is used when it is clean, and
//! that not one byte differs when it is not.
//!
//! The board answers at once: its own time, which is short beside the line's, is not in these rates.

use std::io;
use std::path::Path;
use std::time::Duration;

use wyelog::device::{DeviceError, Patience, Progress, Session, Transport};
use wyelog::download::{self, DownloadError, Downloaded};
use wyelog::log::Log;
use wyelog_desk_tests::device::{interval, settings};
use wyelog_firmware::keeper::{Device, Keeper};
use wyelog_protocol::record::MAX_RECORD_BYTES;
use wyelog_protocol::text;
use wyelog_simulator::flash::NorMemory;
use wyelog_simulator::line::{FaultCounts, FaultyLine, LineFaults, PacedEnd, PacedLine, paced_line};

/// Bytes of records in the log.
const LOG: usize = 4 << 20;
/// 8 MiB of flash.
const SECTORS: usize = 2048;
/// The line is looked at after so many byte times.
const STEP: usize = 16;
const RATES: [u32; 5] = [9600, 19_200, 115_200, 460_800, 921_600];

/// A logger at the other end of a paced line.
struct Paced {
    keeper: Keeper<NorMemory>,
    near: PacedEnd,
    far: FaultyLine<PacedLine>,
    baud: u32,
    /// Byte times since the start.
    passed: u64,
    paused: Duration,
}

impl Paced {
    fn new(keeper: Keeper<NorMemory>, baud: u32, faults: LineFaults) -> Self {
        let (near, far) = paced_line();
        Self { keeper, near, far: FaultyLine::new(far, faults), baud, passed: 0, paused: Duration::ZERO }
    }

    /// Power goes, and comes again: what is under way on the line is lost.
    fn restarts(&mut self) {
        let flash = std::mem::replace(&mut self.keeper, start(NorMemory::new(8))).into_flash();
        self.keeper = start(flash.expect("a flash that could be mounted"));
    }
}

impl Transport for Paced {
    fn name(&self) -> &str {
        "a paced line"
    }

    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        if self.near.is_gone() {
            return Err(io::ErrorKind::BrokenPipe.into());
        }
        self.near.send(bytes);
        Ok(())
    }

    fn receive(&mut self, buffer: &mut [u8], limit: Duration) -> io::Result<usize> {
        let end = self.now() + limit;
        loop {
            while self.keeper.serve(&mut self.far) {}
            self.near.pass(STEP);
            self.passed += STEP as u64;
            let count = self.near.take(buffer);
            if count > 0 || self.now() >= end {
                return Ok(count);
            }
            if self.near.is_gone() {
                return Err(io::ErrorKind::BrokenPipe.into());
            }
        }
    }

    fn reopen(&mut self) -> Result<(), DeviceError> {
        let (near, far) = paced_line();
        self.near = near;
        self.far.reconnect(far);
        Ok(())
    }

    fn now(&self) -> Duration {
        self.paused + Duration::from_nanos(PacedEnd::nanoseconds(self.passed, self.baud))
    }

    fn pause(&mut self, time: Duration) {
        self.paused += time;
    }
}

fn start(flash: NorMemory) -> Keeper<NorMemory> {
    let device = Device { board: "test", serial: text("L1") };
    let (keeper, mounted) = Keeper::start(flash, device, settings(), None);
    assert!(mounted.is_ok(), "{mounted:?}");
    keeper
}

/// A logger with 4 MiB of records.
fn full() -> Keeper<NorMemory> {
    let mut keeper = start(NorMemory::new(SECTORS));
    let (mut bytes, mut number) = (0, 0);
    while bytes < LOG {
        let record = interval(keeper.boot(), number);
        bytes += record.encode(&mut [0; MAX_RECORD_BYTES]).expect("a record").len();
        keeper.store(&record);
        number += 1;
    }
    keeper
}

/// The download, over a new session.
fn download(
    line: &mut Paced,
    file: &Path,
    progress: &mut dyn FnMut(&Progress),
) -> Result<Downloaded, DownloadError> {
    let mut session = Session::new(line, Patience::default());
    let hello = session.identify()?;
    download::to_file(&mut session, &hello, file, None, progress)
}

/// Bytes of records in a log file.
fn record_bytes(file: &Path) -> usize {
    let log = Log::read(file).unwrap_or_else(|error| panic!("{error}"));
    assert!(log.unread.is_nothing(), "{:?}", log.unread);
    let length = |record: &wyelog_protocol::record::Record| {
        record.encode(&mut [0; MAX_RECORD_BYTES]).expect("a record").len()
    };
    log.records.iter().map(|kept| length(&kept.record)).sum()
}

/// What a clean line carries of records, of all it could.
#[test]
fn a_clean_line_is_used_well() {
    let folder = tempfile::tempdir().unwrap();
    let mut keeper = full();
    for baud in RATES {
        let mut line = Paced::new(keeper, baud, LineFaults::NONE);
        let file = folder.path().join(format!("{baud}.log"));
        let done = download(&mut line, &file, &mut |_| {}).unwrap_or_else(|error| panic!("{error}"));
        assert_eq!(done.progress.link.retries, 0, "{baud}");
        let (bytes, seconds) = (record_bytes(&file), line.now().as_secs_f64());
        assert!(bytes >= LOG, "{bytes}");
        let share = bytes as f64 / (seconds * f64::from(baud) / 10.0);
        println!(
            "{baud:>6} baud, clean: {bytes} bytes of records in {seconds:.0} s, {:.1} % of the line",
            100.0 * share
        );
        assert!(share >= 0.85, "{baud} baud: {share}");
        keeper = line.keeper;
    }
}

/// One byte in 10⁴ is wrong, one frame in a hundred is dropped, the line is cut fifty times, and the logger restarts on the way.
#[test]
fn a_bad_line_carries_every_byte() {
    let folder = tempfile::tempdir().unwrap();
    let mut keeper = full();
    let mut boots = 1;
    for (seed, baud) in (1..).zip(RATES) {
        let mut clean = Paced::new(keeper, 921_600, LineFaults::NONE);
        let whole = folder.path().join(format!("{baud}-clean.log"));
        let faults = LineFaults {
            seed,
            byte_error: 1e-4,
            byte_loss: 0.0,
            // A full frame is of about 530 bytes, and half of the longest burst is lost on average.
            burst_loss: 0.01 / 530.0,
            burst_bytes: 1060,
            bytes_to_disconnect: Some(LOG as u64 / 50),
        };
        download(&mut clean, &whole, &mut |_| {}).unwrap_or_else(|error| panic!("{error}"));
        let mut line = Paced::new(clean.keeper, baud, faults);
        let file = folder.path().join(format!("{baud}.log"));
        let mut session = Session::new(&mut line, Patience::default());
        let hello = session.identify().unwrap_or_else(|error| panic!("{error}"));
        // The program is stopped on the way, the logger restarts, and the same command goes on.
        let stop = std::sync::Arc::new(std::sync::atomic::AtomicBool::new(false));
        session.stop_on(std::sync::Arc::clone(&stop));
        let stopped = download::to_file(&mut session, &hello, &file, None, &mut |now| {
            stop.store(now.next > now.to / 3, std::sync::atomic::Ordering::Relaxed);
        });
        assert!(matches!(stopped, Err(DownloadError::Device(DeviceError::Stopped { .. }))), "{stopped:?}");
        line.restarts();
        boots += 1;
        let done = download(&mut line, &file, &mut |_| {}).unwrap_or_else(|error| panic!("{error}"));
        let FaultCounts { byte_errors, disconnects, lost_bytes, .. } = line.far.counts();
        assert!(done.went_on && byte_errors > 300 && disconnects >= 50 && lost_bytes > 10_000);
        let (bytes, seconds) = (record_bytes(&file), line.now().as_secs_f64());
        println!(
            "{baud:>6} baud, bad: {bytes} bytes of records in {seconds:.0} s, {:.1} % of the line, {byte_errors} wrong \
             and {lost_bytes} lost bytes, {disconnects} disconnects, {} requests again",
            1000.0 * bytes as f64 / (seconds * f64::from(baud)),
            done.progress.link.retries
        );
        same_records(&whole, &file, boots);
        keeper = line.keeper;
    }
}

/// All of `whole`, and behind it what the logger wrote when it started for the `boot`th time.
fn same_records(whole: &Path, file: &Path, boot: u32) {
    let [whole, file] = [whole, file].map(|path| Log::read(path).unwrap_or_else(|error| panic!("{error}")));
    let (same, more) = file.records.split_at(whole.records.len());
    assert!(same == whole.records, "other records");
    assert!(more.len() >= 2 && more.iter().all(|kept| kept.record.stamp().boot == boot), "{more:?}");
}
