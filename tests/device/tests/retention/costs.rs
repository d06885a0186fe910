//! What two rings cost. Counts, not times: they are the same on every machine, and a change of them is a change to be looked
//! at.

use wyelog_firmware::log::{BACK, Entry, Log};
use wyelog_protocol::record::Kind;
use wyelog_simulator::flash::{Counts, NorMemory};

type Part = NorMemory<1, 4096>;

fn counts(log: &Log<Part>) -> Counts {
    log.flash().counts()
}

/// A record of 74 bytes, or of 60 that is kept.
fn record(number: u32, rare: bool) -> Vec<u8> {
    let kind = if rare { Kind::Event } else { Kind::Interval };
    let mut bytes = vec![number as u8; if rare { 60 } else { 74 }];
    bytes[0] = kind.number();
    bytes
}

/// 4 MiB, with an event for 63 intervals, until both rings have gone round.
fn full() -> Log<Part> {
    let mut log = Log::mount(Part::new(1024), &mut |_, _| {}).unwrap().0;
    for number in 0..180_000 {
        log.append(&record(number, number % 64 == 0)).unwrap();
        while log.prepare().unwrap() {}
    }
    assert!(log.extent().oldest > 0);
    log
}

#[test]
fn operations_per_record_and_mount_and_read() {
    let mut log = full();
    let mut most = [0; 2];
    for number in 180_000..184_000 {
        let rare = number % 64 == 0;
        let before = counts(&log);
        log.append(&record(number, rare)).unwrap();
        let spent = counts(&log).reads - before.reads;
        assert_eq!(
            counts(&log).erases,
            before.erases,
            "an append never erases if the sectors were made ready"
        );
        let of_kind = &mut most[usize::from(rare)];
        *of_kind = spent.max(*of_kind);
        // One erase a quiet moment, and none when both rings are ready.
        for _ in 0..3 {
            let before = counts(&log);
            let erased = log.prepare().unwrap();
            assert_eq!(counts(&log).erases - before.erases, u64::from(erased));
        }
        assert_eq!(log.prepare(), Ok(false));
    }
    println!("reads per record at most: {} of an interval, {} of an event", most[0], most[1]);
    // Back what was written, again to see whether it is to be copied, back the copy; two headers; a look behind a sector's end.
    assert!(most[0] <= 5 && most[1] <= 7);
    // Worn evenly within each ring.
    for sectors in [0..992, 992..1024] {
        let wear = &log.flash().wear()[sectors];
        assert!(wear.iter().max().unwrap() - wear.iter().min().unwrap() <= 1);
    }

    let before = counts(&log);
    let (mut log, _) = Log::mount(log.into_flash(), &mut |_, _| {}).unwrap();
    let spent = counts(&log).reads - before.reads;
    println!("mount of 1024 sectors: {spent} reads");
    // Every header; each ring's newest sector, its blank rest twice, the next eight headers, the oldest one; the newest copies,
    // their sectors' ends, and the way to the first of them.
    let newest = 2 * (58 + 2 * 35 + 8 + 4);
    assert!(spent <= 1024 + newest + u64::from(BACK) + 3 * 16 + 10 + 58);
    assert_eq!((counts(&log).programs, counts(&log).erases), (before.programs, before.erases));

    // A reader from anywhere before the main ring, and the next one behind it.
    let oldest = log.extent().oldest;
    let (mut worst, mut next) = (0, 0);
    let mut buffer = [0; _];
    for from in (oldest + 1..oldest + 50_000).step_by(64 * 27) {
        let mut cursor = log.cursor(from);
        let before = counts(&log).reads;
        // The gap up to the copy, and the copy.
        assert!(matches!(log.read(&mut cursor, &mut buffer), Entry::Missing { .. }));
        assert!(matches!(log.read(&mut cursor, &mut buffer), Entry::Record { .. }));
        worst = worst.max(counts(&log).reads - before);
        let before = counts(&log).reads;
        assert!(matches!(log.read(&mut cursor, &mut buffer), Entry::Missing { .. }));
        assert!(matches!(log.read(&mut cursor, &mut buffer), Entry::Record { .. }));
        next = next.max(counts(&log).reads - before);
    }
    println!("worst seek among {} copies: {worst} reads, then {next}", 31 * 53);
    // Eleven halvings of up to 2048 copies, each of which finds its sector among 32 and goes along it.
    // Once more from the sector's beginning, to the copy itself.
    assert!(worst <= 13 * (1 + 5 + 58) && next <= 6);
}
