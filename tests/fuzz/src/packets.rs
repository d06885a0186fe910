//! Inputs that get past the sums: packets, put into sound frames.

use wyelog_protocol::frame::{MAX_FRAME_BYTES, encode};

/// Hands over a frame for each packet in `bytes`: a byte with its length, so many bytes, and again.
pub(crate) fn frames(bytes: &[u8], take: &mut dyn FnMut(&[u8])) {
    let mut rest = bytes;
    while let Some((length, behind)) = rest.split_first() {
        let (packet, behind) = behind.split_at(behind.len().min(usize::from(*length)));
        rest = behind;
        if let Some(frame) = encode(packet, &mut [0; MAX_FRAME_BYTES]) {
            take(frame);
        }
    }
}
