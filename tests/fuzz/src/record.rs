//! Any bytes as a record; what is one survives being written again.

use wyelog_protocol::record::{Envelope, MAX_RECORD_BYTES};

/// One input.
///
/// # Panics
/// A record is another one when it is written and read again.
pub fn run(bytes: &[u8]) {
    let Ok((envelope, _)) = Envelope::parse(bytes) else { return };
    let Ok(record) = envelope.decode() else { return };
    let mut again = [0; MAX_RECORD_BYTES];
    let again = record.encode(&mut again).expect("a record that was decoded fits");
    let (envelope, rest) = Envelope::parse(again).expect("what was encoded is an envelope");
    assert!(rest.is_empty());
    assert_eq!(envelope.decode(), Ok(record));
}
