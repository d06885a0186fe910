//! UTC of a stamp: intervals and spectra end at whole minutes, and there are many of them.

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serializer};

const MINUTE_MS: u64 = 60_000;

/// The latest time that can be written: in 292 million years. What is later is written as no time.
const LATEST_MS: u64 = (u64::MAX >> 1) - 1;

/// Nothing is 0; *n* whole minutes are 2*n* + 1; any other *n* ms are 2*n* + 2.
#[inline(never)]
fn code(utc_ms: Option<u64>) -> u64 {
    match utc_ms {
        Some(ms) if ms > LATEST_MS => 0,
        Some(ms) if ms % MINUTE_MS == 0 => (ms / MINUTE_MS) << 1 | 1,
        Some(ms) => ms.wrapping_add(1) << 1,
        None => 0,
    }
}

pub fn serialize<W: Serializer>(utc_ms: &Option<u64>, serializer: W) -> Result<W::Ok, W::Error> {
    // The name adds no byte; a test compares it with `schema.txt`.
    serializer.serialize_newtype_struct("Time", &code(*utc_ms))
}

pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<u64>, D::Error> {
    let written = u64::deserialize(deserializer)?;
    let half = written >> 1;
    let utc_ms = match (written, written & 1) {
        (0, _) => None,
        (_, 1) => Some(half.saturating_mul(MINUTE_MS)),
        _ => Some(half.wrapping_sub(1)),
    };
    // One way to write a time, and none for what is too late.
    if code(utc_ms) == written { Ok(utc_ms) } else { Err(D::Error::custom("no time")) }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use crate::record::Stamp;
    use proptest::prelude::*;

    fn stamp(utc_ms: Option<u64>) -> Stamp {
        Stamp { boot: 1, frame: 2, utc_ms }
    }

    fn bytes(utc_ms: Option<u64>) -> std::vec::Vec<u8> {
        postcard::to_stdvec(&stamp(utc_ms)).unwrap()[2..].to_vec()
    }

    #[test]
    fn a_whole_minute_is_short() {
        assert_eq!(bytes(None), [0]);
        assert_eq!(bytes(Some(0)), [1]);
        assert_eq!(bytes(Some(1)), [4]);
        assert_eq!(bytes(Some(60_000)), [3]);
        assert_eq!(bytes(Some(1_767_225_600_000)).len(), 4);
        assert_eq!(bytes(Some(1_767_225_600_001)).len(), 6);
        assert_eq!(bytes(Some(u64::MAX)), [0]);
    }

    #[test]
    fn a_second_way_to_write_a_time_is_refused() {
        for code in [2, 60_000 << 1 | 2, u64::MAX] {
            assert!(
                postcard::from_bytes::<(u32, u64, u64)>(&postcard::to_stdvec(&(1, 2, code)).unwrap()).is_ok()
            );
            let bytes = postcard::to_stdvec(&(1_u32, 2_u64, code)).unwrap();
            assert!(postcard::from_bytes::<Stamp>(&bytes).is_err(), "{code}");
        }
    }

    proptest! {
        #[test]
        fn every_time_survives(ms in 0..super::LATEST_MS, minutes in 0_u64..1 << 40) {
            for utc_ms in [ms, minutes * 60_000] {
                let whole = stamp(Some(utc_ms));
                prop_assert_eq!(postcard::from_bytes::<Stamp>(&postcard::to_stdvec(&whole).unwrap()).unwrap(), whole);
            }
        }
    }
}
