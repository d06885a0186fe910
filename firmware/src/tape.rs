//! The tape: every input of a run, tied to a frame index by its place in the order.
//!
//! ```text
//! tape  = magic (16 bytes) · settings item · settings bytes, zero-padded to whole items · item …
//! item  = 16 bytes, four little-endian i32
//!         frame          A · B · C · N            each −2^23 … 2^23 − 1
//!         anything else  0x7F000000 | kind · three words, as the kind says
//! kind  = 1 settings     length in bytes · CRC-32 of the bytes · 0     (first item only)
//!         2 frames lost  count · 0 · 0
//!         3 contact      1 closed, 0 open · 0 · 0
//!         4 clock        UTC in ms: low word · high word · 0 the signal's own, 1 battery-backed clock's, 2 host's
//!         5 baseline     1 learn; 2 link, 3 unit, 4 sensor replaced · 0 · 0
//! ```
//!
//! A tape in memory and a tape in a file are the same bytes. The same tape gives the same record payloads on every
//! machine: that is what 'bit for bit' means here.

use wyelog_protocol::bank::Settings;
use wyelog_protocol::frame::CRC32;
use wyelog_protocol::record::ClockSource;

use crate::frontend::{Frame, Input, Order};

/// Bytes in an item.
pub const ITEM_BYTES: usize = 16;

/// Most bytes that the settings take on a tape.
pub const MAX_SETTINGS_BYTES: usize = 256;

/// First bytes of a tape.
pub const MAGIC: [u8; ITEM_BYTES] = *b"wyelog-tape-v1\r\n";

const TAG: i32 = 0x7F00_0000;
const SETTINGS: i32 = TAG | 1;
const FRAMES_LOST: i32 = TAG | 2;
const CONTACT: i32 = TAG | 3;
const CLOCK: i32 = TAG | 4;
const BASELINE: i32 = TAG | 5;

/// One item, as bytes.
pub type Item = [u8; ITEM_BYTES];

/// Why bytes are not a tape.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TapeError {
    /// It does not begin with [`MAGIC`].
    NotATape,
    /// The settings are cut short, fail their CRC or make no sense.
    Settings,
    /// The item of this number (counted from 0 behind the settings) is none that this version knows.
    Item(u64),
}

impl core::fmt::Display for TapeError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::NotATape => f.write_str("this is not a wyelog tape"),
            Self::Settings => f.write_str("the settings at the start of the tape are damaged"),
            Self::Item(number) => write!(f, "item {number} of the tape is damaged, or a newer version's"),
        }
    }
}

impl core::error::Error for TapeError {}

/// `input` as an item.
pub fn encode(input: &Input) -> Item {
    match *input {
        Input::Frame(Frame { channels }) => item(channels),
        Input::FramesLost(count) => item([FRAMES_LOST, count.cast_signed(), 0, 0]),
        Input::Contact(closed) => item([CONTACT, i32::from(closed), 0, 0]),
        Input::Clock(utc_ms, source) => {
            let [low, high] = split(utc_ms);
            item([CLOCK, low, high, i32::from(source.number())])
        }
        Input::Baseline(order) => item([BASELINE, i32::from(order.number()), 0, 0]),
    }
}

/// The input that `item` holds; `None` if this version knows none such.
pub fn decode(item: &Item) -> Option<Input> {
    let words = words(item);
    match words {
        [FRAMES_LOST, count, 0, 0] => Some(Input::FramesLost(count.cast_unsigned())),
        [CONTACT, closed @ (0 | 1), 0, 0] => Some(Input::Contact(closed == 1)),
        [CLOCK, low, high, source] => {
            let source = ClockSource::from_number(u8::try_from(source).ok()?)?;
            Some(Input::Clock(join(low, high), source))
        }
        [BASELINE, number, 0, 0] => Order::from_number(u8::try_from(number).ok()?).map(Input::Baseline),
        channels if channels.iter().all(|count| (-0x80_0000..=0x7F_FFFF).contains(count)) => {
            Some(Input::Frame(Frame { channels }))
        }
        _ => None,
    }
}

/// The settings at the head of a tape: [`MAGIC`] and everything up to the first input. `sink` gets it in pieces.
/// Returns false if the settings do not fit [`MAX_SETTINGS_BYTES`] (they always do).
pub fn encode_head(settings: &Settings, sink: &mut dyn FnMut(&Item)) -> bool {
    let mut scratch = [0u8; MAX_SETTINGS_BYTES];
    let Ok(bytes) = postcard::to_slice(settings, &mut scratch) else { return false };
    let Ok(length) = i32::try_from(bytes.len()) else { return false };
    sink(&MAGIC);
    sink(&item([SETTINGS, length, CRC32.checksum(bytes).cast_signed(), 0]));
    for piece in bytes.chunks(ITEM_BYTES) {
        let mut padded = [0; ITEM_BYTES];
        if let Some(front) = padded.get_mut(..piece.len()) {
            front.copy_from_slice(piece);
        }
        sink(&padded);
    }
    true
}

/// Reads the head of a tape from `next`, which gives item after item and `None` at the end.
///
/// # Errors
/// [`TapeError::NotATape`] or [`TapeError::Settings`].
pub fn decode_head(next: &mut dyn FnMut() -> Option<Item>) -> Result<Settings, TapeError> {
    if next() != Some(MAGIC) {
        return Err(TapeError::NotATape);
    }
    let [SETTINGS, length, sum, 0] = words(&next().ok_or(TapeError::Settings)?) else {
        return Err(TapeError::Settings);
    };
    let mut bytes = [0u8; MAX_SETTINGS_BYTES];
    let bytes = usize::try_from(length).ok().and_then(|n| bytes.get_mut(..n)).ok_or(TapeError::Settings)?;
    for piece in bytes.chunks_mut(ITEM_BYTES) {
        let item = next().ok_or(TapeError::Settings)?;
        let (front, padding) = item.split_at_checked(piece.len()).ok_or(TapeError::Settings)?;
        if padding.iter().any(|byte| *byte != 0) {
            return Err(TapeError::Settings);
        }
        piece.copy_from_slice(front);
    }
    if CRC32.checksum(bytes) != sum.cast_unsigned() {
        return Err(TapeError::Settings);
    }
    postcard::from_bytes(bytes).map_err(|_| TapeError::Settings)
}

fn item(words: [i32; 4]) -> Item {
    let mut bytes = [0; ITEM_BYTES];
    for (place, word) in bytes.chunks_exact_mut(4).zip(words) {
        place.copy_from_slice(&word.to_le_bytes());
    }
    bytes
}

fn words(item: &Item) -> [i32; 4] {
    let mut words = [0; 4];
    for (word, bytes) in words.iter_mut().zip(item.chunks_exact(4)) {
        if let Ok(bytes) = <[u8; 4]>::try_from(bytes) {
            *word = i32::from_le_bytes(bytes);
        }
    }
    words
}

fn split(value: u64) -> [i32; 2] {
    let [a, b, c, d, e, f, g, h] = value.to_le_bytes();
    [i32::from_le_bytes([a, b, c, d]), i32::from_le_bytes([e, f, g, h])]
}

fn join(low: i32, high: i32) -> u64 {
    u64::from(low.cast_unsigned()) | (u64::from(high.cast_unsigned()) << 32)
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use crate::testing::settings;
    use proptest::prelude::*;
    use std::vec::Vec;

    fn head() -> Vec<Item> {
        let mut items = Vec::new();
        assert!(encode_head(&settings(), &mut |item| items.push(*item)));
        items
    }

    #[test]
    fn the_head_survives() {
        let mut items = head().into_iter();
        assert_eq!(decode_head(&mut || items.next()), Ok(settings()));
        assert_eq!(items.next(), None);
    }

    #[test]
    fn a_damaged_head_is_refused() {
        for at in 0..head().len() {
            let mut items = head();
            items[at][3] ^= 1;
            let mut items = items.into_iter();
            assert!(decode_head(&mut || items.next()).is_err(), "item {at}");
            let mut short = head().into_iter().take(at);
            assert!(decode_head(&mut || short.next()).is_err(), "cut before item {at}");
        }
    }

    #[test]
    fn no_frame_looks_like_another_input() {
        let lowest = Frame { channels: [-0x80_0000; 4] };
        let highest = Frame { channels: [0x7F_FFFF; 4] };
        for frame in [lowest, highest] {
            assert_eq!(decode(&encode(&Input::Frame(frame))), Some(Input::Frame(frame)));
        }
        assert_eq!(decode(&[0x7F; 16]), None);
    }

    proptest! {
        #[test]
        fn inputs_survive(channels in prop::array::uniform4(-0x80_0000i32..=0x7F_FFFF), lost: u32, closed: bool, utc: u64) {
            for input in [
                Input::Frame(Frame { channels }), Input::FramesLost(lost), Input::Contact(closed),
                Input::Clock(utc, ClockSource::Signal), Input::Clock(utc, ClockSource::Rtc), Input::Clock(utc, ClockSource::Host),
            ] {
                prop_assert_eq!(decode(&encode(&input)), Some(input));
            }
        }

        #[test]
        fn any_item_is_decoded_or_refused(bytes: [u8; 16]) {
            if let Some(input) = decode(&bytes) {
                prop_assert_eq!(encode(&input), bytes);
            }
        }

        #[test]
        fn orders_survive(number: u8) {
            let order = Order::from_number(number);
            prop_assert_eq!(order.map(Order::number), (1..=4).contains(&number).then_some(number));
            if let Some(order) = order {
                prop_assert_eq!(decode(&encode(&Input::Baseline(order))), Some(Input::Baseline(order)));
            }
        }
    }
}
