//! Every definition of voltage unbalance in use, under its own name.
//!
//! They disagree by design: with equal magnitudes the phase-rms forms ([`pvur_percent`], [`ieee_936_percent`]) see
//! nothing of an angle unbalance; with a pure zero sequence the line-to-line forms and u2 see nothing of it, while the
//! neutral current of a grounded-wye bank sees all of it. Percentages of different definitions must not be compared.
//!
//! All take rms values in any one unit, all give percent, and all give `None` when a value is negative or not finite or
//! the mean is zero.

use crate::{Phasor, finite, larger, smaller};

/// Line-to-line phasors AB, BC, CA of three phase phasors.
#[must_use]
pub fn line_to_line([a, b, c]: [Phasor; 3]) -> [Phasor; 3] {
    [a - b, b - c, c - a]
}

/// NEMA unbalance (line voltage unbalance rate): largest deviation from the mean over the mean, **line-to-line** rms.
/// NEMA MG 1 and ANSI C84.1 Annex C.
#[must_use]
pub fn nema_percent(line_to_line_rms: [f32; 3]) -> Option<f32> {
    largest_deviation_percent(line_to_line_rms)
}

/// [`nema_percent`] of the line-to-line voltages of three phase phasors.
#[must_use]
pub fn nema_percent_of_phases(phases: [Phasor; 3]) -> Option<f32> {
    nema_percent(line_to_line(phases).map(Phasor::magnitude))
}

/// Phase voltage unbalance rate: largest deviation from the mean over the mean, **phase** rms. IEEE Std 112 and 141
/// (from memory).
#[must_use]
pub fn pvur_percent(phase_rms: [f32; 3]) -> Option<f32> {
    largest_deviation_percent(phase_rms)
}

/// IEEE Std 936-1987 (from memory): largest minus smallest **phase** rms over their mean.
#[must_use]
pub fn ieee_936_percent(phase_rms: [f32; 3]) -> Option<f32> {
    let mean = mean(phase_rms)?;
    let [a, b, c] = phase_rms;
    finite(100.0 * (larger(larger(a, b), c) - smaller(smaller(a, b), c)) / mean)
}

/// The 82-approximation of u2 from **line-to-line** rms: 82·√(ΣΔ²)/mean, Δ the deviations from the mean (common in the
/// trade, from memory).
#[must_use]
pub fn approximation_82_percent(line_to_line_rms: [f32; 3]) -> Option<f32> {
    let mean = mean(line_to_line_rms)?;
    let squares = line_to_line_rms.iter().fold(0.0, |sum, v| sum + ((v - mean) / mean) * ((v - mean) / mean));
    finite(82.0 * libm::sqrtf(squares))
}

/// u2 from three **line-to-line** rms values AB, BC, CA (IEC 61000-4-30 5.7.1 and IEC 61000-4-27, from memory):
/// β = ΣV⁴/(ΣV²)², u2 = 100·√((1−√(3−6β))/(1+√(3−6β))).
///
/// Computed in an equal form without its cancellation: with δ = V²/mean(V²) − 1 of each voltage, 3−6β = 1 − ⅔Σδ² and
/// u2 = 100·√(⅔Σδ²)/(1+√(1−⅔Σδ²)). Written as printed, β of a balanced set gives √ of a number above 1 and NaN in `f32`
/// and `f64` alike, and in `f32` an unbalance of 0.01 % reads 0.
///
/// Traps that remain:
/// - it is blind to rotation: a bank wired A, C, B reads 0;
/// - it needs a closed triangle: fundamental line-to-line values of one instant. Phase-to-neutral values give a wrong
///   number with no warning; a set that cannot close (one side longer than the two others) is `None`.
#[must_use]
pub fn u2_percent_of_line_to_line(line_to_line_rms: [f32; 3]) -> Option<f32> {
    let mean = mean(line_to_line_rms)?;
    // e = (V/mean)² − 1 from the relative deviation, so that small deviations keep their digits.
    let [a, b, c] = line_to_line_rms.map(|v| {
        let deviation = (v - mean) / mean;
        deviation * (2.0 + deviation)
    });
    let centre = (a + b + c) / 3.0;
    let spread = [a, b, c].iter().fold(0.0, |sum, e| {
        let delta = (e - centre) / (1.0 + centre);
        sum + delta * delta
    });
    let lost = spread * (2.0 / 3.0);
    let rest = 1.0 - lost;
    // A flat triangle (one phase dead in two sensors) is exactly 0 and may round below it.
    if rest < -1e-6 {
        return None;
    }
    finite(100.0 * libm::sqrtf(lost) / (1.0 + libm::sqrtf(larger(0.0, rest))))
}

fn largest_deviation_percent(rms: [f32; 3]) -> Option<f32> {
    let mean = mean(rms)?;
    let deviation = rms.iter().fold(0.0, |most, v| larger(most, (v - mean).abs()));
    finite(100.0 * deviation / mean)
}

/// Mean of three rms values; `None` unless all are finite and not negative and it is above zero.
fn mean(rms: [f32; 3]) -> Option<f32> {
    if rms.iter().any(|v| !v.is_finite() || *v < 0.0) {
        return None;
    }
    let [a, b, c] = rms;
    let mean = (a + b + c) / 3.0;
    (mean > 0.0 && mean.is_finite()).then_some(mean)
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: [fn([f32; 3]) -> Option<f32>; 5] =
        [nema_percent, pvur_percent, ieee_936_percent, approximation_82_percent, u2_percent_of_line_to_line];

    #[test]
    fn degenerate_input_is_none_under_every_definition() {
        for definition in ALL {
            for bad in
                [[0.0; 3], [f32::NAN, 1.0, 1.0], [1.0, f32::INFINITY, 1.0], [-1.0, 2.0, 2.0], [f32::MAX; 3]]
            {
                assert_eq!(definition(bad), None, "{bad:?}");
            }
        }
    }

    #[test]
    fn balanced_is_zero_under_every_definition() {
        for definition in ALL {
            // 12470.766 three times is the case where the printed β formula gives NaN in f32.
            for v in [1.0, 120.0, 12_470.766, 12_470.77, 0.1] {
                let unbalance = definition([v; 3]);
                assert!(unbalance.is_some_and(|u| u < 2e-5), "{v}: {unbalance:?}");
            }
        }
    }

    #[test]
    fn a_triangle_that_cannot_close_has_no_u2() {
        assert_eq!(u2_percent_of_line_to_line([3.0, 1.0, 1.0]), None);
        let flat = u2_percent_of_line_to_line([2.0, 1.0, 1.0]);
        assert!(flat.is_some_and(|u| (u - 100.0).abs() < 0.1), "{flat:?}");
    }
}
