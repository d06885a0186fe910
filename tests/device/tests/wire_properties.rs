//! What holds for every record, packet and byte string.
//!
//! Invariants checked: what is written is read back the same and fits its buffer; no bytes make a reader panic;
//! a record that this version does not know is named, and skipped by its length; a payload that is longer than this
//! version knows is still read; a cut one never is.

use proptest::prelude::*;
use wyelog_device_tests::arbitrary;
use wyelog_protocol::frame::{self, Decoder, MAX_FRAME_BYTES};
use wyelog_protocol::message::{FromLogger, MAX_PACKET_BYTES, ToLogger};
use wyelog_protocol::record::{DecodeError, Envelope, KINDS, MAX_RECORD_BYTES, Record};

fn bytes_of(record: &Record) -> Vec<u8> {
    record.encode(&mut [0; MAX_RECORD_BYTES]).expect("a record fits").to_vec()
}

fn enveloped(kind: u8, version: u8, payload: &[u8]) -> Vec<u8> {
    let length = postcard::to_stdvec(&u16::try_from(payload.len()).unwrap()).unwrap();
    [&[kind, version], length.as_slice(), payload].concat()
}

/// Walks through records one behind the other, as a reader of `Reply::Records` does.
fn walk(mut bytes: &[u8]) -> Vec<Result<Record, DecodeError>> {
    let mut records = Vec::new();
    while !bytes.is_empty() {
        match Envelope::parse(bytes) {
            Ok((envelope, rest)) => {
                records.push(envelope.decode());
                bytes = rest;
            }
            Err(error) => {
                records.push(Err(error));
                break;
            }
        }
    }
    records
}

/// A record's kind and version, when this version of the code does not know it.
fn unknown_kind() -> impl Strategy<Value = (u8, u8)> {
    // Small numbers often: known kinds of a version to come, and the kinds next to the last.
    prop_oneof![(0u8..16, 0u8..4), any::<(u8, u8)>()].prop_filter("known", |(number, version)| {
        KINDS.iter().all(|(kind, known)| (kind.number(), known) != (*number, version))
    })
}

proptest! {
    #[test]
    fn any_record_survives(record in arbitrary::record()) {
        let bytes = bytes_of(&record);
        prop_assert_eq!(walk(&bytes), vec![Ok(record)]);
    }

    #[test]
    fn a_record_needs_exactly_its_room(record in arbitrary::record()) {
        let bytes = bytes_of(&record);
        let mut room = vec![0; bytes.len()];
        prop_assert_eq!(record.encode(&mut room), Some(bytes.as_slice()));
        for short in 0..bytes.len() {
            prop_assert_eq!(record.encode(&mut room[..short]), None);
        }
    }

    #[test]
    fn any_packet_survives_with_its_frame(request in arbitrary::to_logger(), reply in arbitrary::from_logger()) {
        let mut bytes = Vec::new();
        for packet in [postcard::to_stdvec(&request).unwrap(), postcard::to_stdvec(&reply).unwrap()] {
            prop_assert!(packet.len() <= MAX_PACKET_BYTES, "{} bytes", packet.len());
            bytes.extend(frame::encode(&packet, &mut [0; MAX_FRAME_BYTES]).expect("a packet fits"));
        }
        let (mut decoder, mut packets) = (Decoder::new(), Vec::new());
        for byte in bytes {
            if let Some(packet) = decoder.push(byte) {
                packets.push(packet.unwrap().to_vec());
            }
        }
        prop_assert_eq!(packets.len(), 2);
        prop_assert_eq!(postcard::from_bytes::<ToLogger>(&packets[0]), Ok(request));
        prop_assert_eq!(postcard::from_bytes::<FromLogger>(&packets[1]), Ok(reply));
    }

    #[test]
    fn no_bytes_make_a_reader_panic(kind in 0u8..10, version in 0u8..3, bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        let _ = walk(&bytes);
        let _ = walk(&enveloped(kind, version, &bytes));
        let _ = postcard::from_bytes::<ToLogger>(&bytes);
        let _ = postcard::from_bytes::<FromLogger>(&bytes);
    }

    /// What is read from damaged bytes is still a legal value: it is written and read back the same.
    #[test]
    fn a_damaged_record_is_legal_or_refused(record in arbitrary::record(), damage in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..5)) {
        let mut bytes = bytes_of(&record);
        for (at, byte) in damage {
            let at = at.index(bytes.len());
            bytes[at] = byte;
        }
        for record in walk(&bytes).into_iter().flatten() {
            prop_assert_eq!(walk(&bytes_of(&record)), vec![Ok(record)]);
        }
    }

    #[test]
    fn an_unknown_record_is_named_and_skipped(
        before in arbitrary::record(), (kind, version) in unknown_kind(),
        payload in prop::collection::vec(any::<u8>(), 0..200), after in arbitrary::record(),
    ) {
        let bytes = [bytes_of(&before), enveloped(kind, version, &payload), bytes_of(&after)].concat();
        prop_assert_eq!(walk(&bytes), vec![Ok(before), Err(DecodeError::Unknown { kind, version }), Ok(after)]);
    }

    #[test]
    fn a_longer_payload_is_still_read(record in arbitrary::record(), more in prop::collection::vec(any::<u8>(), 1..100), after in arbitrary::record()) {
        let bytes = bytes_of(&record);
        let (envelope, _) = Envelope::parse(&bytes).unwrap();
        let longer = enveloped(envelope.kind, envelope.version, &[envelope.payload, &more].concat());
        prop_assert_eq!(walk(&[longer, bytes_of(&after)].concat()), vec![Ok(record), Ok(after)]);
    }

    #[test]
    fn a_shorter_payload_is_malformed(record in arbitrary::record(), keep in any::<prop::sample::Index>()) {
        let bytes = bytes_of(&record);
        let (envelope, _) = Envelope::parse(&bytes).unwrap();
        let kept = &envelope.payload[..keep.index(envelope.payload.len())];
        let shorter = enveloped(envelope.kind, envelope.version, kept);
        prop_assert_eq!(walk(&shorter), vec![Err(DecodeError::Malformed { kind: envelope.kind })]);
    }

    #[test]
    fn a_cut_record_is_truncated(record in arbitrary::record(), keep in any::<prop::sample::Index>()) {
        let bytes = bytes_of(&record);
        let kept = keep.index(bytes.len());
        prop_assume!(kept > 0);
        prop_assert_eq!(walk(&bytes[..kept]), vec![Err(DecodeError::Truncated)]);
    }
}
