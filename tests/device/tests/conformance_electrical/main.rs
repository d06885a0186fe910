//! The shared arithmetic against published and worked values.
//!
//! Source marks: *standard* names the clause a definition comes from (clause numbers partly from memory, as marked);
//! *derived* is an independent computation in double precision from the stated inputs. Inputs are exact as written, so
//! a tolerance has two parts only: half of the last printed digit, and `f32` rounding, [`ROUNDINGS`] half-ulps of the
//! size of the numbers that are added up on the way.

mod neutral_current;
mod node_675;
mod ratings;
mod unbalance;

use wyelog_electrical::Phasor;

/// Roundings of half an ulp that may add up in one result: inputs, three products, four sums, root, quotient, scale.
const ROUNDINGS: f64 = 12.0;
/// Half an ulp of a number near 1 in `f32`.
const HALF_ULP: f64 = 5.960_464_5e-8;

/// One value: `digits` is the number of printed decimals, `scale` the size of the numbers it was computed from.
fn check(what: &str, actual: f32, printed: f64, digits: i32, scale: f64) {
    let tolerance = half_digit(digits) + ROUNDINGS * HALF_ULP * scale;
    let error = (f64::from(actual) - printed).abs();
    assert!(error <= tolerance, "{what}: {actual}, expected {printed} within {tolerance:e}");
}

/// A value that is present.
fn check_some(what: &str, actual: Option<f32>, printed: f64, digits: i32, scale: f64) {
    let actual = actual.unwrap_or_else(|| panic!("{what}: absent, expected {printed}"));
    check(what, actual, printed, digits, scale);
}

/// A phasor printed as magnitude and angle in degrees with the given decimals. The distance in the plane is compared,
/// so that the angle of a small phasor is not asked for more than its size allows.
fn check_polar(what: &str, actual: Phasor, printed: (f64, f64), digits: (i32, i32), scale: f64) {
    let (magnitude, degrees) = printed;
    let expected = Phasor::from_polar_degrees(magnitude as f32, degrees as f32);
    let tolerance =
        half_digit(digits.0) + magnitude * half_digit(digits.1).to_radians() + ROUNDINGS * HALF_ULP * scale;
    let error = f64::from((actual - expected).magnitude());
    assert!(
        error <= tolerance,
        "{what}: {}∠{}, expected {magnitude}∠{degrees} within {tolerance:e}",
        actual.magnitude(),
        actual.angle_degrees()
    );
}

fn half_digit(digits: i32) -> f64 {
    (0..digits).fold(0.5, |half, _| half / 10.0)
}

fn polar(phases: [(f32, f32); 3]) -> [Phasor; 3] {
    phases.map(|(magnitude, degrees)| Phasor::from_polar_degrees(magnitude, degrees))
}
