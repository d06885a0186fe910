//! What the log costs. Counts, not times: they are the same on every machine, and a change of them is a change to be
//! looked at.

use super::{Log, Part, mount, part};
use wyelog_firmware::journal::{MAX_PAYLOAD, Read};
use wyelog_simulator::flash::Counts;

/// Operations of one call.
fn spent<T>(log: &mut Log, call: impl FnOnce(&mut Log) -> T) -> (Counts, T) {
    let before = log.flash().inner().counts();
    let result = call(log);
    let after = log.flash().inner().counts();
    let counts = Counts {
        reads: after.reads - before.reads,
        bytes_read: after.bytes_read - before.bytes_read,
        programs: after.programs - before.programs,
        bytes_programmed: after.bytes_programmed - before.bytes_programmed,
        erases: after.erases - before.erases,
    };
    (counts, result)
}

#[test]
fn operations_per_record() {
    // 1 MiB, records of 74 bytes (80 with their header): four times round.
    let mut log = mount(Part::<4096>::new(256)).0;
    let (mut reads, mut programs, mut bytes, mut opened) = (0, 0, 0, 0);
    let records = 50_000;
    for sequence in 0..records {
        if log.needs_prepare() {
            let (counts, done) = spent(&mut log, |log| log.prepare());
            assert_eq!((done, counts.erases, counts.programs), (Ok(true), 1, 0));
            // 32 to see that it is blank, one for the new oldest header.
            assert!(counts.reads <= 33);
        }
        let opens = log.opens_sector(74);
        let (counts, number) = spent(&mut log, |log| log.append(&[sequence as u8; 74]));
        assert_eq!(number, Ok(sequence));
        // One program and its reading back; where a sector begins, the header's too.
        let expected = if opens { (2, 2, 104) } else { (1, 1, 80) };
        assert_eq!((counts.reads, counts.programs, counts.bytes_programmed), expected);
        assert_eq!(counts.erases, 0, "an append never erases if the sector was made ready");
        reads += counts.reads;
        programs += counts.programs;
        bytes += counts.bytes_programmed;
        opened += u64::from(opens);
    }
    // (4096 − 24) / 80 = 50 records a sector.
    assert_eq!(opened, 1000);
    assert_eq!((programs, reads), (51_000, 51_000));
    let counts = log.flash().inner().counts();
    // One for each sector opened, and one ahead.
    assert_eq!(counts.erases, 1001);
    println!(
        "per record of 74 bytes: {} programs, {} erases, {} bytes programmed per byte",
        programs as f64 / f64::from(records),
        counts.erases as f64 / f64::from(records),
        bytes as f64 / (f64::from(records) * 74.0)
    );
    // Worn evenly.
    let wear = log.flash().inner().wear();
    assert!(wear.iter().max().unwrap() - wear.iter().min().unwrap() <= 1);
    // All sectors but the one made ready are in use.
    assert!(log.extent().next - log.extent().oldest >= 255 * 50);
}

#[test]
fn operations_per_read_and_mount() {
    let mut log = mount(Part::<4096>::new(256)).0;
    while log.extent().oldest == 0 {
        log.append(&[1; 74]).expect("room");
    }
    let extent = log.extent();
    let mut buffer = [0; MAX_PAYLOAD];
    let mut worst = 0;
    for from in (extent.oldest..extent.next).step_by(7) {
        let mut cursor = log.cursor(from);
        let (counts, read) = spent(&mut log, |log| log.read(&mut cursor, &mut buffer));
        assert_eq!(read, Ok(Read::Record { sequence: from, length: 74 }));
        worst = worst.max(counts.reads);
        let (counts, _) = spent(&mut log, |log| log.read(&mut cursor, &mut buffer));
        // The record; at a sector's end also the look behind it, and at the next header.
        assert!(counts.reads <= 3);
    }
    println!("worst seek in 256 sectors: {worst} reads");
    // The newest header, eight for the search in 256, and the up to 50 records before it in its sector.
    assert!(worst <= 1 + 8 + 50);
    let part = part(log);
    let before = part.counts();
    let (log, _) = mount(part);
    let counts = log.flash().inner().counts();
    println!("mount of 256 sectors: {} reads", counts.reads - before.reads);
    // Each header, the newest sector's records, its blank rest twice, the next eight headers, the oldest one.
    assert!(counts.reads - before.reads <= 256 + 50 + 2 * 35 + 8 + 4);
    assert_eq!((counts.programs, counts.erases), (before.programs, before.erases));
}
