//! What the emulator is asked to do, and the command line that says so.

use std::ffi::OsString;
use std::path::PathBuf;

use super::EmulatorError;

/// What the emulator is asked to do.
#[derive(Clone, Debug)]
pub struct Options {
    /// The ELF file of the board.
    pub image: PathBuf,
    /// The folder in which the emulator runs and all files below lie.
    pub folder: PathBuf,
    /// Tape file; none: no frames.
    pub tape: Option<String>,
    /// File of the NOR flash, made if it does not exist.
    pub flash: Option<String>,
    /// File of the battery-backed clock, made when the clock is set; none: the board has no such clock.
    pub rtc: Option<String>,
    /// File that the board's defmt log is appended to.
    pub log: Option<String>,
    /// How fast the tape goes.
    pub pace: Pace,
    /// What happens at the tape's end.
    pub end: End,
    /// How long a sector's erase takes, with [`Pace::Real`].
    pub erase: Erase,
    /// The first frame brings the logger down.
    pub trip: Option<Trip>,
    /// The board's serial line.
    pub serial: Serial,
    /// One instruction takes 2^n ns of the machine's time; `None`: as it comes.
    pub icount_shift: Option<u8>,
    /// A plugin of the emulator: its file and, behind commas, its arguments.
    pub plugin: Option<String>,
}

/// How fast the tape goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pace {
    /// As fast as the frames are worked off.
    Free,
    /// 4800 frames a second of the machine's time.
    Real,
}

/// What happens at the tape's end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// The emulator ends, code 0.
    Exit,
    /// The link goes on.
    Stay,
}

/// How long the flash takes to erase a sector.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Erase {
    /// 45 ms.
    Typical,
    /// 400 ms.
    Worst,
    /// No time at all.
    None,
}

/// How the logger is brought down.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trip {
    /// By a panic.
    Panic,
    /// By an instruction that does not exist.
    HardFault,
    /// By a stack that grows without end.
    StackOverflow,
}

/// The board's serial line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Serial {
    /// None.
    None,
    /// A pseudo-terminal (Unix): see [`super::Emulator::port`].
    Pty,
    /// A connection to this process, on every system: see [`super::Emulator::take_line`].
    Tcp,
}

impl Options {
    /// The image alone, in the current folder: no files, free, staying, typical erases, no line.
    pub fn new(image: impl Into<PathBuf>) -> Self {
        Self {
            image: image.into(),
            folder: PathBuf::from("."),
            tape: None,
            flash: None,
            rtc: None,
            log: None,
            pace: Pace::Free,
            end: End::Stay,
            erase: Erase::Typical,
            trip: None,
            serial: Serial::None,
            icount_shift: None,
            plugin: None,
        }
    }

    /// The words of the command line; `port` is the one this process listens on.
    pub(super) fn arguments(&self, port: Option<u16>) -> Result<Vec<OsString>, EmulatorError> {
        // The emulator runs in another folder: a relative path would be another one there.
        let image = std::path::absolute(&self.image)
            .map_err(|source| EmulatorError::System { what: "its image", source })?;
        let mut words: Vec<OsString> =
            ["-M", "mps2-an386", "-display", "none", "-monitor", "none"].map(OsString::from).to_vec();
        words.extend(["-semihosting-config".into(), self.semihosting()?.into()]);
        let serial = match (self.serial, port) {
            (Serial::Pty, _) => "pty".to_owned(),
            (Serial::Tcp, Some(port)) => format!("tcp:127.0.0.1:{port}"),
            _ => "null".to_owned(),
        };
        words.extend(["-serial".into(), serial.into()]);
        if let Some(shift) = self.icount_shift {
            words.extend(["-icount".into(), format!("shift={shift}").into()]);
        }
        if let Some(plugin) = &self.plugin {
            words.extend(["-plugin".into(), plugin.into()]);
        }
        words.extend(["-kernel".into(), image.into()]);
        Ok(words)
    }

    fn semihosting(&self) -> Result<String, EmulatorError> {
        let mut text = "enable=on,target=native".to_owned();
        let mut add = |word: &str| {
            text.push_str(",arg=");
            // The emulator's own rule: a comma inside a value is doubled.
            text.push_str(&word.replace(',', ",,"));
        };
        for (key, file) in
            [("tape", &self.tape), ("flash", &self.flash), ("rtc", &self.rtc), ("log", &self.log)]
        {
            let Some(file) = file else { continue };
            if file.is_empty() || file.contains([' ', '\0']) {
                return Err(EmulatorError::FileName(file.clone()));
            }
            add(&format!("{key}={file}"));
        }
        add(match self.pace {
            Pace::Free => "pace=free",
            Pace::Real => "pace=real",
        });
        add(match self.end {
            End::Exit => "end=exit",
            End::Stay => "end=stay",
        });
        add(match self.erase {
            Erase::Typical => "erase=typical",
            Erase::Worst => "erase=worst",
            Erase::None => "erase=none",
        });
        match self.trip {
            Some(Trip::Panic) => add("trip=panic"),
            Some(Trip::HardFault) => add("trip=hardfault"),
            Some(Trip::StackOverflow) => add("trip=stack"),
            None => {}
        }
        Ok(text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(options: &Options) -> String {
        let words = options.arguments(Some(4321)).unwrap();
        words.into_iter().map(|word| word.into_string().unwrap()).collect::<Vec<_>>().join(" ")
    }

    #[test]
    fn the_command_line_says_everything() {
        let mut options = Options::new("/a/image.elf");
        options.tape = Some("a,b.tape".to_owned());
        options.flash = Some("flash.bin".to_owned());
        options.rtc = Some("rtc.bin".to_owned());
        options.pace = Pace::Real;
        options.end = End::Exit;
        options.erase = Erase::Worst;
        options.trip = Some(Trip::Panic);
        options.serial = Serial::Tcp;
        options.icount_shift = Some(4);
        assert_eq!(
            line(&options),
            "-M mps2-an386 -display none -monitor none -semihosting-config enable=on,target=native,\
             arg=tape=a,,b.tape,arg=flash=flash.bin,arg=rtc=rtc.bin,arg=pace=real,arg=end=exit,arg=erase=worst,arg=trip=panic \
             -serial tcp:127.0.0.1:4321 -icount shift=4 -kernel /a/image.elf"
        );
    }

    #[test]
    fn a_blank_in_a_name_is_refused() {
        let mut options = Options::new("/a/image.elf");
        options.flash = Some("my flash".to_owned());
        assert!(matches!(options.arguments(None), Err(EmulatorError::FileName(_))));
    }
}
