//! Sine and cosine in single precision only.
//!
//! `libm::sinf`, `cosf` and `hypotf` work in `f64` inside; on a microcontroller with a single-precision unit that links
//! the double-precision soft-float routines, which the device image must not contain. The polynomials are the classic
//! minimax ones for |x| ≤ π/4 (coefficients from memory, Cephes `sinf`; the tests hold them against double precision).

/// π/2 in three parts, the first two short enough that their product with a small whole number is exact
/// (Cody and Waite's reduction).
const HALF_PI: [f32; 3] = [1.570_312_5, 4.837_513e-4, 7.549_79e-8];

/// Radians in one degree.
pub const RADIANS_PER_DEGREE: f32 = core::f32::consts::PI / 180.0;

/// Degrees in one radian.
pub const DEGREES_PER_RADIAN: f32 = 180.0 / core::f32::consts::PI;

/// Sine and cosine of an angle in radians. Absolute error below 1.2e-7 for |x| ≤ 1000 rad (beyond, the rounding of the
/// angle itself is the larger error). NaN and infinity give NaN.
#[must_use]
pub fn sin_cos(radians: f32) -> (f32, f32) {
    let quarters = libm::rintf(radians * core::f32::consts::FRAC_2_PI);
    let [high, middle, low] = HALF_PI;
    let rest = ((radians - quarters * high) - quarters * middle) - quarters * low;
    in_quadrant(quarters, rest)
}

/// Sine and cosine of an angle in degrees. Exact at whole multiples of 90°; absolute error below 1.2e-7 for |x| ≤
/// 36 000°. NaN and infinity give NaN.
#[must_use]
pub fn sin_cos_degrees(degrees: f32) -> (f32, f32) {
    let quarters = libm::rintf(degrees / 90.0);
    in_quadrant(quarters, (degrees - quarters * 90.0) * RADIANS_PER_DEGREE)
}

/// Sine and cosine of `quarters`·π/2 + `rest`, |rest| ≤ π/4 and `quarters` a whole number.
fn in_quadrant(quarters: f32, rest: f32) -> (f32, f32) {
    let z = rest * rest;
    let sin = ((-1.951_529_6e-4 * z + 8.332_161e-3) * z - 1.666_665_5e-1) * z * rest + rest;
    let cos = ((2.443_315_7e-5 * z - 1.388_731_6e-3) * z + 4.166_664_6e-2) * z * z - 0.5 * z + 1.0;
    // Kept in f32: a cast to an integer would need a range argument.
    let quadrant = quarters - 4.0 * libm::floorf(quarters / 4.0);
    if quadrant < 0.5 {
        (sin, cos)
    } else if quadrant < 1.5 {
        (cos, -sin)
    } else if quadrant < 2.5 {
        (-sin, -cos)
    } else {
        (-cos, sin)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Judge: `libm` in double precision.
    #[test]
    fn radians_within_the_stated_error() {
        for step in -200_000_i32..=200_000 {
            let x = step as f32 * 0.005;
            let (sin, cos) = sin_cos(x);
            let (s, c) = (libm::sin(f64::from(x)), libm::cos(f64::from(x)));
            assert!((f64::from(sin) - s).abs() < 1.2e-7, "sin {x}: {sin} {s}");
            assert!((f64::from(cos) - c).abs() < 1.2e-7, "cos {x}: {cos} {c}");
        }
    }

    /// Judge: `libm` in double precision.
    #[test]
    fn degrees_within_the_stated_error() {
        for step in -72_000_i32..=72_000 {
            let x = step as f32 * 0.5;
            let (sin, cos) = sin_cos_degrees(x);
            let r = f64::from(x).to_radians();
            assert!((f64::from(sin) - libm::sin(r)).abs() < 1.2e-7, "sin {x}");
            assert!((f64::from(cos) - libm::cos(r)).abs() < 1.2e-7, "cos {x}");
        }
    }

    #[test]
    fn quarter_turns_are_exact() {
        for (degrees, sin, cos) in [(0.0, 0.0, 1.0), (90.0, 1.0, 0.0), (180.0, 0.0, -1.0), (-90.0, -1.0, 0.0)]
        {
            assert_eq!(sin_cos_degrees(degrees), (sin, cos));
        }
    }

    #[test]
    fn what_is_no_angle_gives_no_number() {
        for x in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY] {
            assert!(sin_cos(x).0.is_nan() && sin_cos(x).1.is_nan());
            assert!(sin_cos_degrees(x).0.is_nan() && sin_cos_degrees(x).1.is_nan());
        }
    }
}
