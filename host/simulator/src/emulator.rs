//! The ARM image in the emulator: starting it, finding its serial line, ending it.
//!
//! The words that the image understands are those of `firmware/boards/emulated/src/options.rs`.

mod command;

use std::collections::VecDeque;
use std::io::{BufRead, BufReader, ErrorKind, Read};
use std::net::{TcpListener, TcpStream};
use std::path::PathBuf;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use thiserror::Error;

pub use command::{End, Erase, Options, Pace, Serial, Trip};

/// The program that is run.
pub const PROGRAM: &str = "qemu-system-arm";

/// How long the emulator may take to show its serial line.
const START: Duration = Duration::from_secs(20);
/// How often a wait looks.
const LOOK: Duration = Duration::from_millis(5);
/// Lines of the emulator's own output that are kept for messages.
const LINES: usize = 40;

/// The emulator does not do what it should.
#[derive(Debug, Error)]
pub enum EmulatorError {
    /// It is not installed.
    #[error("{PROGRAM} is not installed; install it (Debian, Ubuntu: apt-get install qemu-system-arm)")]
    NotInstalled,
    /// The image is not there.
    #[error("there is no image {}; build it with `cargo task image`", .0.display())]
    NoImage(PathBuf),
    /// A file's name that cannot be handed over.
    #[error(
        "the emulated board cannot take the file name {0:?}; use one without blanks, relative to its folder"
    )]
    FileName(String),
    /// The system says no.
    #[error("{PROGRAM}: {what}: {source}; look at what the system says")]
    System {
        /// What was tried.
        what: &'static str,
        /// What the system answered.
        source: std::io::Error,
    },
    /// It ended by itself.
    #[error("{PROGRAM} ended ({status}) {when}; it said: {said}")]
    Ended {
        /// How.
        status: ExitStatus,
        /// When.
        when: &'static str,
        /// Its last lines.
        said: String,
    },
    /// It took too long.
    #[error("{PROGRAM} did not come {what} within {seconds} s; it said: {said}")]
    TooSlow {
        /// To what.
        what: &'static str,
        /// The limit.
        seconds: u64,
        /// Its last lines.
        said: String,
    },
}

/// A running emulator; killed when dropped.
#[derive(Debug)]
pub struct Emulator {
    child: Child,
    said: Said,
    port: Option<PathBuf>,
    line: Option<TcpStream>,
}

/// The last lines of the emulator's output.
#[derive(Clone, Debug, Default)]
struct Said(Arc<Mutex<VecDeque<String>>>);

impl Said {
    fn lines(&self) -> Vec<String> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).iter().cloned().collect()
    }

    fn text(&self) -> String {
        let lines = self.lines();
        if lines.is_empty() { "nothing".to_owned() } else { lines.join(" | ") }
    }

    /// Collects what comes from `source` until it ends.
    fn listen(&self, source: impl Read + Send + 'static) {
        let said = self.clone();
        std::thread::spawn(move || {
            for line in BufReader::new(source).lines().map_while(Result::ok) {
                let mut lines = said.0.lock().unwrap_or_else(PoisonError::into_inner);
                if lines.len() == LINES {
                    lines.pop_front();
                }
                lines.push_back(line);
            }
        });
    }
}

impl Emulator {
    /// Starts the image and waits until its serial line is there.
    ///
    /// # Errors
    /// The emulator is not installed, refuses, or takes too long.
    pub fn start(options: &Options) -> Result<Self, EmulatorError> {
        if !options.image.is_file() {
            return Err(EmulatorError::NoImage(options.image.clone()));
        }
        let listener = match options.serial {
            Serial::Tcp => Some(system("its serial line", TcpListener::bind("127.0.0.1:0"))?),
            Serial::None | Serial::Pty => None,
        };
        let port = listener.as_ref().map(|l| system("its serial line", l.local_addr())).transpose()?;
        let mut command = Command::new(PROGRAM);
        command.args(options.arguments(port.map(|address| address.port()))?);
        command
            .current_dir(&options.folder)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        let mut child = command.spawn().map_err(|source| match source.kind() {
            ErrorKind::NotFound => EmulatorError::NotInstalled,
            _ => EmulatorError::System { what: "start", source },
        })?;
        let said = Said::default();
        if let Some(stdout) = child.stdout.take() {
            said.listen(stdout);
        }
        if let Some(stderr) = child.stderr.take() {
            said.listen(stderr);
        }
        let mut emulator = Self { child, said, port: None, line: None };
        match (options.serial, listener) {
            (Serial::Tcp, Some(listener)) => emulator.line = Some(emulator.accept(&listener)?),
            (Serial::Pty, _) => emulator.port = Some(emulator.terminal()?),
            _ => {}
        }
        Ok(emulator)
    }

    /// Path of the pseudo-terminal, with [`Serial::Pty`]; `serialport` opens it at any speed.
    pub const fn port(&self) -> Option<&PathBuf> {
        self.port.as_ref()
    }

    /// The connection to the board's serial line, with [`Serial::Tcp`]; once.
    pub const fn take_line(&mut self) -> Option<TcpStream> {
        self.line.take()
    }

    /// The last lines that the emulator said on its own output.
    pub fn said(&self) -> Vec<String> {
        self.said.lines()
    }

    /// Whether it still runs.
    ///
    /// # Errors
    /// The system does not know.
    pub fn is_running(&mut self) -> Result<bool, EmulatorError> {
        Ok(system("ask", self.child.try_wait())?.is_none())
    }

    /// Waits until the emulator ends by itself; kills it if that takes longer than `limit`.
    ///
    /// # Errors
    /// [`EmulatorError::TooSlow`].
    pub fn wait(&mut self, limit: Duration) -> Result<ExitStatus, EmulatorError> {
        let start = Instant::now();
        loop {
            if let Some(status) = system("wait", self.child.try_wait())? {
                return Ok(status);
            }
            if start.elapsed() > limit {
                self.kill();
                return Err(self.too_slow("to its end", limit));
            }
            std::thread::sleep(LOOK);
        }
    }

    /// Ends it now, as when power goes.
    pub fn kill(&mut self) {
        // Neither can fail in a way that matters: it has ended already then.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    fn accept(&mut self, listener: &TcpListener) -> Result<TcpStream, EmulatorError> {
        system("its serial line", listener.set_nonblocking(true))?;
        let start = Instant::now();
        loop {
            match listener.accept() {
                Ok((stream, _)) => return Ok(stream),
                Err(error) if error.kind() == ErrorKind::WouldBlock => self.still_starting(start)?,
                Err(source) => return Err(EmulatorError::System { what: "its serial line", source }),
            }
        }
    }

    /// Waits for the line in which the emulator names its terminal.
    fn terminal(&mut self) -> Result<PathBuf, EmulatorError> {
        let start = Instant::now();
        loop {
            let named = |line: String| {
                let rest = line.split_once("char device redirected to ")?.1;
                Some(PathBuf::from(rest.split(' ').next()?))
            };
            if let Some(path) = self.said.lines().into_iter().find_map(named) {
                return Ok(path);
            }
            self.still_starting(start)?;
        }
    }

    fn still_starting(&mut self, start: Instant) -> Result<(), EmulatorError> {
        if let Some(status) = system("start", self.child.try_wait())? {
            // Its last words may still be on their way.
            std::thread::sleep(LOOK * 10);
            return Err(EmulatorError::Ended { status, when: "at once", said: self.said.text() });
        }
        if start.elapsed() > START {
            return Err(self.too_slow("to its serial line", START));
        }
        std::thread::sleep(LOOK);
        Ok(())
    }

    fn too_slow(&self, what: &'static str, limit: Duration) -> EmulatorError {
        EmulatorError::TooSlow { what, seconds: limit.as_secs(), said: self.said.text() }
    }
}

impl Drop for Emulator {
    fn drop(&mut self) {
        self.kill();
    }
}

fn system<T>(what: &'static str, result: std::io::Result<T>) -> Result<T, EmulatorError> {
    result.map_err(|source| EmulatorError::System { what, source })
}
