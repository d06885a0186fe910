//! What the logger can find wrong, in plain words of the trade, and who has to know.

use serde::{Deserialize, Serialize};

/// A condition of the bank, of a sensor or of the feeder. The enum only grows: the number on the wire is for ever.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Condition {
    /// A phase that carried current has stopped while the bank stays closed: its fuse has operated.
    BlownFuse,
    /// All voltages below the interruption threshold (IEC 61000-4-30 5.5): the feeder is dead.
    Interruption,
    /// A voltage below the sag threshold (the voltage dip of IEC 61000-4-30 5.4); the phases are those that were. An
    /// interruption lies within a sag.
    Sag,
    /// A voltage above the swell threshold (IEC 61000-4-30 5.4); the phases are those that were.
    Swell,
}

impl Condition {
    /// Every condition of this version, in the order of the wire.
    pub const ALL: [Self; 4] = [Self::BlownFuse, Self::Interruption, Self::Sag, Self::Swell];

    /// Name in logs, JSON and tables.
    pub const fn name(self) -> &'static str {
        match self {
            Self::BlownFuse => "blown_fuse",
            Self::Interruption => "interruption",
            Self::Sag => "sag",
            Self::Swell => "swell",
        }
    }

    /// Who has to know.
    pub const fn route(self) -> Route {
        match self {
            Self::BlownFuse => Route::Crew,
            Self::Interruption | Self::Sag | Self::Swell => Route::LogOnly,
        }
    }

    /// Whether it is a statement about the bank, which a disturbance of the feeder could imitate: its
    /// announcement waits until all voltages have been good for a while.
    pub const fn concerns_bank(self) -> bool {
        match self {
            Self::BlownFuse => true,
            Self::Interruption | Self::Sag | Self::Swell => false,
        }
    }
}

/// Who has to know of a condition, most urgent first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Route {
    /// People may be in danger: a crew goes now.
    Hazard,
    /// A crew goes when it can.
    Crew,
    /// An engineer looks at it.
    Engineer,
    /// It is part of the history, nothing more.
    LogOnly,
}

impl Route {
    /// Name in logs, JSON and tables.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Hazard => "hazard",
            Self::Crew => "crew",
            Self::Engineer => "engineer",
            Self::LogOnly => "log_only",
        }
    }
}

/// A step in the life of one occurrence of a condition.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Change {
    /// The evidence is there: journalled at once.
    Detected,
    /// It has persisted for the announcement delay of its route.
    Announced,
    /// It is gone, and has stayed so for the return time.
    Ended,
}

impl Change {
    /// Name in logs, JSON and tables.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Detected => "detected",
            Self::Announced => "announced",
            Self::Ended => "ended",
        }
    }
}

/// A set of channels: bit 0 phase A, bit 1 phase B, bit 2 phase C, bit 3 the neutral. Other bits are dropped when
/// read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(from = "u8")]
pub struct Phases(u8);

impl Phases {
    /// No channel.
    pub const NONE: Self = Self(0);
    /// All three phases.
    pub const ABC: Self = Self(0b111);

    /// The set with these bits; bits above the neutral's are dropped.
    pub const fn from_bits(bits: u8) -> Self {
        Self(bits & 0b1111)
    }

    /// Phase 0 (A), 1 (B), 2 (C), or 3 for the neutral; empty for any other number.
    pub const fn single(index: usize) -> Self {
        match index {
            0 => Self(1),
            1 => Self(2),
            2 => Self(4),
            3 => Self(8),
            _ => Self(0),
        }
    }

    /// Bit 0 phase A, bit 1 phase B, bit 2 phase C, bit 3 the neutral.
    pub const fn bits(self) -> u8 {
        self.0
    }

    /// Whether the set holds phase `index` (0 to 2), or the neutral (3).
    pub const fn contains(self, index: usize) -> bool {
        self.0 & Self::single(index).0 != 0
    }

    /// How many channels.
    pub const fn count(self) -> u32 {
        self.0.count_ones()
    }

    /// The letters of the channels in the set, in order: "A", "N".
    pub fn letters(self) -> impl Iterator<Item = &'static str> {
        ["A", "B", "C", "N"].into_iter().enumerate().filter_map(move |(i, l)| self.contains(i).then_some(l))
    }
}

impl From<u8> for Phases {
    fn from(bits: u8) -> Self {
        Self::from_bits(bits)
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;

    #[test]
    fn no_bit_without_meaning_enters() {
        assert_eq!(postcard::from_bytes::<Phases>(&[0xF3]).unwrap(), Phases::from_bits(0b0011));
    }

    #[test]
    fn numbers_on_the_wire_are_the_order_of_all() {
        for (number, condition) in Condition::ALL.into_iter().enumerate() {
            let bytes = postcard::to_stdvec(&condition).unwrap();
            assert_eq!(bytes.as_slice(), [u8::try_from(number).unwrap()]);
        }
    }

    #[test]
    fn phases_have_letters() {
        use std::vec::Vec;
        assert_eq!(Phases::from_bits(0b1101).letters().collect::<Vec<_>>(), ["A", "C", "N"]);
        assert_eq!(Phases::from_bits(0xF0), Phases::NONE);
        assert_eq!(Phases::single(9), Phases::NONE);
    }
}
