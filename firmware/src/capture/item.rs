//! What goes through the queue of samples between Meter and Keeper: samples, and marks between them.

use wyelog_protocol::waveform::Sample;

/// One item. A capture is a begin, its time if that is known, its samples and an end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Item {
    /// A capture begins with the frame of this number.
    Begin(u64),
    /// UTC of that frame in ms since 1970-01-01.
    Time(u64),
    /// The next frame.
    Sample(Sample),
    /// The capture ends.
    End {
        /// It was broken off: frames were lost, or samples found no room.
        lost: bool,
    },
}

/// An item in eight bytes.
///
/// A sample is itself: its values are never `i16::MIN`. A mark has that as its first word; the other three are a number
/// of 48 bits, lowest word first: what it says in the lower 46, its sort in the upper two.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Packed([i16; 4]);

const BEGIN: u64 = 0;
const TIME: u64 = 1;
const END: u64 = 2;
/// 464 years of frames, 2229 years of milliseconds.
const VALUE_BITS: u32 = 46;
const VALUE: u64 = (1 << VALUE_BITS) - 1;

impl Item {
    /// In eight bytes. A number above 2^46 loses its upper bits.
    pub fn pack(self) -> Packed {
        match self {
            Self::Sample(sample) => Packed(sample),
            Self::Begin(frame) => mark(BEGIN, frame),
            Self::Time(utc_ms) => mark(TIME, utc_ms),
            Self::End { lost } => mark(END, u64::from(lost)),
        }
    }
}

impl Packed {
    /// What it holds; `None` for a sort of mark that is not used.
    pub fn unpack(self) -> Option<Item> {
        let Self([first, low, middle, high]) = self;
        if first != i16::MIN {
            return Some(Item::Sample(self.0));
        }
        let [[a, b], [c, d], [e, f]] = [low, middle, high].map(i16::to_le_bytes);
        let number = u64::from_le_bytes([a, b, c, d, e, f, 0, 0]);
        let value = number & VALUE;
        match number >> VALUE_BITS {
            BEGIN => Some(Item::Begin(value)),
            TIME => Some(Item::Time(value)),
            END => Some(Item::End { lost: value != 0 }),
            _ => None,
        }
    }
}

fn mark(sort: u64, value: u64) -> Packed {
    let [a, b, c, d, e, f, ..] = (sort << VALUE_BITS | value & VALUE).to_le_bytes();
    let word = |low, high| i16::from_le_bytes([low, high]);
    Packed([i16::MIN, word(a, b), word(c, d), word(e, f)])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_item_comes_back() {
        for item in [
            Item::Begin(0),
            Item::Begin(VALUE),
            Item::Begin(0x1234_5678_9ABC),
            Item::Time(1_900_000_000_000),
            Item::Sample([-32767, i16::MAX, 0, i16::MIN]),
            Item::End { lost: true },
            Item::End { lost: false },
        ] {
            assert_eq!(item.pack().unpack(), Some(item));
        }
        assert_eq!(Packed([i16::MIN, -1, -1, -1]).unpack(), None);
    }
}
