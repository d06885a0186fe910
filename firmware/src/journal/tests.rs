//! The journal against a `Vec` of all payloads ever appended.
//!
//! Invariants, after every step:
//! 1. Numbers are consecutive from 0; without faults there is no gap.
//! 2. Every record of the extent is read back, exactly; a reader from any number starts there, or is told the oldest.
//! 3. The ring holds the records of all sectors but two at least.
//! 4. A mount finds the same extent, and visits the newest sector's records, exactly.
//! 5. No content of the flash, forged headers included, makes anything panic, hang or return a record that no one
//!    wrote with a sound CRC.

use super::layout::{self, Geometry, Header, Parsed};
use super::*;
use embedded_storage::nor_flash::{ErrorType, NorFlashErrorKind, ReadNorFlash};
use proptest::prelude::*;
use std::vec;
use std::vec::Vec;

extern crate std;

const SECTOR: usize = 1024;

/// The least NOR flash: 1 KiB sectors, words of `WORD` bytes; panics on a forbidden program.
#[derive(Clone)]
pub(crate) struct Ram<const WORD: usize> {
    pub(crate) cells: Vec<u8>,
}

impl<const WORD: usize> ErrorType for Ram<WORD> {
    type Error = NorFlashErrorKind;
}

impl<const WORD: usize> ReadNorFlash for Ram<WORD> {
    const READ_SIZE: usize = WORD;
    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        assert!((offset as usize).is_multiple_of(WORD) && bytes.len().is_multiple_of(WORD));
        bytes.copy_from_slice(&self.cells[offset as usize..][..bytes.len()]);
        Ok(())
    }
    fn capacity(&self) -> usize {
        self.cells.len()
    }
}

impl<const WORD: usize> NorFlash for Ram<WORD> {
    const WRITE_SIZE: usize = WORD;
    const ERASE_SIZE: usize = SECTOR;
    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        self.cells[from as usize..to as usize].fill(0xFF);
        Ok(())
    }
    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        assert!((offset as usize).is_multiple_of(WORD) && bytes.len().is_multiple_of(WORD));
        let cells = &mut self.cells[offset as usize..][..bytes.len()];
        assert!(cells.iter().all(|&cell| cell == 0xFF), "programmed twice at {offset:#x}");
        cells.copy_from_slice(bytes);
        Ok(())
    }
}

type Log<const WORD: usize> = Journal<Ram<WORD>>;

fn mount<const WORD: usize>(cells: Vec<u8>) -> (Log<WORD>, MountReport, Vec<(u32, Vec<u8>)>) {
    let mut seen = Vec::new();
    let (journal, report) =
        Journal::mount(Ram { cells }, &mut |sequence, bytes| seen.push((sequence, bytes.to_vec()))).unwrap();
    (journal, report, seen)
}

fn empty<const WORD: usize>(sectors: usize) -> Log<WORD> {
    mount(vec![0xFF; sectors * SECTOR]).0
}

/// So many, or what an interpreter that watches memory can do within minutes.
fn few<T>(all: T, watched: T) -> T {
    if cfg!(miri) { watched } else { all }
}

fn payload(sequence: usize, length: usize) -> Vec<u8> {
    (0..length).map(|at| (sequence * 31 + at * 7) as u8).collect()
}

/// A sector that nobody wrote, at `place`: of one ring over all of the flash, or, if that has a second one, of the ring that
/// lies there.
pub(crate) fn forge(
    cells: &mut [u8],
    place: usize,
    (sequence, first, epoch): (u32, u32, u32),
    payloads: &[Vec<u8>],
) {
    let whole = Geometry::new(1, 1, SECTOR, cells.len()).unwrap();
    let mut second = whole;
    let geometry = match second.split() {
        Ok(main) if place < usize::from(main.sectors) => main,
        Ok(_) => second,
        Err(_) => whole,
    };
    let at = place * SECTOR;
    cells[at..at + 24].copy_from_slice(&layout::encode_header(&Header { sequence, first, epoch }, &geometry));
    let mut at = at + 24;
    for (count, payload) in payloads.iter().enumerate() {
        let mut record = [0; layout::MAX_SLOT];
        layout::encode_record(&mut record, payload, first.wrapping_add(count as u32)).unwrap();
        let length = (6 + payload.len()).min((place + 1) * SECTOR - at);
        cells[at..at + length].copy_from_slice(&record[..length]);
        at += length;
    }
}

/// Invariants 1 and 2 from record `from` on.
fn check_from<const WORD: usize>(journal: &mut Log<WORD>, model: &[Vec<u8>], from: u32) {
    let Extent { oldest, next } = journal.extent();
    assert_eq!(next as usize, model.len());
    let mut cursor = journal.cursor(from);
    let mut buffer = [0; MAX_PAYLOAD];
    if from < oldest {
        assert_eq!(journal.read(&mut cursor, &mut buffer), Ok(Read::Overwritten { oldest }));
    }
    for sequence in from.max(oldest)..next {
        let length = model[sequence as usize].len();
        assert_eq!(journal.read(&mut cursor, &mut buffer), Ok(Read::Record { sequence, length }));
        assert_eq!(buffer[..length], model[sequence as usize]);
    }
    assert_eq!(journal.read(&mut cursor, &mut buffer), Ok(Read::End));
}

#[derive(Clone, Debug)]
enum Act {
    Append(usize),
    Prepare,
    Remount,
    ReadFrom(u32),
}

fn acts() -> impl Strategy<Value = Vec<Act>> {
    let length = prop_oneof![8 => 20..90_usize, 1 => 1..=MAX_PAYLOAD];
    let act = prop_oneof![
        12 => length.prop_map(Act::Append),
        3 => Just(Act::Prepare),
        1 => Just(Act::Remount),
        1 => (0..200_u32).prop_map(Act::ReadFrom),
    ];
    proptest::collection::vec(act, 1..few(400, 40))
}

fn run<const WORD: usize>(sectors: usize, acts: &[Act]) {
    let mut journal = empty::<WORD>(sectors);
    let mut model: Vec<Vec<u8>> = Vec::new();
    let mut slots: Vec<usize> = Vec::new();
    // A reader that goes along with the appends.
    let mut follower = journal.cursor(0);
    let mut buffer = [0; MAX_PAYLOAD];
    for act in acts {
        match act {
            Act::Append(length) => {
                let bytes = payload(model.len(), *length);
                assert_eq!(journal.append(&bytes), Ok(model.len() as u32));
                model.push(bytes);
                slots.push((length + 6).next_multiple_of(WORD));
                match journal.read(&mut follower, &mut buffer).unwrap() {
                    Read::Record { sequence, length } => {
                        assert_eq!(buffer[..length], model[sequence as usize])
                    }
                    Read::Overwritten { oldest } => assert_eq!(oldest, journal.extent().oldest),
                    other => panic!("{other:?}"),
                }
            }
            Act::Prepare => {
                let needed = journal.needs_prepare();
                assert_eq!(journal.prepare(), Ok(needed));
            }
            Act::Remount => {
                let before = journal.extent();
                let (again, report, seen) = mount::<WORD>(journal.into_flash().cells);
                journal = again;
                assert_eq!(journal.extent(), before);
                assert_eq!(report.records as usize, seen.len());
                assert_eq!(
                    (report.damaged, report.torn, report.garbage_sectors, report.foreign_sectors),
                    (0, 0, 0, 0)
                );
                let first = model.len() - seen.len();
                assert!(seen.iter().enumerate().all(|(at, (sequence, bytes))| {
                    *sequence as usize == first + at && *bytes == model[first + at]
                }));
            }
            Act::ReadFrom(from) => check_from(&mut journal, &model, *from),
        }
    }
    check_from(&mut journal, &model, 0);
    // Invariant 3. In each sector but the newest, less than the largest record is left over.
    let held: usize = slots[journal.extent().oldest as usize..].iter().sum();
    let total: usize = slots.iter().sum();
    assert!(held == total || held >= (sectors - 2) * (SECTOR - 24 - layout::MAX_SLOT));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: few(96, 2), failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn agrees_with_a_vec(acts in acts()) {
        run::<1>(4, &acts);
        run::<2>(5, &acts);
        run::<4>(6, &acts);
        run::<8>(16, &acts);
    }

    #[test]
    fn any_content_mounts(
        seed in proptest::collection::vec(any::<u8>(), 4 * SECTOR),
        headers in proptest::collection::vec(proptest::option::of((0..40_u32, any::<u32>(), any::<u32>())), 4),
        lengths in proptest::collection::vec(1..60_usize, 0..12),
        big in any::<bool>(),
    ) {
        let mut cells = seed;
        for (place, header) in headers.iter().enumerate() {
            let Some((sequence, first, epoch)) = *header else { continue };
            // Near the end of all numbers as well.
            let sequence = if big { u32::MAX - sequence } else { sequence };
            let payloads: Vec<Vec<u8>> =
                lengths.iter().enumerate().map(|(count, length)| payload(count, *length)).collect();
            forge(&mut cells, place, (sequence, first, epoch), &payloads);
        }
        let (mut journal, _, _) = mount::<1>(cells);
        let mut buffer = [0; MAX_PAYLOAD];
        for from in [0, journal.extent().oldest, journal.extent().next, u32::MAX] {
            let mut cursor = journal.cursor(from);
            let mut last = 0;
            for _ in 0..2000 {
                match journal.read(&mut cursor, &mut buffer).unwrap() {
                    Read::End => break,
                    Read::Record { sequence, .. } => { prop_assert!(sequence >= last); last = sequence; }
                    Read::Gap { from, to } => { prop_assert!(last <= from && from < to); last = to; }
                    Read::Overwritten { oldest } => last = oldest,
                }
            }
            prop_assert_eq!(journal.read(&mut cursor, &mut buffer), Ok(Read::End));
        }
        let before = journal.extent();
        match journal.append(b"after") {
            Ok(sequence) => {
                prop_assert_eq!(sequence, before.next);
                let (mut journal, _, _) = mount::<1>(journal.into_flash().cells);
                let mut cursor = journal.cursor(sequence);
                prop_assert_eq!(journal.read(&mut cursor, &mut buffer), Ok(Read::Record { sequence, length: 5 }));
            }
            Err(error) => prop_assert_eq!(error, AppendError::Exhausted),
        }
    }
}

#[test]
fn bytes_are_as_drawn() {
    let mut journal = empty::<4>(4);
    journal.set_epoch(0x0102_0304);
    assert_eq!(journal.append(b"123456789"), Ok(0));
    assert_eq!(journal.append(b"x"), Ok(1));
    let cells = journal.into_flash().cells;
    // Made by a Python script of a dozen lines from the drawing, with zlib.crc32.
    let header =
        [b'W', b'y', b'J', b'\n', 1, 4, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 4, 3, 2, 1, 0x83, 0x60, 0xAB, 0xF2];
    assert_eq!(cells[..24], header);
    assert_eq!(
        cells[24..40],
        [0x08, 0xB2, 0x79, 0x28, 0x24, 0x2D, 0x31, 0x32, 0x33, 0x34, 0x35, 0x36, 0x37, 0x38, 0x39, 0xFF]
    );
    assert_eq!(cells[40..48], [0x00, 0x54, 0xF4, 0x59, 0x6D, 0x7B, 0x78, 0xFF]);
    assert!(cells[48..].iter().all(|&cell| cell == 0xFF));
}

#[test]
fn the_length_word_has_distance_four_and_is_never_blank() {
    let words: Vec<u16> = (1..=MAX_PAYLOAD).map(|length| layout::length_word(length).unwrap()).collect();
    for (at, &word) in words.iter().enumerate() {
        assert_eq!(layout::word_length(word), Some(at + 1));
        assert!(words[..at].iter().all(|other| (other ^ word).count_ones() >= 4));
    }
    assert_eq!((layout::word_length(0xFFFF), layout::word_length(0)), (None, None));
    assert_eq!((layout::length_word(0), layout::length_word(MAX_PAYLOAD + 1)), (None, None));
}

#[test]
fn a_header_survives_one_flipped_bit_and_is_garbage_with_two() {
    let geometry = Geometry::new(1, 1, SECTOR, 16 * SECTOR).unwrap();
    let header = Header { sequence: 35, first: 4711, epoch: 12 };
    let sound = layout::encode_header(&header, &geometry);
    assert_eq!(layout::parse_header(&sound, &geometry, 3), Parsed::Valid { header, repaired: false });
    assert_eq!(layout::parse_header(&sound, &geometry, 4), Parsed::Foreign(header));
    for one in (0..192).step_by(few(1, 23)) {
        let mut bytes = sound;
        bytes[one / 8] ^= 1 << (one % 8);
        assert_eq!(
            layout::parse_header(&bytes, &geometry, 3),
            Parsed::Valid { header, repaired: true },
            "bit {one}"
        );
        for two in (0..one).step_by(few(1, 7)) {
            let mut bytes = bytes;
            bytes[two / 8] ^= 1 << (two % 8);
            assert_eq!(layout::parse_header(&bytes, &geometry, 3), Parsed::Garbage, "bits {one} and {two}");
        }
    }
}

#[test]
fn sizes_that_cannot_be_are_named() {
    let new = Geometry::new;
    assert_eq!(new(1, 16, 4096, 1 << 20), Err(GeometryFault::Granule(16)));
    assert_eq!(new(1, 3, 4096, 1 << 20), Err(GeometryFault::Granule(3)));
    assert_eq!(new(1, 1, 512, 1 << 20), Err(GeometryFault::SectorSize(512)));
    assert_eq!(new(1, 8, 1028, 1 << 20), Err(GeometryFault::SectorSize(1028)));
    assert_eq!(new(1, 1, 4096, 3 * 4096), Err(GeometryFault::Sectors(3)));
    assert_eq!(new(1, 1, 1024, 1 << 26), Err(GeometryFault::Sectors(65_536)));
    for size in [1 << 16, 1 << 20, 1 << 24, 1 << 26] {
        assert!(new(1, 1, 4096, size).is_ok(), "{size}");
    }
    assert!(matches!(
        Journal::mount(Ram::<1> { cells: Vec::new() }, &mut |_, _| ()),
        Err(MountError::Geometry(GeometryFault::Sectors(0)))
    ));
}

#[test]
fn wrong_lengths_and_small_buffers_change_nothing() {
    let mut journal = empty::<1>(4);
    assert_eq!(journal.append(&[]), Err(AppendError::Length(0)));
    assert_eq!(journal.append(&[0; 513]), Err(AppendError::Length(513)));
    assert_eq!(journal.append(&[7; 512]), Ok(0));
    let mut cursor = journal.cursor(0);
    assert_eq!(journal.read(&mut cursor, &mut [0; 511]), Err(ReadError::Buffer(512)));
    assert_eq!(journal.read(&mut cursor, &mut [0; 512]), Ok(Read::Record { sequence: 0, length: 512 }));
    assert_eq!(cursor.sequence(), 1);
}

#[test]
fn the_number_space_ends_without_a_wrap() {
    let geometry = Geometry::new(1, 1, SECTOR, 4 * SECTOR).unwrap();
    let mut cells = vec![0xFF; 4 * SECTOR];
    let header = Header { sequence: 0, first: u32::MAX - 1, epoch: 1 };
    cells[..24].copy_from_slice(&layout::encode_header(&header, &geometry));
    let (mut journal, report, _) = mount::<1>(cells);
    assert_eq!(report.epoch, Some(1));
    assert_eq!(journal.append(b"last"), Ok(u32::MAX - 1));
    assert_eq!(journal.append(b"none"), Err(AppendError::Exhausted));
    assert_eq!(journal.extent(), Extent { oldest: u32::MAX - 1, next: u32::MAX });
}
