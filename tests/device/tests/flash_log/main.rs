//! The flash log on parts that are worn, flipped, foreign or empty, and what it costs.
//!
//! Here: foreign and empty parts. [`flips`], [`worn`] and [`costs`] say what they are about.

mod costs;
mod flips;
mod worn;

use rand_pcg::Pcg32;
use rand_pcg::rand_core::Rng;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use wyelog_firmware::journal::{Journal, MAX_PAYLOAD, MountReport, Read};
use wyelog_simulator::flash::{Cells, FaultyFlash, NorMemory};

type Part<const SIZE: usize = 4096> = NorMemory<1, SIZE>;
type Log<const SIZE: usize = 4096> = Journal<FaultyFlash<Part<SIZE>>>;

const SECTOR: usize = 4096;
/// Header of a sector, and what a record adds to its payload (drawn in `wyelog_firmware::journal`).
const HEADER: usize = 24;
const RECORD: usize = 6;

fn mount<const SIZE: usize>(part: Part<SIZE>) -> (Log<SIZE>, MountReport) {
    Journal::mount(FaultyFlash::new(part, 1), &mut |_, _| ()).expect("a mount succeeds on any content")
}

fn part<const SIZE: usize>(log: Log<SIZE>) -> Part<SIZE> {
    log.into_flash().into_inner()
}

/// Record `sequence`'s payload: all different, 20 to 99 bytes.
fn payload(sequence: u32) -> Vec<u8> {
    let mut random = Pcg32::new(u64::from(sequence), 11);
    let mut bytes = vec![0; 20 + random.next_u32() as usize % 80];
    random.fill_bytes(&mut bytes);
    bytes
}

/// Appends records until number `next`, and says in which cells each lies.
fn fill<const SIZE: usize>(log: &mut Log<SIZE>, next: u32) -> BTreeMap<u32, Range<usize>> {
    let sectors = log.flash().inner().cells().len() / SIZE;
    let (mut sector, mut offset) = (0, 0);
    let mut cells = BTreeMap::new();
    for sequence in 0..next {
        let bytes = payload(sequence);
        if log.opens_sector(bytes.len()) {
            (sector, offset) = (sector + usize::from(sequence > 0), HEADER);
        }
        assert_eq!(log.append(&bytes), Ok(sequence));
        let start = sector % sectors * SIZE + offset;
        offset += RECORD + bytes.len();
        cells.insert(sequence, start..start + RECORD + bytes.len());
    }
    cells.retain(|&sequence, _| sequence >= log.extent().oldest);
    cells
}

/// Reads all there is: the sound records' numbers, each compared with its payload; gaps must fill the rest.
fn read_all<const SIZE: usize>(log: &mut Log<SIZE>) -> BTreeSet<u32> {
    let extent = log.extent();
    let mut cursor = log.cursor(extent.oldest);
    let mut buffer = [0; MAX_PAYLOAD];
    let mut expected = extent.oldest;
    let mut found = BTreeSet::new();
    loop {
        match log.read(&mut cursor, &mut buffer).expect("the flash reads") {
            Read::Record { sequence, length } => {
                assert_eq!((sequence, &buffer[..length]), (expected, payload(sequence).as_slice()));
                found.insert(sequence);
                expected += 1;
            }
            Read::Gap { from, to } => {
                assert!(from == expected && to > from);
                expected = to;
            }
            Read::Overwritten { .. } => panic!("nothing is overwritten meanwhile"),
            Read::End => break,
        }
    }
    assert_eq!(expected, extent.next);
    found
}

/// The erased-flash trap: CRC-32 of four FF bytes is FFFFFFFF, of nothing 0 (recomputed with `zlib.crc32`).
#[test]
fn erased_and_zeroed_flash_holds_nothing() {
    for byte in [0xFF, 0x00] {
        let (mut log, report) = mount(Part::<4096>::from_bytes(vec![byte; 16 * SECTOR]));
        assert_eq!((log.extent().oldest, log.extent().next, report.epoch), (0, 0, None));
        assert_eq!(report.garbage_sectors, if byte == 0 { 16 } else { 0 });
        assert_eq!(read_all(&mut log).len(), 0);
        fill(&mut log, 100);
        assert_eq!(read_all(&mut mount(part(log)).0).len(), 100);
    }
    // A valid header, and behind it nothing but ones, or zeros: no record. Zeros are not blank, though.
    for (byte, torn) in [(0xFF, false), (0x00, true)] {
        let mut log = mount(Part::<4096>::new(16)).0;
        fill(&mut log, 1);
        let mut part = part(log);
        part.cells_mut()[HEADER..SECTOR].fill(byte);
        let (mut log, report) = mount(part);
        assert_eq!((report.records, report.torn > 0), (0, torn));
        assert_eq!(read_all(&mut log).len(), 0);
    }
}

#[test]
fn a_sector_that_looks_blank_is_erased_all_the_same() {
    let mut log = mount(Part::<4096>::new(16)).0;
    fill(&mut log, 10);
    assert_eq!(log.prepare(), Ok(true));
    let mut log = mount(part(log)).0;
    assert!(log.needs_prepare());
    assert_eq!(log.prepare(), Ok(true));
    assert_eq!(log.flash().inner().wear()[1], 2);
}

#[test]
fn alien_content_is_an_empty_log() {
    for seed in 0..50 {
        let mut bytes = vec![0; 16 * SECTOR];
        Pcg32::new(seed, 1).fill_bytes(&mut bytes);
        let (mut log, report) = mount(Part::<4096>::from_bytes(bytes));
        assert_eq!((report.garbage_sectors, report.foreign_sectors), (16, 0));
        fill(&mut log, 1500);
        let found = read_all(&mut log);
        assert_eq!(found.len(), (1500 - log.extent().oldest) as usize);
    }
}

/// A log that was written on a part of another size is named, and its numbers are not used again.
#[test]
fn a_log_of_another_size_is_foreign() {
    let mut log = mount(Part::<4096>::new(16)).0;
    log.set_epoch(9);
    fill(&mut log, 1500);
    let bytes = part(log).into_bytes();
    for sectors in [8, 32] {
        let mut bytes = bytes.clone();
        bytes.resize(sectors * SECTOR, 0xFF);
        let (mut log, report) = mount(Part::<4096>::from_bytes(bytes));
        assert_eq!(report.foreign_sectors, sectors.min(16) as u32);
        assert_eq!(report.epoch, Some(9), "the boot number goes on");
        assert!(log.extent().next > 1500);
        assert_eq!(log.extent().oldest, log.extent().next);
        let sequence = log.append(b"new").expect("the log goes on");
        assert_eq!(mount(part(log)).0.extent().next, sequence + 1);
    }
}

#[test]
fn the_newest_epoch_and_sector_are_handed_over() {
    let mut log = mount(Part::<4096>::new(16)).0;
    for boot in 1..=5 {
        log.set_epoch(boot);
        for _ in 0..40 {
            let sequence = log.extent().next;
            log.append(&payload(sequence)).expect("room");
        }
    }
    let mut visited = Vec::new();
    let (log, report) = Journal::mount(part(log), &mut |sequence, bytes| {
        assert_eq!(bytes, payload(sequence));
        visited.push(sequence);
    })
    .expect("mounts");
    assert_eq!(report.epoch, Some(5));
    assert_eq!(visited, (200 - report.records..200).collect::<Vec<u32>>());
    assert_eq!(log.extent().next, 200);
}
