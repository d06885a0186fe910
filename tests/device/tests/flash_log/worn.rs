//! Sectors that fail, cells that stick, a driver that is away for a while.

use super::{Log, Part, SECTOR, fill, mount, part, payload, read_all};
use std::collections::{BTreeMap, BTreeSet};
use wyelog_firmware::journal::{AppendError, FlashFault, Journal, MAX_PAYLOAD, Read};
use wyelog_simulator::flash::{Cells, FaultError, FaultyFlash};

#[test]
fn records_survive_on_a_worn_part() {
    let mut flash = FaultyFlash::new(Part::<4096>::new(16), 6);
    flash.fail_erases(2, true);
    flash.fail_programs(5, true);
    flash.stick(8 * SECTOR as u32 + 2000, 0x10, false);
    flash.stick(11 * SECTOR as u32 + 3000, 0xFF, true);
    let mut log = Journal::mount(flash, &mut |_, _| ()).expect("mounts").0;
    let mut truth = BTreeMap::new();
    for count in 0..4000 {
        let number = log.append(&payload(count)).expect("there are sound sectors");
        assert!(truth.insert(number, count).is_none());
    }
    let faults = log.faults();
    // Five times round: each turn leaves the three bad sectors, and closes the one with the dead cell.
    assert!(faults.sectors >= 12 && faults.records >= 4, "{faults:?}");
    let check = |log: &mut Log| {
        let extent = log.extent();
        let mut cursor = log.cursor(extent.oldest);
        let mut buffer = [0; MAX_PAYLOAD];
        let mut found = BTreeSet::new();
        loop {
            match log.read(&mut cursor, &mut buffer).expect("reads do not fail") {
                Read::Record { sequence, length } => {
                    assert_eq!(buffer[..length], payload(truth[&sequence]));
                    found.insert(sequence);
                }
                Read::Gap { from, to } => assert!((from..to).all(|number| !truth.contains_key(&number))),
                Read::Overwritten { .. } => panic!("nothing is overwritten meanwhile"),
                Read::End => break,
            }
        }
        assert!(truth.range(extent.oldest..).all(|(number, _)| found.contains(number)));
    };
    check(&mut log);
    let extent = log.extent();
    let (mut log, _) = mount(part(log));
    assert_eq!(log.extent().next, extent.next);
    check(&mut log);
}

#[test]
fn a_dead_part_is_an_error_and_one_that_comes_back_has_lost_eight_sectors_at_most() {
    let mut log = mount(Part::<4096>::new(64)).0;
    let cells = fill(&mut log, 5000);
    let set = |log: &mut Log, fail| {
        for sector in 0..64 {
            log.flash_mut().fail_erases(sector, fail);
            log.flash_mut().fail_programs(sector, fail);
        }
    };
    set(&mut log, true);
    for _ in 0..100 {
        let error = log.append(&payload(0)).expect_err("no sector works");
        assert!(
            matches!(error, AppendError::Flash(FlashFault::Driver(FaultError::Failing { .. }))),
            "{error:?}"
        );
    }
    set(&mut log, false);
    let next = log.extent().next;
    assert!(next >= 5000);
    assert_eq!(log.append(&payload(next)), Ok(next));
    let mut places: Vec<usize> = cells.values().map(|cells| cells.start / SECTOR).collect();
    places.dedup();
    let ninth = cells.iter().find(|(_, cells)| cells.start / SECTOR == places[8]).expect("it has records").0;
    assert_eq!(log.extent().oldest, *ninth);
    let found = read_all(&mut log);
    assert!((*ninth..5000).all(|sequence| found.contains(&sequence)));
    assert!(found.contains(&next));
}

/// What a failed append left half written may read as whole later. Then it must not meet another record of its number.
#[test]
fn a_failed_record_and_the_next_one_have_different_numbers() {
    for seed in 0..200 {
        let mut log = mount(Part::<4096>::new(16)).0;
        fill(&mut log, 20);
        log.flash_mut().reseed(seed);
        for sector in 0..16 {
            log.flash_mut().fail_erases(sector, true);
            log.flash_mut().fail_programs(sector, true);
        }
        let failed = log.extent().next;
        // It may be that all of it was written before the driver complained.
        let acknowledged = log.append(b"first").is_ok();
        for sector in 0..16 {
            log.flash_mut().fail_erases(sector, false);
            log.flash_mut().fail_programs(sector, false);
        }
        let torn = log.flash().torn().cloned();
        let number = log.append(b"second").expect("works again");
        let touched = torn.is_some();
        if let Some(torn) = torn {
            torn.complete(log.flash_mut().inner_mut());
        }
        let (mut log, _) = mount(part(log));
        let mut buffer = [0; MAX_PAYLOAD];
        let mut cursor = log.cursor(failed);
        let read = log.read(&mut cursor, &mut buffer).expect("reads do not fail");
        assert_eq!(
            read,
            Read::Record { sequence: failed, length: if touched { 5 } else { 6 } },
            "seed {seed}"
        );
        assert_eq!(number, if touched { failed + 1 } else { failed });
        assert!(touched || !acknowledged);
        let mut cursor = log.cursor(number);
        assert_eq!(log.read(&mut cursor, &mut buffer), Ok(Read::Record { sequence: number, length: 6 }));
        assert_eq!(&buffer[..6], b"second");
    }
}

/// The same for a header: what it claims must not be in use when it comes true.
#[test]
fn a_header_that_failed_claims_no_number_in_use() {
    for seed in 0..100 {
        let mut log = mount(Part::<4096>::new(16)).0;
        let mut next = log.append(&payload(0)).expect("room") + 1;
        while !log.opens_sector(MAX_PAYLOAD) {
            next = log.append(&payload(next)).expect("room") + 1;
        }
        assert!(!log.opens_sector(20), "a small one would still fit");
        log.flash_mut().reseed(seed);
        (0..16).for_each(|sector| log.flash_mut().fail_programs(sector, true));
        let acknowledged = log.append(&[seed as u8; MAX_PAYLOAD]).is_ok();
        (0..16).for_each(|sector| log.flash_mut().fail_programs(sector, false));
        let torn = log.flash().torn().cloned().filter(|_| !acknowledged);
        let at = torn.as_ref().map_or(0, |torn| torn.address() as usize);
        let left = log.flash().inner().cells()[at..at + 24].to_vec();
        let small = log.append(&payload(next)[..20]).expect("works again");
        // Unless it has been erased since.
        if let Some(torn) = torn.filter(|_| log.flash().inner().cells()[at..at + 24] == left) {
            torn.complete(log.flash_mut().inner_mut());
        }
        let after = log.append(b"after").expect("room");
        let (mut log, _) = mount(part(log));
        assert_eq!(log.extent().next, after + 1, "seed {seed}");
        let mut buffer = [0; MAX_PAYLOAD];
        let mut cursor = log.cursor(small);
        assert_eq!(log.read(&mut cursor, &mut buffer), Ok(Read::Record { sequence: small, length: 20 }));
        assert_eq!(log.read(&mut cursor, &mut buffer), Ok(Read::Record { sequence: after, length: 5 }));
    }
}
