//! Group fuse links of a bank: the range a link should lie in, and the smallest one that fits.

use crate::{finite, larger};

/// Smallest continuous current of a grounded-wye bank's link over its rated current: voltage 1.10, tolerance and
/// harmonics together (common practice; IEEE C37.48 is the application guide).
pub const GROUNDED_FACTOR: f32 = 1.35;
/// The same of an ungrounded bank (common practice).
pub const UNGROUNDED_FACTOR: f32 = 1.25;
/// Largest link current over rated current that still protects the tanks (from memory).
pub const UPPER_FACTOR: f32 = 1.65;
/// Tin K and T links carry this multiple of their number continuously (common practice).
pub const TIN_LINK_CARRIES: f32 = 1.5;

/// Numbers of K and T links in A, preferred and intermediate (NEMA/ANSI, from memory).
pub const LINK_RATINGS: [u8; 18] = [1, 2, 3, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 65, 80, 100, 140, 200];

/// Smallest and largest continuous current in A of a grounded-wye bank's link, from its rated current in A.
/// `None` when that is not above zero.
#[must_use]
pub fn link_range(rated_current: f32) -> Option<(f32, f32)> {
    let rated = finite(rated_current).filter(|amperes| *amperes > 0.0)?;
    Some((finite(GROUNDED_FACTOR * rated)?, finite(UPPER_FACTOR * rated)?))
}

/// Number of the smallest link that carries `amperes` continuously when a link carries `multiple` times its number (1,
/// or [`TIN_LINK_CARRIES`]). `None` when none of [`LINK_RATINGS`] does.
///
/// A derived rule, not a published table: a utility's own table may differ by one size and is then right.
#[must_use]
pub fn smallest_link(amperes: f32, multiple: f32) -> Option<u8> {
    let needed = larger(0.0, finite(amperes)?);
    LINK_RATINGS.into_iter().find(|number| f32::from(*number) * multiple >= needed)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_and_sizes() {
        let (low, high) = link_range(100.0).unwrap();
        assert!((low - 135.0).abs() < 1e-4 && (high - 165.0).abs() < 1e-4);
        assert_eq!(link_range(0.0), None);
        assert_eq!(link_range(f32::NAN), None);
        assert_eq!(smallest_link(37.5, TIN_LINK_CARRIES), Some(25), "exactly enough is enough");
        assert_eq!(smallest_link(37.503, TIN_LINK_CARRIES), Some(30));
        assert_eq!(smallest_link(201.0, 1.0), None);
        assert_eq!(smallest_link(f32::INFINITY, 1.0), None);
    }
}
