//! A simulated board in this process: the shipped logger over simulated flash, fed from a tape, with a line to it.
//!
//! With [`Pace::Real`] this module reads the monotonic clock, to let 4800 frames pass in a second; what the logger
//! records does not depend on it.

use std::fmt;
use std::io;
use std::time::{Duration, Instant};

use thiserror::Error;
use wyelog_firmware::journal::MountError;
use wyelog_firmware::keeper::{Device, Line};
use wyelog_firmware::logger::Logger;
use wyelog_firmware::meter::Buffers;
use wyelog_firmware::rtc::{NoRtc, Rtc};
use wyelog_protocol::bank::Settings;
use wyelog_protocol::text;

use crate::flash::{FlashError, NorMemory};
use crate::frames_per_second;
use crate::levels::{Levels, Step};
use crate::line::{Clients, Connection};
use crate::tape::Tape;

/// Name of this board, as the logger says it.
pub const BOARD: &str = "simulated";

/// Sectors of 4 KiB in the flash of a new board: 1 MiB.
pub const SECTORS: usize = 256;

/// How fast the tape goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pace {
    /// As fast as this machine can.
    Free,
    /// 4800 frames a second.
    Real,
}

/// The board could not start.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum BoardError {
    /// The flash is of no use to the logger.
    #[error("the logger cannot use this flash ({0:?}); start with an empty one")]
    Flash(MountError<FlashError>),
}

/// Frames played between two looks at the line.
const FRAMES_PER_STEP: u64 = 480;
/// How long a board with nothing to do rests.
const REST: Duration = Duration::from_micros(500);

/// Where what enters the logger comes from.
#[derive(Debug)]
#[expect(clippy::large_enum_variant, reason = "there is one a board")]
pub enum Source {
    /// Sample by sample.
    Tape(Tape),
    /// At two levels. With [`Pace::Real`] windows come in groups of some seconds.
    Levels(Box<Levels>),
}

impl From<Tape> for Source {
    fn from(tape: Tape) -> Self {
        Self::Tape(tape)
    }
}

impl From<Levels> for Source {
    fn from(levels: Levels) -> Self {
        Self::Levels(Box::new(levels))
    }
}

impl Source {
    fn settings(&self) -> &Settings {
        match self {
            Self::Tape(tape) => tape.settings(),
            Self::Levels(levels) => levels.settings(),
        }
    }

    /// Gives the logger what comes next. Returns whether there was anything.
    fn feed(&mut self, logger: &mut Logger<'_, NorMemory>) -> bool {
        let step = match self {
            Self::Tape(tape) => tape.next().map(Step::Input),
            Self::Levels(levels) => levels.next(),
        };
        step.is_some_and(|step| {
            step.enter(logger);
            true
        })
    }
}

/// A logger and what enters it.
#[derive(Debug)]
pub struct Board<'b> {
    logger: Logger<'b, NorMemory>,
    source: Source,
    pace: Pace,
    started: Instant,
    ended: bool,
    rtc: Chip<'b>,
}

/// The board's battery-backed clock.
struct Chip<'b>(Box<dyn Rtc + 'b>);

impl fmt::Debug for Chip<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Chip")
    }
}

impl<'b> Board<'b> {
    /// Starts the logger, as after a reset. `serial` is cut to 16 bytes.
    ///
    /// # Errors
    /// The flash cannot be mounted.
    pub fn start(
        buffers: &'b mut Buffers,
        source: impl Into<Source>,
        flash: NorMemory,
        serial: &str,
        pace: Pace,
    ) -> Result<Self, BoardError> {
        let device = Device { board: BOARD, serial: text(serial) };
        let source = source.into();
        let settings = source.settings().clone();
        let (logger, mounted) = Logger::start(buffers, flash, device, settings, None);
        mounted.map_err(BoardError::Flash)?;
        Ok(Self { logger, source, pace, started: Instant::now(), ended: false, rtc: Chip(Box::new(NoRtc)) })
    }

    /// The same board with a battery-backed clock, by which its own is set now.
    #[must_use]
    pub fn with_rtc(mut self, rtc: impl Rtc + 'b) -> Self {
        self.rtc = Chip(Box::new(rtc));
        self.logger.start_clock(&mut *self.rtc.0);
        self
    }

    /// Plays what is due of the tape, a tenth of a second of it at most. Returns whether there was anything.
    pub fn advance(&mut self) -> bool {
        let due = match self.pace {
            Pace::Free => u64::MAX,
            Pace::Real => (self.started.elapsed().as_secs_f64() * frames_per_second()) as u64,
        };
        let until = due.min(self.logger.frames().saturating_add(FRAMES_PER_STEP));
        let mut busy = false;
        while !self.ended && self.logger.frames() < until {
            self.ended = !self.source.feed(&mut self.logger);
            busy = true;
        }
        busy
    }

    /// Plays the tape to its end. `each` is told the frames done so far now and then.
    pub fn play(&mut self, each: &mut dyn FnMut(u64)) {
        while !self.ended {
            if !self.advance() {
                std::thread::sleep(REST);
            }
            each(self.logger.frames());
        }
    }

    /// Moves bytes between the logger and a line. Returns whether there was anything to do.
    pub fn serve(&mut self, line: &mut impl Line) -> bool {
        self.logger.serve_with(line, &mut *self.rtc.0)
    }

    /// Plays the tape and answers on `line` until it is disconnected or `stop` says so.
    pub fn serve_until(&mut self, line: &mut impl Connection, stop: &mut dyn FnMut(&Self) -> bool) {
        while !line.is_gone() && !stop(self) {
            let played = self.advance();
            let served = self.serve(line);
            if !played && !served {
                std::thread::sleep(REST);
            }
        }
    }

    /// Plays the tape and answers one client after the other until `stop` says so.
    ///
    /// # Errors
    /// The listener fails.
    pub fn serve_clients(
        &mut self,
        clients: &mut Clients,
        stop: &mut dyn FnMut(&Self) -> bool,
    ) -> io::Result<()> {
        while !stop(self) {
            let played = self.advance();
            let served = self.serve(clients.line()?);
            if !played && !served {
                std::thread::sleep(REST);
            }
        }
        Ok(())
    }

    /// Whether the tape has come to its end.
    pub const fn has_ended(&self) -> bool {
        self.ended
    }

    /// Frames since the start.
    pub const fn frames(&self) -> u64 {
        self.logger.frames()
    }

    /// The logger.
    pub const fn logger(&self) -> &Logger<'b, NorMemory> {
        &self.logger
    }

    /// The flash, as when power goes.
    pub fn into_flash(self) -> Option<NorMemory> {
        self.logger.into_flash()
    }
}
