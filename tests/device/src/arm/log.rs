//! What the emulated board says on its log.

use std::fs;
use std::time::Duration;

use defmt_decoder::{DecodeError, Table};
use wyelog_simulator::emulator::{Emulator, Options};

use super::Board;

/// Longest that any run of a test may take.
const LIMIT: Duration = Duration::from_secs(300);

impl Board {
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
