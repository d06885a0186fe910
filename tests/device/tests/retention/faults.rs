//! Bits that flip at rest, and sectors that wear out, in either ring.

use std::collections::BTreeMap;

use wyelog_firmware::keeper::Keeper;
use wyelog_protocol::record::{Record, Status};
use wyelog_simulator::flash::{Cells, FaultyFlash, NorMemory};

use super::{bytes, flood, interval, kind, rare, records, start};

const SECTOR: usize = 1024;
/// Of twelve: eight are the main ring's.
const SECTORS: usize = 12;

type Part = NorMemory<1, SECTOR>;
type Faulty = FaultyFlash<Part>;

/// Rare records between intervals, and each that was not refused, by its number.
fn fill(keeper: &mut Keeper<Faulty>, rounds: u32) -> BTreeMap<u32, Vec<u8>> {
    let mut stored = BTreeMap::new();
    let mut refused = keeper.extent().refused;
    for count in 0..rounds {
        let record = if count % 5 == 0 { rare(keeper.boot(), count) } else { interval(keeper.boot(), count) };
        keeper.store(&record);
        let extent = keeper.extent();
        // What tells of a fault comes behind it.
        if extent.refused == refused {
            let newest = records(keeper.flash().unwrap().inner().clone());
            let number =
                newest.range(extent.next.saturating_sub(3)..).find(|(_, held)| **held == bytes(&record));
            stored.insert(*number.expect("it was acknowledged").0, bytes(&record));
        }
        refused = extent.refused;
        keeper.idle();
    }
    stored
}

#[test]
fn a_flip_costs_an_event_only_if_it_has_no_other_copy() {
    let mut keeper = start(Faulty::new(Part::new(SECTORS), 1));
    let stored = fill(&mut keeper, 60);
    assert_eq!(keeper.extent().oldest, 0, "nothing is overwritten yet: each event is there twice");
    let whole = keeper.into_flash().unwrap().into_inner();
    let before = records(whole.clone());
    assert!(stored.iter().all(|(number, bytes)| before.get(number) == Some(bytes)));
    let (mut lost, mut events) = (0, 0);
    for bit in (0..SECTORS * SECTOR * 8).step_by(7) {
        let mut part = whole.clone();
        part.cells_mut()[bit / 8] ^= 1 << (bit % 8);
        let found = records(part);
        for (number, bytes) in &before {
            match found.get(number) {
                Some(found) => assert_eq!(found, bytes, "bit {bit}"),
                None => {
                    lost += 1;
                    events += u32::from(kind(bytes) != kind(&self::bytes(&interval(1, 0))));
                }
            }
        }
        assert!(found.keys().all(|number| before.contains_key(number)), "bit {bit}");
    }
    println!("{lost} intervals lost to a flip each, {events} events");
    assert!(lost > 1000 && events == 0, "{lost}, {events}");
}

/// As many flips as there may be in years: each costs what it hits, in either ring.
#[test]
fn many_flips_are_all_detected() {
    let mut keeper = start(Faulty::new(Part::new(SECTORS), 1));
    fill(&mut keeper, 400);
    let whole = keeper.into_flash().unwrap();
    let before = records(whole.inner().clone());
    for seed in 0..300 {
        let mut flash = whole.clone();
        flash.reseed(seed);
        flash.flip(1 + seed as usize % 30);
        let part = flash.into_inner();
        let found = records(part.clone());
        // A header with two flips takes its sector's numbers along; they may be given again if it was the newest.
        for (number, bytes) in &found {
            assert_eq!(before.get(number), Some(bytes), "seed {seed}");
        }
        let mut keeper = start(part);
        keeper.store(&rare(9, 9));
        assert_eq!(keeper.extent().refused, 0);
    }
}

#[test]
fn worn_sectors_in_either_ring_lose_nothing() {
    for worn in [vec![2], vec![9], vec![2, 10], vec![8, 11]] {
        let mut flash = Faulty::new(Part::new(SECTORS), 6);
        for &sector in &worn {
            flash.fail_erases(sector, true);
            flash.fail_programs(sector, true);
        }
        // A dead cell in the midst of a sector of each.
        flash.stick(5 * SECTOR as u32 + 500, 0x10, false);
        let mut keeper = start(flash);
        let stored = fill(&mut keeper, 150);
        assert_eq!(keeper.extent().refused, 0, "{worn:?}");
        let found = records(keeper.into_flash().unwrap().into_inner());
        for (number, bytes) in
            stored.iter().filter(|(_, bytes)| kind(bytes) == kind(&self::bytes(&rare(1, 0))))
        {
            assert_eq!(found.get(number), Some(bytes), "{worn:?}: record {number}");
        }
        let told = found.values().any(|bytes| {
            let record = wyelog_protocol::record::Envelope::parse(bytes).unwrap().0.decode();
            matches!(record, Ok(Record::Status(record)) if matches!(record.status, Status::FlashFaults { .. }))
        });
        assert!(told, "{worn:?}: nobody says so");
    }
}

/// The kept ring refuses for a while: everything is acknowledged by the main one, and gets its copy later.
#[test]
fn a_kept_ring_that_comes_back_gets_what_it_missed() {
    let mut keeper = start(Faulty::new(Part::new(SECTORS), 1));
    let mut flash = keeper.into_flash().unwrap();
    (8..12).for_each(|sector| {
        flash.fail_erases(sector, true);
        flash.fail_programs(sector, true);
    });
    keeper = start(flash);
    let stored = fill(&mut keeper, 30);
    assert_eq!(keeper.extent().refused, 0);
    let mut flash = keeper.into_flash().unwrap();
    (8..12).for_each(|sector| {
        flash.fail_erases(sector, false);
        flash.fail_programs(sector, false);
    });
    let mut keeper = start(flash);
    flood(&mut keeper, 200);
    let found = records(keeper.into_flash().unwrap().into_inner());
    assert!(found.keys().next().unwrap() < stored.keys().next().unwrap(), "what came before is there too");
    for (number, bytes) in stored {
        if kind(&bytes) == kind(&self::bytes(&rare(1, 0))) {
            assert_eq!(found.get(&number), Some(&bytes), "record {number}");
        }
    }
}

/// No sector of the kept ring works: the log is that of the main ring, and the part is not worn in vain.
#[test]
fn a_dead_kept_ring_leaves_the_main_one_alone() {
    let mut flash = Faulty::new(Part::new(SECTORS), 1);
    (8..12).for_each(|sector| flash.fail_erases(sector, true));
    let mut keeper = start(flash);
    let before = keeper.flash().unwrap().operations();
    (0..1000).for_each(|_| {
        keeper.idle();
    });
    let tries = keeper.flash().unwrap().operations() - before;
    assert!(tries <= 16, "{tries} operations in 1000 quiet moments");
    flood(&mut keeper, 100);
    assert_eq!(keeper.extent().refused, 0);
    let found = records(keeper.into_flash().unwrap().into_inner());
    assert!(found.len() > 40);
}
