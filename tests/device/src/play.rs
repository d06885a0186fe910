//! Plays tapes in process and reads back what the logger kept.

use wyelog_firmware::frontend::Input;
use wyelog_firmware::journal::{Journal, Read};
use wyelog_firmware::keeper::Device;
use wyelog_firmware::logger::Logger;
use wyelog_firmware::meter::Buffers;
use wyelog_protocol::bank::Settings;
use wyelog_protocol::record::{Envelope, MAX_RECORD_BYTES, Record};
use wyelog_protocol::text;
use wyelog_simulator::flash::NorMemory;
use wyelog_simulator::tape::Tape;

/// A record as the journal holds it: its sequence number and its bytes.
pub type Stored = (u32, Vec<u8>);

/// Sectors of 4 KiB: what the emulated board has.
pub const SECTORS: usize = 256;

/// Name and serial number of the emulated board, so that both machines write the same.
pub fn device() -> Device {
    Device { board: "emulated", serial: text("emulated") }
}

/// Plays `tape` on a new logger with an empty flash.
pub fn play(tape: Tape) -> Vec<Stored> {
    let settings = tape.settings().clone();
    stored(play_inputs(NorMemory::new(SECTORS), &settings, tape))
}

/// Starts a logger on `flash`, plays `inputs`, and takes its power away.
pub fn play_inputs(
    flash: NorMemory,
    settings: &Settings,
    inputs: impl IntoIterator<Item = Input>,
) -> NorMemory {
    let mut buffers = Box::new(Buffers::new());
    let (mut logger, mounted) = Logger::start(&mut buffers, flash, device(), settings.clone(), None);
    mounted.expect("the flash mounts");
    for input in inputs {
        logger.input(input);
    }
    logger.into_flash().expect("it has been mounted")
}

/// Everything the journal in `flash` holds; a gap is a failure.
pub fn stored(flash: NorMemory) -> Vec<Stored> {
    let (mut journal, _) = Journal::mount(flash, &mut |_, _| {}).expect("the flash mounts");
    let mut cursor = journal.cursor(journal.extent().oldest);
    let mut records = Vec::new();
    loop {
        let mut buffer = [0; MAX_RECORD_BYTES];
        match journal.read(&mut cursor, &mut buffer).expect("the flash can be read") {
            Read::Record { sequence, length } => records.push((sequence, buffer[..length].to_vec())),
            Read::End => return records,
            other => panic!("the log has a hole: {other:?}"),
        }
    }
}

/// The records themselves.
pub fn decode(stored: &[Stored]) -> Vec<Record> {
    stored
        .iter()
        .map(|(sequence, bytes)| {
            let (envelope, rest) = Envelope::parse(bytes).expect("an envelope");
            assert!(rest.is_empty(), "record {sequence} has a tail");
            envelope.decode().expect("a record of this version")
        })
        .collect()
}
