//! `wyelog emulate`

use std::io::Write;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use wyelog::rtc::FileRtc;
use wyelog_firmware::meter::Buffers;
use wyelog_simulator::board::{self, Board};
use wyelog_simulator::emulator::{self, Emulator, EmulatorError};
use wyelog_simulator::flash::{ImageError, NorMemory};
use wyelog_simulator::line::{Clients, FaultCounts, LineFaults, StreamLine, carry};
use wyelog_simulator::scenario::Scenario;
use wyelog_simulator::tape;

use super::{Failure, Outcome, say, try_it};

/// Run a logger on a simulated signal and let others talk to it, until Ctrl-C.
///
/// The first line of the output is the port: give it to `wyelog download --port`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog emulate blown_fuse --pace free
  wyelog emulate blown_fuse --port pty                 a pseudo-terminal (not on Windows)
  wyelog emulate healthy --line-errors 0.001           one byte in a thousand is wrong
  wyelog emulate healthy --image IMAGE --for 60        the ARM image, in qemu

`cargo task image` builds the ARM image and says where it is.")]
pub struct Arguments {
    /// Name of a scenario that comes with the program, or a scenario file
    scenario: String,
    /// The ARM image to run in qemu-system-arm; the firmware runs in this process unless given
    #[arg(long, value_name = "ELF")]
    image: Option<PathBuf>,
    /// Where to serve: tcp:HOST:PORT (port 0: any free one), or pty
    #[arg(long, value_name = "PORT", default_value = "tcp:127.0.0.1:0")]
    port: String,
    /// How fast the signal goes: as in reality, or as fast as this machine can
    #[arg(long, value_enum, default_value_t = Pace::Real)]
    pace: Pace,
    /// Part of the bytes that arrive wrong, both ways: 0 to 1
    #[arg(long, value_name = "RATE", default_value_t = 0.0, value_parser = rate)]
    line_errors: f64,
    /// File of the logger's flash; made if it is not there, written at the end
    #[arg(long, value_name = "FILE")]
    flash: Option<PathBuf>,
    /// File of the logger's battery-backed clock; made when the clock is set. The signal brings no time then: `wyelog clock` sets it
    #[arg(long, value_name = "FILE")]
    rtc: Option<PathBuf>,
    /// End after so many seconds
    #[arg(long = "for", value_name = "SECONDS", value_parser = seconds)]
    seconds: Option<f64>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Pace {
    /// 4800 frames a second
    Real,
    /// As fast as this machine can
    Free,
}

fn rate(text: &str) -> Result<f64, String> {
    let rate = text.parse().map_err(|_| "not a number".to_owned())?;
    if (0.0..=1.0).contains(&rate) { Ok(rate) } else { Err("must be 0 to 1".to_owned()) }
}

fn seconds(text: &str) -> Result<f64, String> {
    let seconds = text.parse().map_err(|_| "not a number".to_owned())?;
    if (0.0..=1e9).contains(&seconds) { Ok(seconds) } else { Err("must be 0 to 1000000000".to_owned()) }
}

/// Serial number of the logger in this process.
const SERIAL: &str = "SIMULATED";

/// How long the emulator's line rests when there is nothing to carry.
const REST: Duration = Duration::from_micros(500);

/// When to end.
struct End {
    asked: Arc<AtomicBool>,
    at: Option<Instant>,
}

impl End {
    fn new(arguments: &Arguments) -> Result<Self, Failure> {
        let asked = Arc::new(AtomicBool::new(false));
        let flag = Arc::clone(&asked);
        ctrlc::set_handler(move || flag.store(true, Ordering::Relaxed))
            .map_err(|error| Failure::new(format!("Ctrl-C cannot be caught: {error}; start it anew")))?;
        let at = arguments.seconds.map(|seconds| Instant::now() + Duration::from_secs_f64(seconds));
        Ok(Self { asked, at })
    }

    fn is_here(&self) -> bool {
        self.asked.load(Ordering::Relaxed) || self.at.is_some_and(|at| Instant::now() >= at)
    }
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let scenario = try_it::named(&arguments.scenario)?;
    if let Some(path) = &arguments.flash {
        // Not only when everything is over.
        check_writable(path)?;
    }
    let end = End::new(arguments)?;
    let faults = LineFaults { seed: scenario.seed, byte_error: arguments.line_errors, ..LineFaults::NONE };
    let counts = match &arguments.image {
        None => in_process(arguments, &scenario, faults, &end, out)?,
        Some(image) => in_emulator(arguments, image, &scenario, faults, &end, out)?,
    };
    if counts.byte_errors > 0 {
        say(&format!(
            "{} of {} bytes on the line were wrong, as asked for",
            counts.byte_errors, counts.bytes
        ));
    }
    Ok(Outcome::Whole)
}

fn check_writable(path: &Path) -> Result<(), Failure> {
    let was_there = path.exists();
    let file = std::fs::OpenOptions::new().append(true).create(true).open(path);
    file.map_err(|source| ImageError::File { path: path.to_owned(), source })?;
    if !was_there {
        // It only stood there for the question.
        let _ = std::fs::remove_file(path);
    }
    Ok(())
}

/// What the logger measures. With a battery-backed clock it is told no time.
fn signal(arguments: &Arguments, scenario: &Scenario) -> tape::Tape {
    let tape = tape::from_scenario(scenario);
    if arguments.rtc.is_some() { tape.without_clock() } else { tape }
}

fn in_process(
    arguments: &Arguments,
    scenario: &Scenario,
    faults: LineFaults,
    end: &End,
    out: &mut impl Write,
) -> Result<FaultCounts, Failure> {
    let flash = match &arguments.flash {
        Some(path) if path.exists() => NorMemory::load(path)?,
        _ => NorMemory::new(board::SECTORS),
    };
    let pace = match arguments.pace {
        Pace::Real => board::Pace::Real,
        Pace::Free => board::Pace::Free,
    };
    let mut buffers = Box::new(Buffers::new());
    let mut board = Board::start(&mut buffers, signal(arguments, scenario), flash, SERIAL, pace)?;
    if let Some(path) = &arguments.rtc {
        board = board.with_rtc(FileRtc::new(path.clone()));
    }
    let mut told = false;
    let mut stop = |board: &Board<'_>| {
        if board.has_ended() && !told {
            told = true;
            say("the signal has ended; the logger still answers");
        }
        end.is_here()
    };
    let counts = if arguments.port == "pty" {
        terminal::serve(&mut board, faults, &mut stop, out)?
    } else {
        let mut clients = listen(&arguments.port, faults, out)?;
        board
            .serve_clients(&mut clients, &mut stop)
            .map_err(|error| port_failure(&arguments.port, &error))?;
        clients.counts()
    };
    if let (Some(path), Some(flash)) = (&arguments.flash, board.into_flash()) {
        flash.save(path)?;
    }
    Ok(counts)
}

/// A TCP port for clients; prints it.
fn listen(port: &str, faults: LineFaults, out: &mut impl Write) -> Result<Clients, Failure> {
    let address = port.strip_prefix("tcp:").ok_or_else(|| {
        Failure::new(format!("{port}: not a port to serve on; give tcp:HOST:PORT, tcp:127.0.0.1:0 or pty"))
    })?;
    let fail = |error| port_failure(port, &error);
    let listener = TcpListener::bind(address).map_err(fail)?;
    let address = listener.local_addr().map_err(fail)?;
    let clients = Clients::new(listener, faults).map_err(fail)?;
    announce(out, &format!("tcp:{address}"))?;
    Ok(clients)
}

fn port_failure(port: &str, error: &std::io::Error) -> Failure {
    let hint = match error.kind() {
        std::io::ErrorKind::AddrInUse => "the port is taken: choose another, or 0 for any free one",
        _ => "choose another",
    };
    Failure::new(format!("{port}: nothing can be served there ({error}); {hint}"))
}

fn announce(out: &mut impl Write, port: &str) -> Result<(), Failure> {
    writeln!(out, "{port}")?;
    out.flush()?;
    Ok(())
}

#[cfg(unix)]
mod terminal {
    //! The board in this process behind a pseudo-terminal.

    use serialport::{SerialPort, TTYPort};
    use wyelog_simulator::line::{FaultyLine, Hangup};

    use super::*;

    pub fn serve(
        board: &mut Board<'_>,
        faults: LineFaults,
        stop: &mut dyn FnMut(&Board<'_>) -> bool,
        out: &mut impl Write,
    ) -> Result<FaultCounts, Failure> {
        let fail = |error| Failure::new(format!("no pseudo-terminal ({error}); serve on tcp:127.0.0.1:0"));
        let (mut near, far) = TTYPort::pair().map_err(fail)?;
        near.set_timeout(Duration::ZERO).map_err(fail)?;
        let name =
            far.name().ok_or_else(|| Failure::new("a pseudo-terminal without a name; serve on TCP"))?;
        // Closed, so that a client can have it for itself.
        drop(far);
        announce(out, &name)?;
        let mut line = FaultyLine::new(StreamLine::new(near, Hangup::Waits), faults);
        board.serve_until(&mut line, stop);
        Ok(line.counts())
    }
}

#[cfg(not(unix))]
mod terminal {
    //! Not on this system.

    use super::*;

    pub fn serve(
        _: &mut Board<'_>,
        _: LineFaults,
        _: &mut dyn FnMut(&Board<'_>) -> bool,
        _: &mut impl Write,
    ) -> Result<FaultCounts, Failure> {
        Err(Failure::new("this system has no pseudo-terminals; serve on tcp:127.0.0.1:0"))
    }
}

fn in_emulator(
    arguments: &Arguments,
    image: &Path,
    scenario: &Scenario,
    faults: LineFaults,
    end: &End,
    out: &mut impl Write,
) -> Result<FaultCounts, Failure> {
    let failed = |what: &str, error| Failure::new(format!("{what}: {error}; check the room on the disk"));
    let folder = tempfile::tempdir().map_err(|error| failed("a temporary folder", error))?;
    let write_tape = || {
        let mut file = std::io::BufWriter::new(std::fs::File::create(folder.path().join("tape"))?);
        signal(arguments, scenario).write(&mut file)?;
        file.flush()
    };
    write_tape().map_err(|error| failed("the tape", error))?;
    let flash = folder.path().join("flash");
    if let Some(path) = arguments.flash.as_ref().filter(|path| path.exists()) {
        std::fs::copy(path, &flash).map_err(|error| failed(&path.display().to_string(), error))?;
    }
    let is_terminal = arguments.port == "pty";
    if is_terminal && arguments.line_errors > 0.0 {
        return Err(Failure::usage("--line-errors needs a tcp port with --image; leave one of them away"));
    }
    let mut options = emulator::Options::new(image);
    options.folder = folder.path().to_owned();
    options.tape = Some("tape".to_owned());
    options.flash = Some("flash".to_owned());
    let rtc = folder.path().join("rtc");
    if let Some(path) = &arguments.rtc {
        options.rtc = Some("rtc".to_owned());
        if path.exists() {
            std::fs::copy(path, &rtc).map_err(|error| failed(&path.display().to_string(), error))?;
        }
    }
    options.pace = match arguments.pace {
        Pace::Real => emulator::Pace::Real,
        Pace::Free => emulator::Pace::Free,
    };
    options.serial = if is_terminal { emulator::Serial::Pty } else { emulator::Serial::Tcp };
    let mut clients = if is_terminal { None } else { Some(listen(&arguments.port, faults, out)?) };
    let mut emulator = Emulator::start(&options)?;
    if let Some(path) = emulator.port() {
        announce(out, &path.display().to_string())?;
    }
    let mut line = emulator
        .take_line()
        .map(StreamLine::tcp)
        .transpose()
        .map_err(|error| port_failure(&arguments.port, &error))?;
    while !end.is_here() {
        let busy = match (&mut line, &mut clients) {
            (Some(line), Some(clients)) => {
                carry(line, clients.line().map_err(|error| port_failure(&arguments.port, &error))?)
            }
            _ => false,
        };
        if !busy {
            running(&mut emulator)?;
            std::thread::sleep(REST);
        }
    }
    emulator.kill();
    if let Some(path) = &arguments.flash {
        std::fs::copy(&flash, path).map_err(|error| failed(&path.display().to_string(), error))?;
    }
    if let Some(path) = arguments.rtc.as_ref().filter(|_| rtc.exists()) {
        std::fs::copy(&rtc, path).map_err(|error| failed(&path.display().to_string(), error))?;
    }
    Ok(clients.map_or_else(FaultCounts::default, |clients| clients.counts()))
}

/// An emulator that has ended by itself is no board any more.
fn running(emulator: &mut Emulator) -> Result<(), Failure> {
    if emulator.is_running()? {
        return Ok(());
    }
    let status = emulator.wait(Duration::ZERO)?;
    // It fills screens when it dies; how it died stands at the start.
    let said = emulator.said().into_iter().take(3).collect::<Vec<_>>().join(" | ");
    Err(EmulatorError::Ended { status, when: "by itself", said }.into())
}
