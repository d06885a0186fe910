//! What the flash keeps of each kind: rare records outlive any number of intervals, whatever happens to the flash.
//!
//! Here: without faults, and flashes that another layout was written on. [`cuts`], [`faults`] and [`costs`] say what they are
//! about.

mod costs;
mod cuts;
mod faults;

use std::collections::BTreeMap;
use std::fmt::Debug;
use std::sync::LazyLock;

use embedded_io::{Read, ReadReady, Write};
use embedded_storage::nor_flash::NorFlash;
use wyelog_device_tests::play::{Stored, device, held};
use wyelog_device_tests::samples;
use wyelog_firmware::journal::Journal;
use wyelog_firmware::keeper::Keeper;
use wyelog_protocol::bank::Settings;
use wyelog_protocol::frame::{Decoder, MAX_FRAME_BYTES, encode};
use wyelog_protocol::message::{Extent, FromLogger, Reply, Request, ToLogger};
use wyelog_protocol::record::{
    Envelope, Interval, Kind, MAX_RECORD_BYTES, Record, Stamp, Status, StatusRecord,
};
use wyelog_simulator::flash::NorMemory;
use wyelog_simulator::line::memory_line;
use wyelog_simulator::scenario::BankFile;

const BANK: &str =
    "[bank]\nconnection = \"grounded_wye\"\nrated_kvar = 600\nrated_kv_ll = 12.47\nfrequency_hz = 60\n";

fn settings() -> Settings {
    BankFile::parse("bank.toml", BANK).unwrap().settings()
}

fn start<F: NorFlash<Error: Debug>>(flash: F) -> Keeper<F> {
    let (keeper, mounted) = Keeper::start(flash, device(), settings(), None);
    mounted.expect("the flash mounts");
    keeper
}

fn interval(boot: u32, count: u32) -> Record {
    static SAMPLE: LazyLock<Record> = LazyLock::new(|| samples::records().swap_remove(0).1);
    let Record::Interval(sample) = &*SAMPLE else { panic!("the first sample is an interval") };
    let stamp = Stamp { boot, frame: u64::from(count), utc_ms: None };
    Record::Interval(Interval { stamp, ..sample.clone() })
}

/// A record of a kind to be kept that says `count`.
fn rare(boot: u32, count: u32) -> Record {
    let stamp = Stamp { boot, frame: u64::from(count), utc_ms: None };
    Record::Status(StatusRecord { stamp, status: Status::FramesLost { count } })
}

fn bytes(record: &Record) -> Vec<u8> {
    record.encode(&mut [0; MAX_RECORD_BYTES]).expect("room").to_vec()
}

fn kind(bytes: &[u8]) -> u8 {
    Envelope::parse(bytes).expect("an envelope").0.kind
}

/// The log's records by number; every number but those in the gaps has one.
fn records<F: NorFlash<Error: Debug>>(flash: F) -> BTreeMap<u32, Vec<u8>> {
    let (records, missing) = held(flash);
    // The oldest record of the main ring may be damaged.
    let mut next = records.iter().map(|(n, _)| *n).chain(missing.iter().map(|(n, _)| *n)).min().unwrap_or(0);
    let mut gaps = missing.iter().peekable();
    for (number, _) in &records {
        while let Some((_, to)) = gaps.next_if(|(from, _)| *from == next) {
            next = *to;
        }
        assert_eq!(*number, next, "neither a record nor a gap");
        next += 1;
    }
    records.into_iter().collect()
}

/// So many intervals, with time between them.
fn flood<F: NorFlash<Error: Debug>>(keeper: &mut Keeper<F>, intervals: u32) {
    for count in 0..intervals {
        keeper.store(&interval(keeper.boot(), count));
        keeper.idle();
    }
}

#[test]
fn no_number_of_intervals_pushes_out_an_event() {
    // 64 KiB: twelve sectors and four. An interval takes some 80 bytes: 600 go once round.
    let mut keeper = start(NorMemory::<1, 4096>::new(16));
    let mut expected: Vec<Stored> = Vec::new();
    for count in 0..40 {
        let number = keeper.extent().next;
        keeper.store(&rare(1, count));
        expected.push((number, bytes(&rare(1, count))));
        flood(&mut keeper, 100);
    }
    let extent = keeper.extent();
    let found = records(keeper.into_flash().unwrap());
    assert_eq!((extent.oldest, extent.refused), (0, 0));
    // All of the start, and all that was said since, under its number.
    assert_eq!([0, 1].map(|number| kind(&found[&number])), [Kind::Status, Kind::Settings].map(Kind::number));
    for (number, bytes) in &expected {
        assert_eq!(found.get(number), Some(bytes));
    }
    let intervals: Vec<u32> =
        found.iter().filter(|(_, bytes)| kind(bytes) == Kind::Interval.number()).map(|(n, _)| *n).collect();
    assert!(intervals[0] > extent.next / 2, "the main ring has gone round");
    assert_eq!(found.range(intervals[0]..).count() as u32, extent.next - intervals[0], "and is whole");
}

/// Over the link: the same, in packets; and from any number on.
#[test]
fn a_download_has_old_events_between_gaps() {
    let mut keeper = start(NorMemory::<1, 4096>::new(16));
    for count in 0..30 {
        // Two that follow each other come in one packet.
        keeper.store(&rare(1, 2 * count));
        keeper.store(&rare(1, 2 * count + 1));
        flood(&mut keeper, 70);
    }
    let (records, missing) = held(keeper.flash().unwrap().clone());
    assert!(missing.len() > 10, "{missing:?}");
    let extent = keeper.extent();
    for from in [0, 1, 2, 50, 73, 74, 75, extent.next - 100, extent.next] {
        let mut found = (Vec::new(), Vec::new());
        let end = download(&mut keeper, Request::ReadLog { from, limit: u32::MAX }, &mut found);
        assert_eq!(end, extent);
        let wanted: Vec<Stored> = records.iter().filter(|(number, _)| *number >= from).cloned().collect();
        let gaps = missing.iter().map(|gap| (gap.0.max(from), gap.1)).filter(|gap| gap.0 < gap.1);
        assert_eq!(found, (wanted, gaps.collect()), "from {from}");
    }
    // In pieces, as over a bad line.
    let (mut found, mut next) = ((Vec::new(), Vec::new()), 0);
    while next < 300 {
        download(&mut keeper, Request::ReadLog { from: next, limit: 1 }, &mut found);
        let record = found.0.last().map_or(0, |(number, _)| number + 1);
        next = found.1.last().map_or(0, |(_, to): &(u32, u32)| *to).max(record);
    }
    assert!(found.0.iter().all(|record| records.contains(record)) && found.0.len() > 8);
}

/// What the replies to `request` bring, behind what was `found` before; how it ended.
fn download(
    keeper: &mut Keeper<NorMemory>,
    request: Request,
    found: &mut (Vec<Stored>, Vec<(u32, u32)>),
) -> Extent {
    let (mut near, mut far) = memory_line();
    let packet = postcard::to_stdvec(&ToLogger { number: 7, request }).unwrap();
    far.write_all(encode(&packet, &mut [0; MAX_FRAME_BYTES]).unwrap()).unwrap();
    let mut decoder = Decoder::new();
    for _ in 0..100_000 {
        keeper.serve(&mut near);
        while far.read_ready().unwrap() {
            let mut byte = [0];
            far.read_exact(&mut byte).unwrap();
            let Some(packet) = decoder.push(byte[0]) else { continue };
            match postcard::from_bytes::<FromLogger>(packet.unwrap()).unwrap().reply {
                Reply::Records { first, mut bytes } => {
                    for number in first.. {
                        let Ok((_, rest)) = Envelope::parse(bytes) else { break };
                        found.0.push((number, bytes[..bytes.len() - rest.len()].to_vec()));
                        bytes = rest;
                    }
                }
                Reply::Missing { from, to } => found.1.push((from, to)),
                Reply::LogEnd(extent) => return extent,
                other => panic!("{other:?}"),
            }
        }
    }
    panic!("it has no end");
}

/// The ring of kept records is one for all their kinds: only they push each other out, the oldest first.
#[test]
fn kept_records_go_in_their_order() {
    let mut keeper = start(NorMemory::<1, 1024>::new(8));
    for count in 0..1000 {
        keeper.store(&rare(1, count));
        keeper.idle();
    }
    flood(&mut keeper, 200);
    let found = records(keeper.into_flash().unwrap());
    let kept: Vec<u32> = found
        .values()
        .filter(|bytes| kind(bytes) == Kind::Status.number())
        .map(|bytes| u32::from(bytes[6]))
        .collect();
    let left = kept.len();
    // A copy takes 22 bytes at most: two sectors of 1000 bytes hold 90.
    assert!((90..200).contains(&left), "{left}");
}

/// Written before there were two rings: an empty log, in which numbers and starts go on.
#[test]
fn a_log_of_one_ring_is_survived_and_no_number_is_used_again() {
    let (mut journal, _) = Journal::mount(NorMemory::<1, 4096>::new(16), &mut |_, _| {}).unwrap();
    journal.set_epoch(7);
    for count in 0..2000 {
        journal.append(&bytes(&interval(7, count))).unwrap();
    }
    let before = journal.extent();
    let mut keeper = start(journal.into_flash());
    assert_eq!(keeper.boot(), 8);
    let extent = keeper.extent();
    assert!(extent.oldest >= before.next, "{extent:?}");
    keeper.store(&rare(8, 5));
    flood(&mut keeper, 1000);
    assert_eq!(keeper.extent().refused, 0);
    let found = records(keeper.into_flash().unwrap());
    assert_eq!(found.first_key_value().map(|(number, _)| *number), Some(extent.oldest));
    assert!(found.values().any(|record| *record == bytes(&rare(8, 5))));
}

#[test]
fn a_log_of_another_size_is_survived_and_no_number_is_used_again() {
    let mut keeper = start(NorMemory::<1, 4096>::new(16));
    flood(&mut keeper, 1000);
    keeper.store(&rare(1, 5));
    let before = keeper.extent();
    let image = keeper.into_flash().unwrap().into_bytes();
    for sectors in [8, 12, 32, 256] {
        let mut image = image.clone();
        image.resize(sectors * 4096, 0xFF);
        let mut keeper = start(NorMemory::<1, 4096>::from_bytes(image));
        assert_eq!(keeper.boot(), 2, "{sectors}");
        assert!(keeper.extent().oldest >= before.next, "{sectors}");
        flood(&mut keeper, 100);
        assert_eq!(keeper.extent().refused, 0);
        records(keeper.into_flash().unwrap());
    }
    // Too small for two rings: named; measured and answered all the same, and nothing is kept.
    let (mut keeper, mounted) = Keeper::start(NorMemory::<1, 4096>::new(7), device(), settings(), None);
    assert!(format!("{mounted:?}").contains("Sectors(7)"), "{mounted:?}");
    assert_eq!((keeper.extent().next, keeper.idle()), (0, false));
}
