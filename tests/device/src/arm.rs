//! Plays tapes on the ARM image in the emulator and reads back what it left: flash and log.

use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use defmt_decoder::{DecodeError, Table};
use tempfile::TempDir;
use wyelog_firmware::frontend::Input;
use wyelog_firmware::tape::{encode, encode_head};
use wyelog_protocol::bank::Settings;
use wyelog_simulator::emulator::{Emulator, End, Options, Serial};
use wyelog_simulator::flash::NorMemory;

/// Longest that any run of a test may take.
const LIMIT: Duration = Duration::from_secs(300);

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

    /// Runs it to the end of the tape and returns its log, line by line, which is printed too.
    pub fn run(&self, options: &Options) -> Vec<String> {
        let _ = fs::remove_file(self.folder().join("log"));
        let mut emulator = Emulator::start(options).unwrap_or_else(|error| panic!("{error}"));
        let status = emulator.wait(LIMIT).unwrap_or_else(|error| panic!("{error}"));
        let log = self.log();
        for line in &log {
            println!("    {line}");
        }
        assert!(status.success(), "the emulator ended with {status}: {:?}", emulator.said());
        log
    }

    /// What the flash holds.
    pub fn flash(&self) -> NorMemory {
        NorMemory::load(&self.folder().join("flash")).unwrap_or_else(|error| panic!("{error}"))
    }

    /// The defmt log, decoded with the image at hand.
    pub fn log(&self) -> Vec<String> {
        let elf = fs::read(&self.image).expect("the image");
        let table = Table::parse(&elf).expect("defmt's table").expect("the image has one");
        let mut decoder = table.new_stream_decoder();
        decoder.received(&fs::read(self.folder().join("log")).unwrap_or_default());
        let mut lines = Vec::new();
        loop {
            match decoder.decode() {
                Ok(frame) => lines.push(frame.display(false).to_string()),
                Err(DecodeError::UnexpectedEof) => return lines,
                Err(DecodeError::Malformed) => lines.push("(a damaged line)".to_owned()),
            }
        }
    }
}

/// The numbers in a log line, in order.
pub fn numbers(line: &str) -> Vec<u64> {
    line.split(|c: char| !c.is_ascii_digit()).filter_map(|word| word.parse().ok()).collect()
}

/// The log's line that holds `words`.
pub fn line<'l>(log: &'l [String], words: &str) -> &'l str {
    log.iter()
        .find(|line| line.contains(words))
        .unwrap_or_else(|| panic!("no line with '{words}' in {log:?}"))
}
