//! A frame: one simultaneous sample of all channels.

use wyelog_protocol::condition::Phases;

/// Largest converter count: positive full scale of 24 bits.
pub const FULL_SCALE: i32 = 0x7F_FFFF;

/// One simultaneous sample of the four channels, as the converter gives it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Frame {
    /// Voltage to ground of A, B, C, then the neutral current (arrow from star point to ground): signed 24-bit
    /// counts, −2^23 to 2^23 − 1.
    pub channels: [i32; 4],
}

impl Frame {
    /// The channels that stand at either end of the converter's range.
    pub fn clipped(&self) -> Phases {
        let mut bits = 0;
        for (count, bit) in self.channels.iter().zip([1, 2, 4, 8]) {
            bits |= if *count >= FULL_SCALE || *count <= -FULL_SCALE { bit } else { 0 };
        }
        Phases::from_bits(bits)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_ends_of_the_range_are_clipped() {
        let frame = |count| Frame { channels: [0, 0, count, 0] };
        assert_eq!(frame(FULL_SCALE).clipped(), Phases::single(2));
        assert_eq!(frame(-FULL_SCALE - 1).clipped(), Phases::single(2));
        assert_eq!(frame(FULL_SCALE - 1).clipped(), Phases::NONE);
    }
}
