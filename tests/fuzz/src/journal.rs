//! Any content of a tiny flash: it mounts, is read to its end, and takes a record that is there after the next mount.

use wyelog_firmware::journal::{Journal, Read};
use wyelog_simulator::flash::NorMemory;

const SECTOR: usize = 1024;

/// One input.
///
/// # Panics
/// It does not mount, has no end, or lost the record.
pub fn run(bytes: &[u8]) {
    let mut image = vec![0xFF; 4 * SECTOR];
    for (cell, byte) in image.iter_mut().zip(bytes) {
        *cell = *byte;
    }
    let flash = NorMemory::<1, SECTOR>::from_bytes(image);
    let (mut journal, _) = Journal::mount(flash, &mut |_, _| {}).expect("any content mounts");
    read_all(&mut journal);
    let Ok(sequence) = journal.append(b"after all") else { return };
    let (mut journal, _) = Journal::mount(journal.into_flash(), &mut |_, _| {}).expect("it mounts again");
    assert_eq!(read_all(&mut journal), Some(sequence));
}

/// Number of the last record.
fn read_all(journal: &mut Journal<NorMemory<1, SECTOR>>) -> Option<u32> {
    let mut cursor = journal.cursor(journal.extent().oldest);
    let mut last = None;
    for _ in 0..100_000 {
        match journal.read(&mut cursor, &mut [0; 512]).expect("a flash in memory") {
            Read::Record { sequence, .. } => last = Some(sequence),
            Read::End => return last,
            Read::Gap { from, to } => assert!(from < to),
            Read::Overwritten { .. } => {}
        }
    }
    panic!("it has no end");
}
