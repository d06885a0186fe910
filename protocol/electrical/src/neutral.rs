//! The neutral current of a solidly grounded bank is explained by its voltages; what is left tells of the bank.
//!
//! Per unit here: voltages of the units' rated voltage, currents of the rated phase current I_r, frequency of the rated
//! one. Then the current of phase p is j·(f/f_r)·y_p·V_p, and the neutral current (star to ground) their sum. Voltages
//! and currents share one frame of angles, whichever the caller measures in; [`to_reference`] turns a current into the
//! frame that is shown and logged.
//!
//! A fixed limit on |I_n| would be wrong: the healthy bank at node 675 of the IEEE 13-node test feeder carries 11 % of
//! rated current in its neutral. The residual is the right quantity.

use crate::{Phasor, Rotation, SequenceComponents};

/// Determinant below which three voltages are too nearly in line to tell the phases apart, relative to the square of
/// half the trace (1 for a balanced set, 0.36 with one phase dead, 0 with two dead).
const LEAST_DETERMINANT: f32 = 1e-3;

/// Neutral current that the voltages explain: i = j·(f/f_r)·Σ y_p·V_p, per unit of I_r, in the voltages' frame.
///
/// At harmonic h give the harmonic phasors and h times the frequency ratio.
#[must_use]
pub fn explained(voltages: [Phasor; 3], y: [f32; 3], frequency_ratio: f32) -> Phasor {
    let sum: Phasor = voltages.into_iter().zip(y).map(|(v, y)| v.scale(y)).sum();
    sum.times_j().scale(frequency_ratio)
}

/// Measured minus explained neutral current. Both in one unit and frame.
#[must_use]
pub fn residual(measured: Phasor, explained: Phasor) -> Phasor {
    measured - explained
}

/// Residual expected when the fractions `lost` of the phases' rated capacitance are gone: −j·(f/f_r)·Σ x_p·V_p, per
/// unit of I_r, in the voltages' frame. A negative fraction is a gain (a shorted section).
#[must_use]
pub fn residual_of_loss(voltages: [Phasor; 3], lost: [f32; 3], frequency_ratio: f32) -> Phasor {
    -explained(voltages, lost, frequency_ratio)
}

/// A current's phasor in the one frame that is shown and logged: angle 0 is **the ideal capacitor current of phase A**,
/// the angle of the positive-sequence voltage plus 90°. There, on ABC rotation and a balanced feeder, A gone is 180°, B
/// gone +60°, C gone −60°, A and B +120°, B and C 0°, C and A −120°. `None` when there is no positive sequence.
///
/// For the fundamental only.
#[must_use]
pub fn to_reference(current: Phasor, voltages: [Phasor; 3], rotation: Rotation) -> Option<Phasor> {
    let positive = SequenceComponents::from_phases(voltages, rotation).positive;
    let turned = current * positive.times_j().direction()?.conj();
    turned.is_finite().then_some(turned)
}

/// Deviations of the three `y` from their common part, from one residual: the Δy with ΣΔy = 0 and
/// j·(f/f_r)·Σ Δy_p·V_p = residual. It is the least-squares solution of minimum norm over voltages freed of their mean
/// V0; three unknowns from one complex number leave one free, and that one (the common part) is set to zero.
///
/// Limits:
/// - a common change c of all three leaks in with weight 3·c·|V0| only, 0 on a balanced feeder;
/// - nothing at all is known of a phase whose voltage is zero: its Δy is then what the condition ΣΔy = 0 makes of the
///   two others;
/// - a residual of angle noise is shared among the phases: the errors of the three are not independent.
///
/// `None` when the voltages' tips lie in line (two phases dead, two sensors on one phase), all are zero, or a number is
/// not finite.
#[must_use]
pub fn differences(residual: Phasor, voltages: [Phasor; 3], frequency_ratio: f32) -> Option<[f32; 3]> {
    let mean = voltages.into_iter().sum::<Phasor>().scale(1.0 / 3.0);
    let unit = voltages.map(|v| (v - mean).times_j().scale(frequency_ratio));
    // The normal equations of two rows (real and imaginary part) in three unknowns.
    let (mut rr, mut ri, mut ii) = (0.0, 0.0, 0.0);
    for u in unit {
        rr += u.re * u.re;
        ri += u.re * u.im;
        ii += u.im * u.im;
    }
    let determinant = rr * ii - ri * ri;
    let half_trace = 0.5 * (rr + ii);
    let floor = LEAST_DETERMINANT * half_trace * half_trace;
    // Also refuses NaN and the zero voltages of a dead feeder; `floor` alone could underflow with them.
    if !(determinant > floor && floor >= f32::MIN_POSITIVE && determinant.is_finite() && residual.is_finite())
    {
        return None;
    }
    let re = (ii * residual.re - ri * residual.im) / determinant;
    let im = (rr * residual.im - ri * residual.re) / determinant;
    let y = unit.map(|u| re * u.re + im * u.im);
    y.iter().all(|d| d.is_finite()).then_some(y)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn turned(degrees: f32) -> [Phasor; 3] {
        Phasor::balanced(1.0).map(|v| v.rotate_degrees(degrees))
    }

    /// The angles of the design's list, whichever the frame that was measured in.
    #[test]
    fn each_loss_has_its_angle() {
        let table = [
            ([1.0, 0.0, 0.0], 180.0),
            ([0.0, 1.0, 0.0], 60.0),
            ([0.0, 0.0, 1.0], -60.0),
            ([1.0, 1.0, 0.0], 120.0),
            ([0.0, 1.0, 1.0], 0.0),
            ([1.0, 0.0, 1.0], -120.0),
        ];
        for frame in [0.0, 33.0, -170.0] {
            for (lost, angle) in table {
                let r = residual_of_loss(turned(frame), lost, 1.0);
                let shown = to_reference(r, turned(frame), Rotation::Abc).unwrap();
                let expected = Phasor::from_polar_degrees(1.0, angle);
                assert!((shown - expected).magnitude() < 1e-6, "{lost:?} in {frame}: {shown:?}");
            }
        }
    }

    /// An ACB feeder swaps B and C.
    #[test]
    fn reversed_rotation_swaps_b_and_c() {
        let [a, b, c] = turned(20.0);
        let voltages = [a, c, b];
        let shown =
            |lost| to_reference(residual_of_loss(voltages, lost, 1.0), voltages, Rotation::Acb).unwrap();
        assert!((shown([0.0, 1.0, 0.0]).angle_degrees() + 60.0).abs() < 1e-4);
        assert!((shown([0.0, 0.0, 1.0]).angle_degrees() - 60.0).abs() < 1e-4);
    }

    #[test]
    fn differences_of_a_known_loss() {
        let voltages = [
            Phasor::from_polar_degrees(0.9835, -5.56),
            Phasor::from_polar_degrees(1.0553, -122.52),
            Phasor::from_polar_degrees(0.9758, 116.03),
        ];
        let y = [0.5, 1.02, 1.04];
        let common = (y[0] + y[1] + y[2]) / 3.0;
        // Against the common part as the healthy y, the answer is exact.
        let r = explained(voltages, y, 1.01) - explained(voltages, [common; 3], 1.01);
        let found = differences(r, voltages, 1.01).unwrap();
        for (found, y) in found.iter().zip(y) {
            assert!((found - (y - common)).abs() < 1e-6, "{found} {y}");
        }
        // Against 1, the loss of common part leaks in by 3·c·|V0| and no more.
        let r = explained(voltages, y, 1.0) - explained(voltages, [1.0; 3], 1.0);
        let leak = 3.0 * (common - 1.0).abs() * 0.036_526;
        for (found, y) in differences(r, voltages, 1.0).unwrap().iter().zip(y) {
            assert!((found - (y - common)).abs() < leak, "{found} {y} {leak}");
        }
    }

    #[test]
    fn voltages_in_line_tell_nothing() {
        let [a, b, c] = turned(0.0);
        assert_eq!(differences(Phasor::ONE, [a, Phasor::ZERO, Phasor::ZERO], 1.0), None);
        assert_eq!(differences(Phasor::ONE, [a, a, c], 1.0), None);
        assert_eq!(differences(Phasor::ONE, [Phasor::ZERO; 3], 1.0), None);
        assert_eq!(differences(Phasor::new(f32::NAN, 0.0), [a, b, c], 1.0), None);
        assert_eq!(differences(Phasor::ONE, [a, b, Phasor::new(0.0, f32::INFINITY)], 1.0), None);
        assert!(differences(Phasor::ONE, [Phasor::ZERO, b, c], 1.0).is_some());
        assert_eq!(to_reference(Phasor::ONE, [Phasor::ZERO; 3], Rotation::Abc), None);
    }
}
