//! Any content of a tiny flash with two rings: it mounts, is read to its end, and takes records that are there after the next
//! mount, under their numbers.

use wyelog_firmware::log::{Entry, Log};
use wyelog_simulator::flash::NorMemory;

const SECTOR: usize = 1024;

/// One input.
///
/// # Panics
/// It does not mount, has no end, or lost a record.
pub fn run(bytes: &[u8]) {
    let mut image = vec![0xFF; 8 * SECTOR];
    for (cell, byte) in image.iter_mut().zip(bytes) {
        *cell = *byte;
    }
    let flash = NorMemory::<1, SECTOR>::from_bytes(image);
    let (mut log, _) = Log::mount(flash, &mut |_, _| {}).expect("any content mounts");
    read_all(&mut log);
    // An interval, and a record that has a copy.
    let (Ok(_), Ok(sequence)) = (log.append(b"\x01after all"), log.append(b"\x02after all")) else { return };
    let (mut log, _) = Log::mount(log.into_flash(), &mut |_, _| {}).expect("it mounts again");
    assert_eq!(read_all(&mut log), Some(sequence));
}

/// Number of the last record.
fn read_all(log: &mut Log<NorMemory<1, SECTOR>>) -> Option<u32> {
    let oldest = log.extent().oldest;
    let mut cursor = log.cursor(oldest);
    let mut last = None;
    for _ in 0..100_000 {
        match log.read(&mut cursor, &mut [0; _]) {
            Entry::Record { sequence, .. } => {
                assert!(last.is_none_or(|last| last < sequence));
                last = Some(sequence);
            }
            Entry::End => return last,
            Entry::Missing { from, to } => assert!(from < to),
        }
    }
    panic!("it has no end");
}
