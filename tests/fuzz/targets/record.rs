//! Any bytes as a record; what is one survives being written again.
#![no_main]

use libfuzzer_sys::fuzz_target;
use wyelog_protocol::record::{Envelope, MAX_RECORD_BYTES};

fuzz_target!(|bytes: &[u8]| {
    let Ok((envelope, _)) = Envelope::parse(bytes) else { return };
    let Ok(record) = envelope.decode() else { return };
    let mut again = [0; MAX_RECORD_BYTES];
    let again = record.encode(&mut again).expect("a record that was decoded fits");
    let (envelope, rest) = Envelope::parse(again).expect("what was encoded is an envelope");
    assert!(rest.is_empty());
    assert_eq!(envelope.decode(), Ok(record));
});
