//! The log against a `Vec` of all records ever appended.
//!
//! Invariants, after every step:
//! 1. Numbers are consecutive from 0. A read from any number covers every number from there on, once, in order: records as
//!    they were appended, and gaps.
//! 2. Every record of the main ring is read; every one of a kind to be kept is, unless so many of these have come behind it
//!    that they fill the kept ring but for two sectors.
//! 3. The extent's oldest number is a record's, and the lowest.
//! 4. No content of the flash, forged headers included, makes anything panic, hang, or go back in the numbers.

extern crate std;

use super::*;
use crate::journal::tests::Ram;
use crate::journal::{GeometryFault, MAX_SECTORS};
use proptest::prelude::*;
use std::vec;
use std::vec::Vec;

const SECTOR: usize = 1024;

type Flash = Ram<1>;

fn mount(cells: Vec<u8>) -> Log<Flash> {
    Log::mount(Ram { cells }, &mut |_, _| {}).unwrap().0
}

/// An event's if `rare`, else an interval's; different for each number.
fn payload(sequence: usize, length: usize, rare: bool) -> Vec<u8> {
    let kind = if rare { Kind::Event } else { Kind::Interval };
    let mut bytes: Vec<u8> = (0..length).map(|at| (sequence * 31 + at * 7) as u8).collect();
    bytes[0] = kind.number();
    bytes
}

/// The numbers from `from` on, and the record of each that has one.
fn read_from(log: &mut Log<Flash>, from: u32) -> Vec<(u32, Option<Vec<u8>>)> {
    let next = log.extent().next;
    let mut cursor = log.cursor(from);
    let mut buffer = [0; _];
    let mut found = Vec::new();
    for _ in 0..100_000 {
        let expected = from + found.len() as u32;
        assert_eq!(cursor.sequence(), expected);
        match log.read(&mut cursor, &mut buffer) {
            Entry::Record { sequence, bytes } => {
                assert_eq!(sequence, expected);
                found.push((sequence, Some(bytes.to_vec())));
            }
            Entry::Missing { from, to } => {
                assert!(from == expected && to > from, "{from}..{to} after {expected}");
                found.extend((from..to).map(|number| (number, None)));
            }
            Entry::End => {
                assert_eq!(expected, next.max(from));
                return found;
            }
        }
    }
    panic!("it has no end");
}

/// Invariants 1 to 3.
fn check(log: &mut Log<Flash>, model: &[Vec<u8>], sectors: usize, from: u32) {
    let main = log.journal.extent().oldest;
    // Bytes of the copies behind, with their numbers and headers.
    let (mut behind, room) = (0, (sectors - 2) * (SECTOR - 24 - 30));
    let mut held = vec![false; model.len()];
    for (number, record) in model.iter().enumerate().rev() {
        let rare = is_kept(record.first());
        behind += if rare { record.len() + 10 } else { 0 };
        held[number] = number as u32 >= main || rare && behind <= room;
    }
    let found = read_from(log, from);
    for (number, record) in &found {
        match record {
            Some(bytes) => assert_eq!(*bytes, model[*number as usize]),
            None => assert!(!held[*number as usize], "record {number} is lost"),
        }
        assert!(*number >= main || record.as_ref().is_none_or(|bytes| is_kept(bytes.first())));
    }
    let first = read_from(log, 0).iter().find(|(_, record)| record.is_some()).map(|(number, _)| *number);
    assert_eq!(log.extent(), Extent { oldest: first.unwrap_or(0), next: model.len() as u32 });
}

#[derive(Clone, Debug)]
enum Act {
    Append(usize, bool),
    Prepare,
    Remount,
    /// The power goes between a record and its copy.
    Uncopied(usize, bool),
    Read(u32),
}

fn acts() -> impl Strategy<Value = Vec<Act>> {
    let length = || 8..24_usize;
    let rare = || prop::bool::weighted(0.1);
    let act = prop_oneof![
        40 => (length(), rare()).prop_map(|(length, rare)| Act::Append(length, rare)),
        6 => Just(Act::Prepare),
        1 => Just(Act::Remount),
        2 => (length(), any::<bool>()).prop_map(|(length, rare)| Act::Uncopied(length, rare)),
        1 => (0..900_u32).prop_map(Act::Read),
    ];
    proptest::collection::vec(act, 1..900)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn agrees_with_a_vec(acts in acts(), sectors in 8..12_usize) {
        let mut log = mount(vec![0xFF; sectors * SECTOR]);
        let mut model: Vec<Vec<u8>> = Vec::new();
        for act in acts {
            match act {
                Act::Append(length, rare) => {
                    let bytes = payload(model.len(), length, rare);
                    prop_assert_eq!(log.append(&bytes), Ok(model.len() as u32));
                    model.push(bytes);
                }
                Act::Prepare => {
                    log.prepare().unwrap();
                }
                Act::Remount => log = mount(log.into_flash().cells),
                Act::Uncopied(length, rare) => {
                    let bytes = payload(model.len(), length, rare);
                    prop_assert_eq!(log.journal.append(&bytes), Ok(model.len() as u32));
                    model.push(bytes);
                    log = mount(log.into_flash().cells);
                }
                Act::Read(from) => check(&mut log, &model, 4, from.min(model.len() as u32)),
            }
        }
        check(&mut log, &model, 4, 0);
    }

    #[test]
    fn any_content_mounts(
        seed in proptest::collection::vec(any::<u8>(), 8 * SECTOR),
        headers in proptest::collection::vec(proptest::option::of((0..40_u32, any::<u32>(), any::<u32>())), 8),
        copies in proptest::collection::vec((any::<u32>(), 1..60_usize), 0..12),
    ) {
        let mut cells = seed;
        for (place, header) in headers.iter().enumerate() {
            let Some((sequence, first, epoch)) = *header else { continue };
            let payloads: Vec<Vec<u8>> = copies
                .iter()
                .map(|(number, length)| [number.to_le_bytes().as_slice(), &payload(0, *length, true)].concat())
                .collect();
            journal::tests::forge(&mut cells, place, (sequence, first, epoch), &payloads);
        }
        let mut log = mount(cells);
        for from in [0, log.extent().oldest, log.extent().next, u32::MAX] {
            let mut cursor = log.cursor(from);
            let mut last = from;
            let mut ended = false;
            for _ in 0..4000 {
                match log.read(&mut cursor, &mut [0; _]) {
                    Entry::End => { ended = true; break }
                    Entry::Record { sequence, .. } => { prop_assert!(sequence >= last); last = sequence; }
                    Entry::Missing { from, to } => { prop_assert!(last <= from && from < to); last = to; }
                }
            }
            prop_assert!(ended);
        }
        let next = log.extent().next;
        if let Ok(sequence) = log.append(&payload(1, 20, true)) {
            prop_assert_eq!(sequence, next);
            let mut log = mount(log.into_flash().cells);
            let mut cursor = log.cursor(sequence);
            let mut buffer = [0; _];
            let bytes = payload(1, 20, true);
            prop_assert_eq!(log.read(&mut cursor, &mut buffer), Entry::Record { sequence, bytes: &bytes });
        }
    }
}

#[test]
fn a_copy_is_as_drawn() {
    let mut log = mount(vec![0xFF; 8 * SECTOR]);
    log.set_epoch(3);
    log.append(&payload(0, 9, false)).unwrap();
    log.append(&payload(1, 9, true)).unwrap();
    let cells = log.into_flash().cells;
    assert!(cells[SECTOR..4 * SECTOR].iter().all(|&cell| cell == 0xFF));
    // The granule with its mark, the kept ring's four sectors; sector 0, first copy 0, start 3.
    let kept = &cells[4 * SECTOR..];
    assert_eq!(kept[..20], [b'W', b'y', b'J', b'\n', 1, 0x81, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 3, 0, 0, 0]);
    assert_eq!(kept[30..34], [1, 0, 0, 0]);
    assert_eq!(kept[34..43], payload(1, 9, true));
    assert!(kept[43..].iter().all(|&cell| cell == 0xFF));
}

#[test]
fn every_part_is_shared_out() {
    for sectors in [8, 9, 16, 127, 128, 129, 160, 256, 4096, 16_384, MAX_SECTORS] {
        let mut ring = Journal::open(Ram::<1> { cells: vec![0xFF; sectors * SECTOR] }).unwrap();
        let main = ring.ring_mut().split().unwrap();
        let shares = [&main, ring.ring_mut()].map(|ring| ring.sectors());
        assert_eq!(shares[1], (sectors / 32).max(4));
        assert_eq!(shares[0] + shares[1], sectors);
    }
    for sectors in 4..8 {
        let refused = Log::mount(Ram::<1> { cells: vec![0xFF; sectors * SECTOR] }, &mut |_, _| {});
        let error = refused.err();
        assert!(
            matches!(error, Some(MountError::Geometry(GeometryFault::Sectors(n))) if n == sectors),
            "{error:?}"
        );
    }
}

#[test]
fn a_number_that_a_copy_has_is_not_given_again() {
    let mut log = mount(vec![0xFF; 8 * SECTOR]);
    for number in 0..100 {
        log.append(&payload(number, 20, number == 99)).unwrap();
    }
    let mut cells = log.into_flash().cells;
    // Two bits of the newest main sector's header: its records are gone, and their numbers with them but for the copy's.
    let newest = 99 / ((SECTOR - 24) / 26) * SECTOR;
    cells[newest + 8] ^= 3;
    let mut log = mount(cells);
    assert_eq!(log.extent().next, 100);
    assert_eq!(log.append(&payload(100, 20, false)), Ok(100));
    let found = read_from(&mut log, 0);
    assert_eq!(found[99].1, Some(payload(99, 20, true)));
    assert_eq!(found[98].1, None);
    assert_eq!(found[100].1, Some(payload(100, 20, false)));
}
