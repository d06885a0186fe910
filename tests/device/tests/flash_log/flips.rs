//! Bits that flipped at rest: every one is noticed, and costs what it hits.

use super::{HEADER, Part, SECTOR, fill, mount, part, read_all};
use std::collections::{BTreeMap, BTreeSet};
use wyelog_simulator::flash::{Cells, FaultyFlash};

#[test]
fn a_flipped_bit_costs_the_record_it_hits_and_no_other() {
    let mut whole = mount(Part::<4096>::new(16)).0;
    let cells = fill(&mut whole, 1500);
    let whole = part(whole);
    let (mut flipped, mut lost, mut hit_records, mut repaired) = (0, 0, 0, 0);
    // 1 to 24 flips in 64 KiB are 2 to 46 in a million bits.
    for seed in 0..600 {
        let mut flash = FaultyFlash::new(whole.clone(), seed);
        let flips = flash.flip(1 + seed as usize % 24);
        let (mut log, report) = mount(flash.into_inner());
        repaired += report.repaired_headers;
        // Two flips in one header lose its sector; say so rather than fail.
        let mut headers = BTreeMap::<usize, u32>::new();
        for flip in flips.iter().filter(|flip| flip.address as usize % SECTOR < HEADER) {
            *headers.entry(flip.address as usize / SECTOR).or_default() += 1;
        }
        if headers.values().any(|&count| count > 1) {
            continue;
        }
        let found = read_all(&mut log);
        let hit: BTreeSet<u32> = cells
            .iter()
            .filter(|(_, cells)| flips.iter().any(|flip| cells.contains(&(flip.address as usize))))
            .map(|(&sequence, _)| sequence)
            .collect();
        let missing: BTreeSet<u32> =
            cells.keys().copied().filter(|sequence| !found.contains(sequence)).collect();
        assert!(missing.is_subset(&hit), "seed {seed}: {:?} lost without a hit", missing.difference(&hit));
        assert!(log.extent().next >= 1500, "no number is used twice");
        flipped += flips.len();
        lost += missing.len();
        hit_records += hit.len();
        log.append(b"goes on").expect("the log goes on");
    }
    println!("{flipped} bits flipped: {hit_records} records hit, {lost} lost, {repaired} headers repaired");
    // A bit flipped twice is no hit.
    assert!(hit_records - lost <= 2 && repaired > 10);
}

#[test]
fn every_single_bit_of_a_sector_may_flip() {
    const SMALL: usize = 1024;
    let mut whole = mount(Part::<SMALL>::new(8)).0;
    let cells = fill(&mut whole, 45);
    let whole = part(whole);
    // The second sector: neither the oldest nor the newest.
    for bit in SMALL * 8..SMALL * 16 {
        let mut part = whole.clone();
        part.cells_mut()[bit / 8] ^= 1 << (bit % 8);
        let found = read_all(&mut mount(part).0);
        let hit = cells.iter().find(|(_, cells)| cells.contains(&(bit / 8))).map(|(&sequence, _)| sequence);
        let missing: Vec<u32> = (0..45).filter(|sequence| !found.contains(sequence)).collect();
        assert_eq!(missing, hit.into_iter().collect::<Vec<u32>>(), "bit {bit}");
    }
}

#[test]
fn damage_in_the_newest_sector_never_frees_a_number() {
    const SMALL: usize = 1024;
    let mut whole = mount(Part::<SMALL>::new(8)).0;
    let cells = fill(&mut whole, 40);
    let whole = part(whole);
    let sector = cells[&39].start / SMALL;
    assert!(cells[&36].start / SMALL == sector, "it holds some records");
    for bit in SMALL * 8 * sector..SMALL * 8 * (sector + 1) {
        let mut part = whole.clone();
        part.cells_mut()[bit / 8] ^= 1 << (bit % 8);
        let (mut log, report) = mount(part);
        let next = log.extent().next;
        assert!(next == 40 || next == 41, "bit {bit}, next {next}: {report:?}");
        log.append(b"goes on").expect("the log goes on");
    }
}
