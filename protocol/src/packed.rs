//! Bits instead of bytes, for the records of which there are most.
//!
//! A number is an exponential-Golomb code of some order *k* (ITU-T H.264, 9.1 is that of order 0; from memory): add 2^*k*,
//! write one zero for each bit that the sum has beyond *k* + 1, then the sum. Small numbers are short: of order 0 the codes of
//! 0, 1, 2 are `1`, `010`, `011`; of order 2 that of 0 is `100`. Which order a number has stands in a table, or in a few bits
//! before it. The first bit is the highest of its byte; what is left of the last byte is zeros.
//!
//! [`Writer::numbers`] and [`Reader::numbers`] go through a table of [`Field`]s, each a number or absent.

use crate::quantity::{ABSENT, unzigzag, zigzag};

/// How one number is coded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Field {
    /// Order of its code.
    order: u8,
    /// Place of an earlier number that it is counted from (which is 0 when absent), or one of the two below.
    from: u8,
    /// What it is counted from otherwise.
    expected: i16,
}

/// [`Field::from`]: counted from nothing, and never negative.
const PLAIN: u8 = 255;
/// [`Field::from`]: counted from [`Field::expected`].
const NEAR: u8 = 254;

impl Field {
    /// A number that is never negative.
    pub const fn plain(order: u8) -> Self {
        Self { order, from: PLAIN, expected: 0 }
    }

    /// A number near `expected`.
    pub const fn near(expected: i16, order: u8) -> Self {
        Self { order, from: NEAR, expected }
    }

    /// A number near that of an earlier place in the table.
    pub const fn beside(place: u8, order: u8) -> Self {
        Self { order, from: place, expected: 0 }
    }

    /// What it is counted from.
    fn expected(self, numbers: &[i32]) -> i32 {
        match numbers.get(usize::from(self.from)) {
            Some(&ABSENT) => 0,
            Some(earlier) => *earlier,
            None => i32::from(self.expected),
        }
    }
}

/// Bits of the code of `value` of this order. Out of line: a loop with a call in it is not unrolled.
#[inline(never)]
pub const fn length(value: u32, order: u32) -> u32 {
    let sum = value.wrapping_add(1 << order);
    63_u32.wrapping_sub(2_u32.wrapping_mul(sum.leading_zeros())).wrapping_sub(order)
}

/// Appends bits to bytes.
#[derive(Debug)]
pub struct Writer<'b> {
    bytes: &'b mut [u8],
    /// Bits written, or that would have been.
    at: u32,
}

impl<'b> Writer<'b> {
    /// Writes from the front of `bytes`.
    pub fn new(bytes: &'b mut [u8]) -> Self {
        bytes.fill(0);
        Self { bytes, at: 0 }
    }

    /// The lowest `count` (at most 32) bits of `value`, the highest first.
    #[inline(never)]
    pub fn bits(&mut self, value: u32, count: u32) {
        for shift in (0..count).rev() {
            if value.wrapping_shr(shift) & 1 == 1
                && let Some(byte) = self.bytes.get_mut((self.at / 8) as usize)
            {
                *byte |= 0x80_u8.wrapping_shr(self.at & 7);
            }
            self.at = self.at.wrapping_add(1);
        }
    }

    /// The code of `value`, which must be below 2^31 − 2^order.
    #[inline(never)]
    pub fn code(&mut self, value: u32, order: u32) {
        let sum = value.wrapping_add(1 << order);
        let bits = 32_u32.wrapping_sub(sum.leading_zeros());
        self.bits(0, bits.wrapping_sub(order).wrapping_sub(1));
        self.bits(sum, bits);
    }

    /// The numbers of a table.
    #[inline(never)]
    pub fn numbers(&mut self, fields: &[Field], numbers: &[i32]) {
        let some_absent = numbers.contains(&ABSENT);
        self.bits(u32::from(some_absent), 1);
        for (field, number) in fields.iter().zip(numbers) {
            if some_absent {
                self.bits(u32::from(*number != ABSENT), 1);
            }
            if *number != ABSENT {
                let difference = number.wrapping_sub(field.expected(numbers));
                let value = if field.from == PLAIN { difference.unsigned_abs() } else { zigzag(difference) };
                self.code(value, u32::from(field.order));
            }
        }
    }

    /// Number of bytes used; `None` when there were too few.
    pub fn finish(self) -> Option<usize> {
        let used = self.at.div_ceil(8) as usize;
        (used <= self.bytes.len()).then_some(used)
    }
}

/// Takes bits from bytes. `None` from any method: the bytes end, or they are not what a [`Writer`] writes.
#[derive(Debug)]
pub struct Reader<'b> {
    bytes: &'b [u8],
    /// Bits taken.
    at: u32,
}

impl<'b> Reader<'b> {
    /// Reads from the front of `bytes`.
    pub const fn new(bytes: &'b [u8]) -> Self {
        Self { bytes, at: 0 }
    }

    /// The bits that come next, the first on top, and how many of them the bytes have: 57 to 64, or what is left.
    fn ahead(&self) -> (u64, u32) {
        let rest = self.bytes.get((self.at / 8) as usize..).unwrap_or_default();
        let (word, bits) = match rest.first_chunk() {
            Some(eight) => (u64::from_be_bytes(*eight), 64_u32),
            None => {
                let mut eight = [0; 8];
                let mut bits = 0_u32;
                for (to, from) in eight.iter_mut().zip(rest) {
                    *to = *from;
                    bits = bits.wrapping_add(8);
                }
                (u64::from_be_bytes(eight), bits)
            }
        };
        let taken = self.at & 7;
        (word.wrapping_shl(taken), bits.saturating_sub(taken))
    }

    /// A number of `count` (at most 32) bits.
    pub fn bits(&mut self, count: u32) -> Option<u32> {
        let (word, left) = self.ahead();
        if count > left {
            return None;
        }
        self.at = self.at.wrapping_add(count);
        // In two steps, for none are asked for too.
        Some((word >> 32).wrapping_shr(32_u32.wrapping_sub(count)) as u32)
    }

    /// A number by its code. Sums of more than 31 bits are refused: no number of a record has one.
    pub fn code(&mut self, order: u32) -> Option<u32> {
        let (word, left) = self.ahead();
        let zeros = word.leading_zeros();
        let more = order.wrapping_add(zeros);
        if zeros >= left || more > 30 {
            return None;
        }
        let before = zeros.wrapping_add(1);
        let sum = if before.wrapping_add(more) <= left {
            self.at = self.at.wrapping_add(before).wrapping_add(more);
            (word.wrapping_shl(zeros) >> 33).wrapping_shr(30_u32.wrapping_sub(more)) as u32
        } else {
            self.at = self.at.wrapping_add(before);
            1_u32.wrapping_shl(more) | self.bits(more)?
        };
        sum.checked_sub(1_u32.wrapping_shl(order))
    }

    /// The numbers of a table.
    pub fn numbers<const N: usize>(&mut self, fields: &[Field; N]) -> Option<[i32; N]> {
        let mut numbers = [ABSENT; N];
        let some_absent = self.bits(1)? == 1;
        for (place, field) in fields.iter().enumerate() {
            if some_absent && self.bits(1)? == 0 {
                continue;
            }
            let code = self.code(u32::from(field.order))?;
            let difference = if field.from == PLAIN { i32::try_from(code).ok()? } else { unzigzag(code) };
            let number = field.expected(&numbers).checked_add(difference)?;
            *numbers.get_mut(place)? = Some(number).filter(|number| *number != ABSENT)?;
        }
        (some_absent == numbers.contains(&ABSENT)).then_some(numbers)
    }

    /// To be called behind the last bit: whether the rest of its byte is zeros. Bytes behind it are somebody else's.
    pub fn finish(mut self) -> Option<()> {
        while self.at & 7 != 0 {
            if self.bits(1)? != 0 {
                return None;
            }
        }
        Some(())
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use proptest::prelude::*;
    use std::string::String;
    use std::vec::Vec;

    fn written(write: impl FnOnce(&mut Writer)) -> Vec<u8> {
        let mut room = [0xAA; 64];
        let mut writer = Writer::new(&mut room);
        write(&mut writer);
        let used = writer.finish().unwrap();
        room[..used].to_vec()
    }

    fn bits(value: u32, order: u32) -> String {
        let bytes = written(|writer| writer.code(value, order));
        let all: String = bytes.iter().map(|byte| std::format!("{byte:08b}")).collect();
        let length = length(value, order) as usize;
        assert!(all[length..].bytes().all(|bit| bit == b'0'), "{all}");
        all[..length].into()
    }

    #[test]
    fn codes_are_the_published_ones() {
        // ITU-T H.264 9.1, table 9-2: code numbers 0 to 8 (from memory).
        let order_0 = ["1", "010", "011", "00100", "00101", "00110", "00111", "0001000", "0001001"];
        for (value, code) in (0..).zip(order_0) {
            assert_eq!(bits(value, 0), code);
        }
        // Of order k the last k bits stand beside the code of order 0 of the rest.
        // An interpreter that watches memory takes minutes for all of them.
        for value in (0..500_u32).step_by(if cfg!(miri) { 97 } else { 1 }) {
            for order in 0..9 {
                let low: String =
                    (0..order).rev().map(|bit| if value >> bit & 1 == 1 { '1' } else { '0' }).collect();
                assert_eq!(bits(value, order), bits(value >> order, 0) + &low);
            }
        }
    }

    #[test]
    fn what_does_not_fit_is_said_so() {
        let mut room = [0; 2];
        let mut writer = Writer::new(&mut room);
        writer.bits(0xFFFF, 16);
        writer.bits(0, 1);
        assert_eq!(writer.finish(), None);
    }

    const FIELDS: [Field; 4] =
        [Field::plain(3), Field::near(300, 1), Field::beside(0, 5), Field::beside(2, 0)];

    #[test]
    fn an_absent_number_costs_a_bit_for_each() {
        let whole = written(|writer| writer.numbers(&FIELDS, &[0, 300, 0, 0]));
        // 0, then 1000, 10, 100000, 1.
        assert_eq!(whole, [0b0100_0101, 0b0000_0100]);
        let without = written(|writer| writer.numbers(&FIELDS, &[ABSENT, 300, ABSENT, 0]));
        // 1, then 0, 1 10, 0, 1 1.
        assert_eq!(without, [0b1011_0011]);
    }

    #[test]
    fn a_second_way_to_write_the_same_is_refused() {
        // Presence of each, and all are there.
        let bytes = written(|writer| {
            writer.bits(1, 1);
            for (value, order) in [(0, 3), (0, 1), (0, 5), (0, 0)] {
                writer.bits(1, 1);
                writer.code(value, order);
            }
        });
        assert_eq!(Reader::new(&bytes).numbers(&FIELDS), None);
        // A one behind the last bit.
        let mut bytes = written(|writer| writer.numbers(&FIELDS, &[0, 300, 0, 0]));
        bytes[1] |= 1;
        let mut reader = Reader::new(&bytes);
        assert!(reader.numbers(&FIELDS).is_some());
        assert_eq!(reader.finish(), None);
        // Nothing but zeros is no code.
        assert_eq!(Reader::new(&[0; 64]).code(0), None);
    }

    proptest! {
        #[test]
        fn numbers_survive(
            // No further apart than a code can say: 2^31 from end to end.
            (first, second) in (0..900_000_000, any::<i16>()),
            (third, fourth) in (-100_000_000..100_000_000, -100_000_000..100_000_000),
            absent in any::<[bool; 4]>(),
        ) {
            let mut numbers = [first, i32::from(second), third, fourth];
            for (number, absent) in numbers.iter_mut().zip(absent) {
                if absent { *number = ABSENT; }
            }
            let bytes = written(|writer| writer.numbers(&FIELDS, &numbers));
            let mut reader = Reader::new(&bytes);
            prop_assert_eq!(reader.numbers(&FIELDS), Some(numbers));
            prop_assert_eq!(reader.finish(), Some(()));
            for short in 0..bytes.len() {
                prop_assert_eq!(Reader::new(&bytes[..short]).numbers(&FIELDS), None);
            }
        }

        #[test]
        fn many_bits_at_once_are_those_one_by_one(
            bytes in prop::collection::vec(prop_oneof![any::<u8>(), Just(0)], 0..24),
            counts in prop::collection::vec(0..=32_u32, 1..12),
            order in 0..20_u32,
        ) {
            let (mut at_once, mut single) = (Reader::new(&bytes), Reader::new(&bytes));
            for count in counts {
                let value = (0..count).try_fold(0_u32, |value, _| Some(value << 1 | single.bits(1)?));
                prop_assert_eq!(at_once.bits(count), value);
                if value.is_none() { return Ok(()); }
            }
            let mut zeros = 0;
            let code = loop {
                match single.bits(1) {
                    Some(0) if order + zeros < 30 => zeros += 1,
                    Some(1) => {
                        let sum = (0..order + zeros).try_fold(1_u32, |sum, _| Some(sum << 1 | single.bits(1)?));
                        break sum.map(|sum| sum - (1 << order));
                    }
                    _ => break None,
                }
            };
            prop_assert_eq!(at_once.code(order), code);
            if code.is_some() { prop_assert_eq!(at_once.at, single.at); }
        }

        #[test]
        fn any_bytes_are_read_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..40)) {
            let mut reader = Reader::new(&bytes);
            if let Some(numbers) = reader.numbers(&FIELDS)
                && reader.finish().is_some()
            {
                let again = written(|writer| writer.numbers(&FIELDS, &numbers));
                prop_assert_eq!(&bytes[..again.len()], again.as_slice());
            }
        }
    }
}
