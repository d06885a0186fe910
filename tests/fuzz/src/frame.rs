//! Any bytes into the frame decoder, as they come off a line; then into the packet decoder.

use wyelog_protocol::frame::{Decoder, MAX_FRAME_BYTES, encode};
use wyelog_protocol::message::{FromLogger, Reply, ToLogger};
use wyelog_protocol::record::Envelope;

/// One input.
///
/// # Panics
/// What was decoded cannot be framed again.
pub fn run(bytes: &[u8]) {
    let mut decoder = Decoder::new();
    for byte in bytes {
        let Some(Ok(packet)) = decoder.push(*byte) else { continue };
        // What was decoded encodes to a frame that decodes to the same.
        let mut frame = [0; MAX_FRAME_BYTES];
        assert!(encode(packet, &mut frame).is_some());
        let _ = postcard::from_bytes::<ToLogger>(packet);
        if let Ok(FromLogger { reply: Reply::Records { mut bytes, .. }, .. }) = postcard::from_bytes(packet) {
            while let Ok((_, rest)) = Envelope::parse(bytes) {
                bytes = rest;
            }
        }
    }
}
