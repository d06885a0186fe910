//! Plays tapes in process and reads back what the logger kept.

use std::fmt::Debug;

use embedded_storage::nor_flash::NorFlash;
use wyelog_firmware::frontend::Input;
use wyelog_firmware::keeper::Device;
use wyelog_firmware::log::{Entry, Log};
use wyelog_firmware::logger::Logger;
use wyelog_firmware::meter::Buffers;
use wyelog_protocol::bank::Settings;
use wyelog_protocol::record::{Envelope, Record};
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

/// Everything the log in `flash` holds; a gap is a failure.
pub fn stored(flash: NorMemory) -> Vec<Stored> {
    let (records, missing) = held(flash);
    assert!(missing.is_empty(), "the log has holes: {missing:?}");
    records
}

/// Everything the log in `flash` holds, and the gaps between.
pub fn held<F: NorFlash<Error: Debug>>(flash: F) -> (Vec<Stored>, Vec<(u32, u32)>) {
    let (mut log, _) = Log::mount(flash, &mut |_, _| {}).expect("the flash mounts");
    let oldest = log.extent().oldest;
    let mut cursor = log.cursor(oldest);
    let (mut records, mut missing) = (Vec::new(), Vec::new());
    loop {
        match log.read(&mut cursor, &mut [0; _]) {
            Entry::Record { sequence, bytes } => records.push((sequence, bytes.to_vec())),
            Entry::Missing { from, to } => missing.push((from, to)),
            Entry::End => return (records, missing),
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
