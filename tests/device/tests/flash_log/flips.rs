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

/// One bit in a million, as the cells of 32 MiB would have it: eight times a log of 4 MiB that has gone round. What is hit is known
/// for each flip, so each is accounted for: a record that is told as a gap, a header that is set right, or cells that hold nothing.
#[test]
fn one_flip_in_a_million_bits_costs_only_what_it_hits() {
    const SECTORS: usize = 1024;
    let mut whole = mount(Part::<4096>::new(SECTORS)).0;
    let cells = fill(&mut whole, 70_000);
    let oldest = whole.extent().oldest;
    assert!(oldest > 0, "it has gone round");
    let owners: BTreeMap<usize, u32> =
        cells.iter().map(|(&sequence, cells)| (cells.start, sequence)).collect();
    let whole = part(whole);
    let bits = SECTORS * SECTOR * 8;
    let (mut flipped, mut lost, mut headers, mut repaired, mut empty) = (0, 0, 0, 0, 0);
    for seed in 0..8 {
        let mut flash = FaultyFlash::new(whole.clone(), 1000 + seed);
        let flips: BTreeSet<(usize, u8)> =
            flash.flip(bits / 1_000_000).iter().map(|flip| (flip.address as usize, flip.bit)).collect();
        assert_eq!(flips.len(), bits / 1_000_000, "seed {seed} flips a bit twice: take another");
        let (mut log, report) = mount(flash.into_inner());
        let mut hit = BTreeSet::new();
        for &(address, _) in &flips {
            let owner = owners.range(..=address).next_back().map(|(_, sequence)| *sequence);
            match owner.filter(|sequence| cells[sequence].contains(&address)) {
                Some(sequence) => drop(hit.insert(sequence)),
                None if address % SECTOR < HEADER => headers += 1,
                None => empty += 1,
            }
        }
        // Gaps fill the rest: `read_all` asks for that, and compares each record with what was written.
        let found = read_all(&mut log);
        let missing: BTreeSet<u32> =
            cells.keys().copied().filter(|sequence| !found.contains(sequence)).collect();
        assert_eq!(missing, hit, "seed {seed}");
        assert_eq!((log.extent().oldest, log.extent().next), (oldest, 70_000), "seed {seed}");
        flipped += flips.len();
        lost += missing.len();
        repaired += report.repaired_headers;
    }
    println!(
        "{flipped} flips in {} MiB: {lost} records hit and lost, {headers} headers, {repaired} set right, {empty} hit nothing",
        (8 * SECTORS * SECTOR) >> 20
    );
    assert_eq!(repaired, headers);
    assert!(lost > 200);
}
