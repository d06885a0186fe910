//! The language that logger and host share.
//!
//! From the outside in: [`frame`] puts a packet on an imperfect byte pipe (COBS, CRC-32); [`message`] is every
//! request beside its reply; [`record`] is what the log keeps, each record as kind, version, length, payload;
//! [`bank`], [`condition`] and [`cause`] are the vocabulary inside; [`waveform`] packs samples, `packed` the two commonest
//! records; [`quantity`] is every
//! number, as a scaled integer with unit, resolution and range.
//!
//! `schema.txt` beside this crate lists every record and message field by field: it is what a second decoder is
//! written from, and [`SCHEMA`] is its hash. `WIRE.md` explains how to read it.
//!
//! No `std`, no heap, no float on the wire, no `usize`, no map.
#![no_std]
#![forbid(unsafe_code)]
#![cfg_attr(
    not(test),
    deny(
        clippy::indexing_slicing,
        clippy::arithmetic_side_effects,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_possible_wrap,
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic
    )
)]

pub mod bank;
pub mod cause;
pub mod condition;
pub mod frame;
pub mod message;
mod packed;
pub mod quantity;
pub mod record;
pub mod waveform;

/// Frames (one sample of all four channels) a second, whatever the feeder's frequency: a preferred rate of
/// IEC 61869-9 (80 samples a cycle at 60 Hz, 96 at 50 Hz), of which 960 are 200 ms at both.
pub const FRAMES_PER_SECOND: u32 = 4800;

/// The schema in words a program can read: every record, message and enum, field by field.
pub const SCHEMA_TEXT: &str = include_str!("../schema.txt");

/// Hash of [`SCHEMA_TEXT`] (FNV-1a, 64 bit, carriage returns skipped). Host and device compare it in the hello:
/// when it differs, one of them is newer, and each still reads the record versions it knows.
pub const SCHEMA: u64 = fnv1a_64(SCHEMA_TEXT.as_bytes());

/// FNV-1a. Carriage returns do not count, so that a checkout with CRLF line ends has the same schema.
const fn fnv1a_64(bytes: &[u8]) -> u64 {
    let mut hash: u64 = 0xcbf2_9ce4_8422_2325;
    let mut rest = bytes;
    while let [byte, tail @ ..] = rest {
        if *byte != b'\r' {
            hash = (hash ^ *byte as u64).wrapping_mul(0x0000_0100_0000_01b3);
        }
        rest = tail;
    }
    hash
}

/// A short text on the wire: UTF-8, at most `N` bytes.
pub type Text<const N: usize> = heapless::String<N>;

/// `text` cut to at most `N` bytes, at a character boundary.
pub fn text<const N: usize>(text: &str) -> Text<N> {
    let mut short = Text::new();
    for character in text.chars() {
        if short.push(character).is_err() {
            break;
        }
    }
    short
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fnv_agrees_with_its_published_test_values() {
        // FNV-1a 64 test vectors of the FNV authors' reference code (from memory).
        assert_eq!(fnv1a_64(b""), 0xcbf2_9ce4_8422_2325);
        assert_eq!(fnv1a_64(b"a"), 0xaf63_dc4c_8601_ec8c);
        assert_eq!(fnv1a_64(b"foobar"), 0x8594_4171_f739_67e8);
        assert_eq!(fnv1a_64(b"foo\r\nbar"), fnv1a_64(b"foo\nbar"));
    }

    #[test]
    fn text_is_cut_between_characters() {
        assert_eq!(text::<4>("abcdef").as_str(), "abcd");
        assert_eq!(text::<4>("aäöü").as_str(), "aä");
    }
}
