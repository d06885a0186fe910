//! What is written is read, and what is damaged is counted.

use proptest::prelude::*;
use wyelog_protocol::message::Extent;
use wyelog_protocol::record::{MAX_RECORD_BYTES, Record, Stamp, Status, StatusRecord};

use super::*;
use crate::log::LogWriter;

fn identity() -> DeviceIdentity {
    DeviceIdentity {
        serial: "T1".to_owned(),
        board: "test".to_owned(),
        firmware: "1.2.3".to_owned(),
        schema: 42,
        boot: 7,
        frames_per_second: 4800,
        kinds: vec![(1, 1), (3, 1)],
    }
}

fn record(frame: u64) -> Record {
    let stamp = Stamp { boot: 7, frame, utc_ms: None };
    Record::Status(StatusRecord { stamp, status: Status::FramesLost { count: 5 } })
}

fn bytes(record: &Record) -> Vec<u8> {
    record.encode(&mut [0; MAX_RECORD_BYTES]).unwrap().to_vec()
}

/// A log of records 10 to 19 and 25 to 29, 20 to 24 being missing.
fn file() -> Vec<u8> {
    let mut writer = LogWriter::new(Vec::new());
    writer.identity(&identity().message()).unwrap();
    for sequence in 10..20 {
        writer.record(sequence, &bytes(&record(u64::from(sequence)))).unwrap();
    }
    writer.missing(20, 22).unwrap();
    writer.missing(22, 25).unwrap();
    for sequence in 25..30 {
        writer.record(sequence, &bytes(&record(u64::from(sequence)))).unwrap();
    }
    writer.end(Extent { boot: 7, oldest: 10, next: 30, refused: 0 }).unwrap();
    writer.into_sink().unwrap()
}

fn read(bytes: &[u8]) -> Log {
    Log::from_source(bytes).unwrap()
}

/// Where each piece starts and ends.
fn pieces(bytes: &[u8]) -> Vec<(usize, usize)> {
    let mut reader = Reader::new(bytes);
    let mut out = Vec::new();
    while let Some(entry) = reader.entry().unwrap() {
        out.push((entry.start as usize, entry.end as usize));
    }
    out
}

#[test]
fn a_whole_log_is_read_whole() {
    let log = read(&file());
    assert_eq!(log.identity, Some(identity()));
    assert_eq!(log.records.len(), 15);
    assert_eq!(log.records[12], Sequenced { sequence: 27, record: record(27) });
    assert_eq!(log.missing, [(20, 25)]);
    assert!(log.unread.is_nothing(), "{:?}", log.unread);
    assert_eq!(log.bytes, file().len() as u64);
}

#[test]
fn gaps_between_old_events_are_no_damage_and_one_sentence() {
    assert_eq!(
        read(&file()).missing_sentence().as_deref(),
        Some("the logger has no records 20 to 24 any more")
    );
    let mut writer = LogWriter::new(Vec::new());
    writer.identity(&identity().message()).unwrap();
    // An event among a hundred numbers, and a download that ends inside a gap.
    for hundred in 0..5000 {
        let first = hundred * 100;
        writer.missing(first, first + 40).unwrap();
        writer.record(first + 40, &bytes(&record(u64::from(first)))).unwrap();
        writer.missing(first + 41, first + 100).unwrap();
    }
    writer.end(Extent { boot: 7, oldest: 40, next: 500_000, refused: 0 }).unwrap();
    let log = read(&writer.into_sink().unwrap());
    assert!(log.unread.is_nothing(), "{:?}", log.unread);
    assert_eq!((log.records.len(), log.missing.len()), (5000, 5001));
    assert_eq!(log.missing_records(0, u32::MAX), 495_000);
    assert_eq!((log.missing_records(30, 45), log.missing_records(40, 41)), (14, 0));
    let said = log.missing_sentence().unwrap();
    assert!(
        said.starts_with("of the records 0 to 499999 the logger has 495000 no more (5001 gaps): "),
        "{said}"
    );
}

#[test]
fn a_damaged_piece_is_named_and_costs_itself() {
    let mut bytes = file();
    let (start, end) = pieces(&bytes)[4];
    bytes[start + 3] ^= 0x10;
    let log = read(&bytes);
    assert_eq!(log.records.len(), 14);
    let [damage] = log.unread.damage.as_slice() else { panic!("{:?}", log.unread) };
    assert_eq!((damage.start, damage.length), (start as u64, (end - start) as u64));
    assert_eq!(log.unread.holes, [(13, 14)]);
    assert_eq!(log.unread.lost_records(), 1);
    assert!(!log.unread.is_cut);
    assert!(log.unread.sentences()[0].starts_with(&format!("byte {start}: {} bytes", end - start)));
}

#[test]
fn a_cut_is_told_wherever_it_is() {
    let bytes = file();
    let ends: Vec<usize> = pieces(&bytes).iter().map(|piece| piece.1).collect();
    // What a frame loses at its very end may be its closing zero, or the opening zero of a frame never written.
    for length in 1..bytes.len() - 1 {
        let log = read(&bytes[..length]);
        assert!(log.unread.is_cut, "cut at {length}");
        let is_between = ends.contains(&length) || ends.contains(&(length - 1)) || length == 1;
        assert_eq!(log.unread.damaged_pieces, u64::from(!is_between), "cut at {length}");
    }
}

#[test]
fn records_of_a_newer_logger_are_counted_and_passed_over() {
    let mut writer = LogWriter::new(Vec::new());
    writer.record(0, &bytes(&record(0))).unwrap();
    writer.record(1, &[99, 1, 2, 0xAA, 0xBB]).unwrap();
    writer.record(2, &[3, 2, 1, 0]).unwrap();
    writer.record(3, &bytes(&record(3))).unwrap();
    writer.end(Extent { boot: 1, oldest: 0, next: 4, refused: 0 }).unwrap();
    let log = read(&writer.into_sink().unwrap());
    assert_eq!(log.records.len(), 2);
    assert_eq!(log.unread.unknown_records(), 2);
    assert_eq!(log.unread.unknown, BTreeMap::from([((99, 1), 1), ((3, 2), 1)]));
    assert_eq!((log.unread.damaged_pieces, log.unread.lost_records()), (0, 0));
}

#[test]
fn no_log_is_said_to_be_none() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.log");
    assert!(matches!(Log::read(&path), Err(LogError::File { .. })));
    std::fs::write(&path, []).unwrap();
    assert!(matches!(Log::read(&path), Err(LogError::Empty { .. })));
    std::fs::write(&path, "a text\n\0with zeros\0").unwrap();
    assert!(matches!(Log::read(&path), Err(LogError::NotALog { bytes: 19, .. })));
}

#[test]
fn a_file_of_zeros_is_no_empty_one() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.log");
    std::fs::write(&path, [0; 70_000]).unwrap();
    assert!(matches!(Log::read(&path), Err(LogError::NotALog { bytes: 70_000, .. })));
}

#[test]
fn records_that_the_flash_refused_are_told() {
    let log = |refused| {
        let mut writer = LogWriter::new(Vec::new());
        writer.record(0, &bytes(&record(0))).unwrap();
        writer.end(Extent { boot: 3, oldest: 0, next: 1, refused }).unwrap();
        read(&writer.into_sink().unwrap())
    };
    assert_eq!((log(0).refused(), log(0).refused_sentence()), (Some(0), None));
    assert_eq!(
        log(1).refused_sentence().as_deref(),
        Some(
            "the logger's flash has refused 1 record since start 3: measured, and lost for good; replace the logger before \
             it loses more"
        )
    );
    assert!(log(2).refused_sentence().is_some_and(|sentence| sentence.contains("2 records")));
    // The file itself is whole.
    assert!(log(2).unread.is_nothing());
    assert_eq!(Log::default().refused(), None);
}

#[test]
fn one_is_told_in_the_singular() {
    let unread = Unread { damaged_pieces: 1, unknown: BTreeMap::from([((9, 1), 1)]), ..Unread::default() };
    let said = unread.sentences();
    assert_eq!(said[0], "1 more damaged piece");
    assert!(said[1].starts_with("1 record of kind 9 version 1 not known here"), "{said:?}");
}

proptest! {
    #[test]
    fn any_bytes_are_read_to_the_end(bytes in prop::collection::vec(prop_oneof![Just(0u8), any::<u8>()], 0..3000)) {
        let log = read(&bytes);
        prop_assert!(log.records.is_empty());
        prop_assert!(log.unread.is_cut);
    }

    #[test]
    fn damage_costs_what_it_hits(hits in prop::collection::vec((any::<prop::sample::Index>(), 1u8..=255), 1..6)) {
        let mut bytes = file();
        let pieces = pieces(&bytes);
        let mut touched = std::collections::BTreeSet::new();
        for (at, flip) in hits {
            let at = at.index(bytes.len());
            bytes[at] ^= flip;
            // The opening zero belongs to the piece behind it.
            touched.extend(pieces.iter().enumerate().filter(|(_, p)| (p.0 - 1..p.1).contains(&at)).map(|(n, _)| n));
        }
        let log = read(&bytes);
        // Identity, missing and end are pieces without a record.
        prop_assert!(log.records.len() + touched.len() >= 15, "{} records, {touched:?}", log.records.len());
        for (kept, sequence) in log.records.iter().map(|kept| (&kept.record, kept.sequence)) {
            prop_assert_eq!(kept, &record(u64::from(sequence)));
        }
    }
}
