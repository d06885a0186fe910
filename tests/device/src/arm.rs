//! Plays tapes on the ARM image in the emulator and reads back what it left: flash and log.

#[cfg(feature = "log")]
mod log;

#[cfg(feature = "log")]
pub use log::{line, numbers};

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use tempfile::TempDir;
use wyelog_firmware::frontend::Input;
use wyelog_firmware::tape::{encode, encode_head};
use wyelog_protocol::bank::Settings;
use wyelog_simulator::emulator::{End, Options, Serial};
use wyelog_simulator::flash::NorMemory;

/// A folder with an emulated board's files.
#[derive(Debug)]
pub struct Board {
    folder: TempDir,
    image: PathBuf,
}

impl Default for Board {
    fn default() -> Self {
        Self::new()
    }
}

impl Board {
    /// A board without flash content; builds the image if it is not up to date.
    pub fn new() -> Self {
        let image = wyelog_task::image().unwrap_or_else(|error| panic!("{error}"));
        wyelog_task::qemu().unwrap_or_else(|error| panic!("{error}"));
        Self { folder: TempDir::new().expect("a temporary folder"), image }
    }

    /// Where its files are.
    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// Puts a tape into the board.
    pub fn insert(&self, settings: &Settings, inputs: impl IntoIterator<Item = Input>) {
        let mut file = BufWriter::new(File::create(self.folder().join("tape")).expect("a tape file"));
        assert!(encode_head(settings, &mut |item| file.write_all(item).expect("room for the tape")));
        for input in inputs {
            file.write_all(&encode(&input)).expect("room for the tape");
        }
        file.flush().expect("room for the tape");
    }

    /// How to run it: free, to the end of the tape, with flash and log, without a line.
    pub fn options(&self) -> Options {
        let mut options = Options::new(&self.image);
        options.folder = self.folder().to_owned();
        options.tape = Some("tape".to_owned());
        options.flash = Some("flash".to_owned());
        options.log = Some("log".to_owned());
        options.end = End::Exit;
        options.serial = Serial::None;
        options
    }

    /// What the flash holds.
    pub fn flash(&self) -> NorMemory {
        NorMemory::load(&self.folder().join("flash")).unwrap_or_else(|error| panic!("{error}"))
    }
}
