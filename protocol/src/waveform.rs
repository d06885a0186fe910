//! Waveforms in a record: samples of four channels, 16 bits each, in about a byte a value.
//!
//! ```text
//! waveform = sample · sample …        sample = A · B · C · N
//! A, B …   = varint of zigzag(x − p)  p = 3·x₁ − 3·x₂ + x₃, from the channel's samples one, two and three before
//! ```
//!
//! In the first samples of a waveform, where those are missing, p is 0, then x₁, then 2·x₁ − x₂: each record is read
//! without the one before. A third difference leaves of a 60 Hz wave of full scale at 4800 samples a second sixteen
//! steps, and makes four and a half times as much of noise: both fit one byte.

use heapless::Vec;

/// One sample of A, B, C and N: counts of the converter over 256, −32767 to 32767.
pub type Sample = [i16; 4];

/// Most bytes of a waveform in a record, so that the record fits [`crate::record::MAX_RECORD_BYTES`].
pub const MAX_WAVEFORM_BYTES: usize = 220;

/// A waveform as bytes.
pub type Waveform = Vec<u8, MAX_WAVEFORM_BYTES>;

/// Most bytes of a sample: a difference has 18 bits and a sign.
const MAX_SAMPLE_BYTES: usize = 12;

/// Largest value of a sample, and the smallest less its sign.
pub const FULL_SCALE: i16 = i16::MAX;

/// What the next value is expected to be.
#[derive(Clone, Copy, Debug, Default)]
struct Predictor {
    /// The last three samples, newest first.
    last: [Sample; 3],
    /// How many of them there are.
    known: u8,
}

impl Predictor {
    fn expected(&self) -> [i32; 4] {
        let [one, two, three] = self.last;
        let mut expected = [0; 4];
        for (expected, ((one, two), three)) in expected.iter_mut().zip(one.iter().zip(two).zip(three)) {
            let (one, two, three) = (i32::from(*one), i32::from(two), i32::from(three));
            // At most 7 · 2^15.
            *expected = match self.known {
                0 => 0,
                1 => one,
                2 => one.wrapping_mul(2).wrapping_sub(two),
                _ => one.wrapping_sub(two).wrapping_mul(3).wrapping_add(three),
            };
        }
        expected
    }

    const fn take(&mut self, sample: Sample) {
        let [one, two, _] = self.last;
        self.last = [sample, one, two];
        if self.known < 3 {
            self.known = self.known.wrapping_add(1);
        }
    }
}

/// Puts samples into a waveform, one by one.
#[derive(Clone, Debug, Default)]
pub struct Packer {
    bytes: Waveform,
    predictor: Predictor,
    count: u16,
}

impl Packer {
    /// An empty waveform.
    pub const fn new() -> Self {
        Self { bytes: Vec::new(), predictor: Predictor { last: [[0; 4]; 3], known: 0 }, count: 0 }
    }

    /// Adds a sample; false, and nothing is added, when there is no room.
    pub fn push(&mut self, sample: Sample) -> bool {
        let mut code: Vec<u8, MAX_SAMPLE_BYTES> = Vec::new();
        for (value, expected) in sample.iter().zip(self.predictor.expected()) {
            let difference = i32::from(*value).wrapping_sub(expected);
            let mut rest = (difference.wrapping_shl(1) ^ (difference >> 31)).cast_unsigned();
            // 19 bits: three times seven suffice.
            for _ in 0..3 {
                let [low, ..] = (rest & 0x7F).to_le_bytes();
                rest >>= 7;
                let more = if rest > 0 { 0x80 } else { 0 };
                if code.push(low | more).is_err() {
                    return false;
                }
                if rest == 0 {
                    break;
                }
            }
        }
        if self.bytes.extend_from_slice(&code).is_err() {
            return false;
        }
        self.predictor.take(sample);
        self.count = self.count.saturating_add(1);
        true
    }

    /// Samples in it.
    pub const fn count(&self) -> u16 {
        self.count
    }

    /// Takes the waveform out and begins the next.
    pub fn take(&mut self) -> Waveform {
        core::mem::take(self).bytes
    }
}

/// Why bytes are no waveform.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WaveformError {
    /// They end inside a sample.
    Cut,
    /// A value would lie outside ±32767.
    Range,
}

impl core::fmt::Display for WaveformError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            Self::Cut => "the waveform ends inside a sample",
            Self::Range => "a value of the waveform is larger than 16 bits",
        })
    }
}

impl core::error::Error for WaveformError {}

/// The samples of a waveform; it ends behind the first error.
#[derive(Clone, Debug)]
pub struct Samples<'a> {
    rest: &'a [u8],
    predictor: Predictor,
}

impl<'a> Samples<'a> {
    /// Of these bytes.
    pub fn new(bytes: &'a [u8]) -> Self {
        Self { rest: bytes, predictor: Predictor::default() }
    }

    fn sample(&mut self) -> Result<Sample, WaveformError> {
        let mut sample = [0; 4];
        for (value, expected) in sample.iter_mut().zip(self.predictor.expected()) {
            let (code, rest) = postcard::take_from_bytes::<u32>(self.rest).map_err(|_| WaveformError::Cut)?;
            self.rest = rest;
            let difference = (code >> 1).cast_signed() ^ (code & 1).cast_signed().wrapping_neg();
            let sum = expected.wrapping_add(difference);
            *value =
                i16::try_from(sum).ok().filter(|value| *value != i16::MIN).ok_or(WaveformError::Range)?;
        }
        self.predictor.take(sample);
        Ok(sample)
    }
}

impl Iterator for Samples<'_> {
    type Item = Result<Sample, WaveformError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.rest.is_empty() {
            return None;
        }
        let sample = self.sample();
        if sample.is_err() {
            self.rest = &[];
        }
        Some(sample)
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use proptest::prelude::*;

    fn read(bytes: &[u8]) -> Result<std::vec::Vec<Sample>, WaveformError> {
        Samples::new(bytes).collect()
    }

    proptest! {
        #[test]
        fn what_goes_in_comes_out(samples in prop::collection::vec(any::<[i16; 4]>(), 0..60)) {
            let samples: std::vec::Vec<Sample> =
                samples.into_iter().map(|s| s.map(|x| x.max(-FULL_SCALE))).collect();
            let mut packer = Packer::new();
            let taken = samples.iter().take_while(|sample| packer.push(**sample)).count();
            prop_assert_eq!(taken, usize::from(packer.count()));
            // Twelve bytes a sample at worst.
            prop_assert!(taken == samples.len() || taken >= MAX_WAVEFORM_BYTES / 12);
            prop_assert_eq!(read(&packer.take()).unwrap(), &samples[..taken]);
            prop_assert_eq!(packer.count(), 0);
        }

        #[test]
        fn any_bytes_are_read_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..220)) {
            if let Ok(samples) = read(&bytes) {
                prop_assert!(samples.iter().flatten().all(|value| *value != i16::MIN));
            }
        }
    }

    /// Worked by hand: 100, 103, 105 on A leave 100, 3, −1, and 106 leaves 106 − (3·105 − 3·103 + 100) = 0.
    #[test]
    fn bytes_by_hand() {
        let mut packer = Packer::new();
        for a in [100, 103, 105, 106] {
            assert!(packer.push([a, 0, 0, -1]));
        }
        let bytes = packer.take();
        // zigzag: 200 = C8 01, 6, 1, 0; N: −1 is 1, then nothing changes, but for the order that grows: 0, 0, 0.
        assert_eq!(*bytes, [0xC8, 1, 0, 0, 1, 6, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0]);
    }

    #[test]
    fn damage_is_said() {
        assert_eq!(read(&[0, 0, 0]), Err(WaveformError::Cut));
        assert_eq!(read(&[0xFF, 0xFF, 3, 0, 0, 0]), Err(WaveformError::Range), "−32768");
        assert_eq!(read(&[0x80, 0x80, 4, 0, 0, 0]), Err(WaveformError::Range), "32768");
        assert_eq!(read(&[0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0, 0, 0]), Err(WaveformError::Cut));
    }

    /// The goal is 1.2 bytes a value with all that is around them.
    #[test]
    fn a_clean_wave_takes_little_more_than_a_byte() {
        let mut packer = Packer::new();
        let mut n = 0.0;
        while packer.push([0.0, -1.0 / 3.0, 1.0 / 3.0, 0.25].map(|turns| {
            libm::round(13_350.0 * libm::sin((n / 80.0 + turns) * core::f64::consts::TAU)) as i16
        })) {
            n += 1.0;
        }
        assert!(f64::from(packer.count()) * 4.0 * 1.08 > 216.0, "{}", packer.count());
    }
}
