//! Which whole phases a residual neutral current says are lost.
//!
//! The six hypotheses are drawn from the voltages of the moment, never from fixed angles: the arrows have the size
//! |V_p|, and an unbalanced or reversed feeder moves them. Not valid before the neutral sensor's polarity is proven: a
//! reversed one turns "A" into "B and C". All three lost leaves only the zero sequence and cannot be told from the
//! neutral current alone.

use crate::{Phasor, neutral};

/// A set of one or two whole phases that carry no current.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LostPhases {
    /// A.
    A,
    /// B.
    B,
    /// C.
    C,
    /// A and B.
    AB,
    /// B and C.
    BC,
    /// C and A.
    CA,
}

impl LostPhases {
    /// All six.
    pub const ALL: [Self; 6] = [Self::A, Self::B, Self::C, Self::AB, Self::BC, Self::CA];

    /// Whether A, B, C are in the set.
    #[must_use]
    pub const fn phases(self) -> [bool; 3] {
        match self {
            Self::A => [true, false, false],
            Self::B => [false, true, false],
            Self::C => [false, false, true],
            Self::AB => [true, true, false],
            Self::BC => [false, true, true],
            Self::CA => [true, false, true],
        }
    }

    /// As bits: 1 is A, 2 is B, 4 is C.
    #[must_use]
    pub const fn mask(self) -> u8 {
        match self {
            Self::A => 0b001,
            Self::B => 0b010,
            Self::C => 0b100,
            Self::AB => 0b011,
            Self::BC => 0b110,
            Self::CA => 0b101,
        }
    }

    /// The residual that this loss leaves: −j·(f/f_r)·Σ y_p·V_p over the lost phases, per unit of I_r, where `healthy` is
    /// y of the bank before the loss.
    #[must_use]
    pub fn residual(self, voltages: [Phasor; 3], healthy: [f32; 3], frequency_ratio: f32) -> Phasor {
        let [in_a, in_b, in_c] = self.phases();
        let [a, b, c] = healthy;
        let lost = [if in_a { a } else { 0.0 }, if in_b { b } else { 0.0 }, if in_c { c } else { 0.0 }];
        neutral::residual_of_loss(voltages, lost, frequency_ratio)
    }
}

/// The hypothesis nearest to a residual, and how clearly. Distances are per unit of I_r.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SignatureMatch {
    /// The nearest hypothesis.
    pub lost: LostPhases,
    /// Distance of the residual from it.
    pub distance: f32,
    /// The second nearest.
    pub runner_up: LostPhases,
    /// Distance of the residual from that: about 1 on a balanced feeder when the best fits.
    pub runner_up_distance: f32,
    /// Distance from "nothing lost", which is the size of the residual: the match says nothing while this is smaller
    /// than `distance`.
    pub healthy_distance: f32,
}

/// The nearest of the six hypotheses to a residual per unit of I_r, in the voltages' frame. `None` when a number is not
/// finite or all voltages are zero.
#[must_use]
pub fn best_match(
    residual: Phasor,
    voltages: [Phasor; 3],
    healthy: [f32; 3],
    frequency_ratio: f32,
) -> Option<SignatureMatch> {
    let (mut best, mut second) = (None, None);
    for lost in LostPhases::ALL {
        let expected = lost.residual(voltages, healthy, frequency_ratio);
        let distance = (residual - expected).magnitude();
        if !distance.is_finite() {
            return None;
        }
        match best {
            Some((_, least)) if distance >= least => {
                if second.is_none_or(|(_, next)| distance < next) {
                    second = Some((lost, distance));
                }
            }
            _ => {
                second = best;
                best = Some((lost, distance));
            }
        }
    }
    if voltages.iter().all(|v| v.magnitude_squared() < f32::MIN_POSITIVE) {
        return None;
    }
    let ((lost, distance), (runner_up, runner_up_distance)) = (best?, second?);
    Some(SignatureMatch {
        lost,
        distance,
        runner_up,
        runner_up_distance,
        healthy_distance: residual.magnitude(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn masks_and_arrays_agree() {
        for lost in LostPhases::ALL {
            let [a, b, c] = lost.phases().map(u8::from);
            assert_eq!(lost.mask(), a | b << 1 | c << 2);
        }
    }

    #[test]
    fn exact_residuals_name_themselves() {
        let voltages = Phasor::balanced(1.0);
        for lost in LostPhases::ALL {
            let r = lost.residual(voltages, [1.0, 1.05, 0.95], 1.0);
            let found = best_match(r, voltages, [1.0, 1.05, 0.95], 1.0).unwrap();
            assert_eq!(found.lost, lost);
            assert!(found.distance < 1e-6 && found.runner_up_distance > 0.9, "{found:?}");
            assert!((found.healthy_distance - 1.0).abs() < 0.06);
            assert_ne!(found.runner_up, lost);
        }
    }

    /// A reversed neutral sensor turns "A" into "B and C", which is why polarity is proven first.
    #[test]
    fn reversed_polarity_names_the_complement() {
        let voltages = Phasor::balanced(1.0);
        let r = -LostPhases::A.residual(voltages, [1.0; 3], 1.0);
        assert_eq!(best_match(r, voltages, [1.0; 3], 1.0).unwrap().lost, LostPhases::BC);
    }

    #[test]
    fn a_small_residual_is_nearer_to_healthy() {
        let found = best_match(Phasor::new(0.1, 0.05), Phasor::balanced(1.0), [1.0; 3], 1.0).unwrap();
        assert!(found.healthy_distance < found.distance);
    }

    #[test]
    fn no_number_and_no_voltage_are_none() {
        assert_eq!(best_match(Phasor::new(f32::NAN, 0.0), Phasor::balanced(1.0), [1.0; 3], 1.0), None);
        assert_eq!(best_match(Phasor::ONE, [Phasor::ZERO; 3], [1.0; 3], 1.0), None);
        assert_eq!(best_match(Phasor::ONE, Phasor::balanced(1.0), [1.0, f32::NAN, 1.0], 1.0), None);
    }
}
