//! The words of `-semihosting-config …,arg=WORD,arg=WORD`: what the emulator is asked to do.
//!
//! ```text
//! tape=FILE    frames and other inputs
//! flash=FILE   the NOR flash; made, all ones, if it does not exist
//! rtc=FILE     the battery-backed clock: how far it is ahead of the host's; without it there is none
//! log=FILE     defmt, appended; without it nothing is logged
//! pace=free    frames as fast as they are worked off
//! pace=real    4800 frames a second of the machine's time
//! end=exit     the emulator ends with the tape, code 0
//! end=stay     the link goes on after the tape
//! erase=typical|worst|none     how long a sector's erase takes, with pace=real: 45 ms, 400 ms, nothing
//! trip=panic|hardfault|stack   the first frame brings the logger down, once
//! ```
//! The emulator's exit code is 0 at the end of the tape, 2 for a word or a file that cannot be used (it says which), 3
//! for a damaged tape. A file's name cannot hold a blank: the emulator is started in the folder where its files are.

use crate::semihosting;
use heapless::Vec;

/// A file's name, with the zero byte that semihosting wants.
pub type Name = Vec<u8, 200>;

/// What was asked for.
pub struct Options {
    /// `tape=`
    pub tape: Name,
    /// `flash=`
    pub flash: Name,
    /// `rtc=`
    pub rtc: Option<Name>,
    /// `log=`
    pub log: Option<Name>,
    /// `pace=real`
    pub real_time: bool,
    /// `end=exit`
    pub exit_at_end: bool,
    /// `erase=`
    pub erase: Erase,
    /// `trip=`
    pub trip: Option<Trip>,
}

/// How long the flash takes to erase a sector.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Erase {
    /// 45 ms.
    Typical,
    /// 400 ms.
    Worst,
    /// No time at all.
    None,
}

/// How the logger is brought down.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Trip {
    /// By a panic.
    Panic,
    /// By an instruction that does not exist.
    HardFault,
    /// By a stack that grows without end.
    StackOverflow,
}

impl Options {
    /// Reads the command line. `None` if a word is unknown: better no run than another one than was meant.
    pub fn read() -> Option<Self> {
        let mut options = Self {
            tape: Name::new(),
            flash: Name::new(),
            rtc: None,
            log: None,
            real_time: false,
            exit_at_end: false,
            erase: Erase::Typical,
            trip: None,
        };
        let mut buffer = [0; 800];
        let line = semihosting::command_line(&mut buffer)?;
        for word in line.split(|byte| *byte == b' ' || *byte == 0).filter(|word| !word.is_empty()) {
            options.take(word)?;
        }
        Some(options)
    }

    fn take(&mut self, word: &[u8]) -> Option<()> {
        let mut halves = word.splitn(2, |byte| *byte == b'=');
        let key = halves.next()?;
        let value = halves.next()?;
        match (key, value) {
            (b"tape", file) => self.tape = name(file)?,
            (b"flash", file) => self.flash = name(file)?,
            (b"rtc", file) => self.rtc = Some(name(file)?),
            (b"log", file) => self.log = Some(name(file)?),
            (b"pace", b"free") => self.real_time = false,
            (b"pace", b"real") => self.real_time = true,
            (b"end", b"exit") => self.exit_at_end = true,
            (b"end", b"stay") => self.exit_at_end = false,
            (b"erase", b"typical") => self.erase = Erase::Typical,
            (b"erase", b"worst") => self.erase = Erase::Worst,
            (b"erase", b"none") => self.erase = Erase::None,
            (b"trip", b"panic") => self.trip = Some(Trip::Panic),
            (b"trip", b"hardfault") => self.trip = Some(Trip::HardFault),
            (b"trip", b"stack") => self.trip = Some(Trip::StackOverflow),
            _ => return None,
        }
        Some(())
    }
}

fn name(file: &[u8]) -> Option<Name> {
    let mut name = Name::from_slice(file).ok()?;
    name.push(0).ok()?;
    Some(name)
}
