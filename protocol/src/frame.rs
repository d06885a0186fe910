//! Packets on an imperfect byte pipe.
//!
//! ```text
//! frame = 00 · COBS( packet · CRC-32 of packet, little-endian ) · 00
//! ```
//!
//! COBS leaves no zero inside, so a zero always separates; an empty piece between two zeros is nothing. Both a
//! leading and a trailing zero are sent: a damaged separator costs one frame, not two. The CRC is
//! CRC-32/ISO-HDLC (the one of zip and Ethernet).

use cobs::{CobsEncoder, DecodeResult, DecoderState};
use crc::{CRC_32_ISO_HDLC, Crc, Table};

/// Rows of the CRC's table, of 1 KiB each: a logger has no room for one, and sums bit by bit. A PC reads years of records.
const TABLE: usize = if cfg!(target_os = "none") { 0 } else { 16 };

use crate::message::MAX_PACKET_BYTES;

/// CRC-32/ISO-HDLC.
pub static CRC32: Crc<u32, Table<TABLE>> = Crc::<u32, Table<TABLE>>::new(&CRC_32_ISO_HDLC);

/// Largest frame: packet, CRC, one COBS byte each 254, and two zeros.
pub const MAX_FRAME_BYTES: usize = MAX_PACKET_BYTES + 4 + (MAX_PACKET_BYTES + 4) / 254 + 1 + 2;

/// Why a piece between two zeros is no packet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FrameError {
    /// Longer than any frame.
    TooLong,
    /// Not COBS, or too short to hold a CRC.
    Garbled,
    /// The CRC does not match.
    Checksum,
}

impl core::fmt::Display for FrameError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            Self::TooLong => "longer than any frame",
            Self::Garbled => "not a frame",
            Self::Checksum => "checksum does not match",
        })
    }
}

impl core::error::Error for FrameError {}

/// Frames `packet` into `out`; `None` when `out` is too small ([`MAX_FRAME_BYTES`] suffice for any legal packet).
pub fn encode<'o>(packet: &[u8], out: &'o mut [u8]) -> Option<&'o [u8]> {
    let (first, body) = out.split_first_mut()?;
    *first = 0;
    let mut encoder = CobsEncoder::new(body);
    encoder.push(packet).ok()?;
    encoder.push(&CRC32.checksum(packet).to_le_bytes()).ok()?;
    let length = encoder.finalize();
    *body.get_mut(length)? = 0;
    let end = length.checked_add(2)?;
    out.get(..end)
}

/// The packet in `piece`, the bytes between two zeros; decodes in place.
///
/// # Errors
/// [`FrameError`], with nothing said about what the packet might have been.
pub fn decode(piece: &mut [u8]) -> Result<&[u8], FrameError> {
    if piece.len() > MAX_FRAME_BYTES {
        return Err(FrameError::TooLong);
    }
    let length = unstuff(piece).ok_or(FrameError::Garbled)?;
    let whole = piece.get(..length).ok_or(FrameError::Garbled)?;
    let (packet, sum) = whole.split_last_chunk::<4>().ok_or(FrameError::Garbled)?;
    if CRC32.checksum(packet) == u32::from_le_bytes(*sum) { Ok(packet) } else { Err(FrameError::Checksum) }
}

/// Undoes COBS in place and returns the length. The streaming decoder is used for it: the crate's own decoding in place
/// indexes, and the device has no panic to jump to.
fn unstuff(piece: &mut [u8]) -> Option<usize> {
    let mut state = DecoderState::Idle;
    let mut length = 0_usize;
    for at in 0..piece.len() {
        match state.feed(*piece.get(at)?).ok()? {
            DecodeResult::DataContinue(byte) => {
                // Never ahead of `at`: each run of the code begins with a byte that gives none.
                *piece.get_mut(length)? = byte;
                length = length.checked_add(1)?;
            }
            DecodeResult::DataStart | DecodeResult::NoData => {}
            DecodeResult::DataComplete => return None,
        }
    }
    matches!(state.feed(0), Ok(DecodeResult::DataComplete)).then_some(length)
}

/// Collects bytes as they come and gives back packets. Never fails for good: after any garbage it is in step again
/// at the next zero.
#[derive(Debug)]
pub struct Decoder {
    piece: [u8; MAX_FRAME_BYTES],
    /// Bytes in `piece`; one more than fits when the piece is too long to be a frame.
    length: usize,
}

impl Default for Decoder {
    fn default() -> Self {
        Self::new()
    }
}

impl Decoder {
    /// An empty decoder.
    pub const fn new() -> Self {
        Self { piece: [0; MAX_FRAME_BYTES], length: 0 }
    }

    /// Takes one byte. `Some` when it closed a piece: a packet, or why it is none.
    pub fn push(&mut self, byte: u8) -> Option<Result<&[u8], FrameError>> {
        if byte != 0 {
            if let Some(place) = self.piece.get_mut(self.length) {
                *place = byte;
            }
            self.length = self.length.saturating_add(1).min(MAX_FRAME_BYTES.saturating_add(1));
            return None;
        }
        let length = core::mem::take(&mut self.length);
        match self.piece.get_mut(..length) {
            Some([]) => None,
            Some(piece) => Some(decode(piece)),
            None => Some(Err(FrameError::TooLong)),
        }
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use proptest::prelude::*;
    use std::vec::Vec;

    fn frames(bytes: &[u8]) -> (Vec<Vec<u8>>, usize) {
        let (mut good, mut bad) = (Vec::new(), 0);
        let mut decoder = Decoder::new();
        for byte in bytes {
            match decoder.push(*byte) {
                Some(Ok(packet)) => good.push(packet.to_vec()),
                Some(Err(_)) => bad += 1,
                None => {}
            }
        }
        (good, bad)
    }

    fn framed(packet: &[u8]) -> Vec<u8> {
        encode(packet, &mut [0; MAX_FRAME_BYTES]).unwrap().to_vec()
    }

    #[test]
    fn a_frame_is_pinned_to_the_byte() {
        // CRC-32/ISO-HDLC of "123456789" is CBF43926 (catalogue of parametrised CRC algorithms).
        let mut expected = std::vec![0, 14];
        expected.extend(b"123456789");
        expected.extend([0x26, 0x39, 0xF4, 0xCB, 0]);
        assert_eq!(framed(b"123456789"), expected);
    }

    #[test]
    fn the_largest_packet_fits_the_largest_frame() {
        assert_eq!(framed(&[7; MAX_PACKET_BYTES]).len(), MAX_FRAME_BYTES);
    }

    #[test]
    fn a_damaged_separator_costs_one_frame() {
        let mut bytes = framed(b"one");
        let separator = bytes.len() - 1;
        bytes.extend(framed(b"two"));
        bytes.extend(framed(b"three"));
        bytes[separator] = 9;
        let (good, bad) = frames(&bytes);
        assert_eq!(good, [b"two".to_vec(), b"three".to_vec()]);
        assert_eq!(bad, 1);
    }

    #[test]
    fn erased_and_zeroed_flash_are_no_packets() {
        assert_eq!(frames(&[0; 64]), (Vec::new(), 0));
        let mut erased = [0xFF; 64];
        erased[63] = 0;
        assert_eq!(frames(&erased), (Vec::new(), 1));
    }

    proptest! {
        #[test]
        fn any_packet_survives(packet in prop::collection::vec(any::<u8>(), 0..=MAX_PACKET_BYTES)) {
            let (good, bad) = frames(&framed(&packet));
            prop_assert_eq!(good, std::vec![packet]);
            prop_assert_eq!(bad, 0);
        }

        #[test]
        fn in_step_again_after_any_garbage(garbage in prop::collection::vec(any::<u8>(), 0..2000)) {
            let mut bytes = garbage;
            bytes.extend(framed(b"a"));
            let (good, _) = frames(&bytes);
            prop_assert_eq!(good.last().map(Vec::as_slice), Some(&b"a"[..]));
        }

        #[test]
        fn a_flipped_bit_is_never_believed(packet in prop::collection::vec(any::<u8>(), 1..100), bit in any::<prop::sample::Index>()) {
            let mut bytes = framed(&packet);
            let bit = bit.index(bytes.len() * 8);
            bytes[bit / 8] ^= 1 << (bit % 8);
            let (good, _) = frames(&bytes);
            // The separators may go without harm; the packet itself is whole or not there.
            prop_assert!(good.is_empty() || good == [packet]);
        }
    }
}
