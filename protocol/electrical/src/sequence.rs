//! Symmetrical components and the unbalance made of them (IEC 61000-4-30 5.7).

use crate::{Phasor, finite};

/// Below this share of the largest component, a positive sequence is taken for absent and no percentage of it is given:
/// the reading would be above 100 000 %. It says nothing about a dead bank, whose noise has some ratio too: the caller
/// compares |V1| with the rated voltage.
pub const LEAST_POSITIVE_SHARE: f32 = 1e-3;

/// Order in which the phases reach their peaks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Rotation {
    /// A, then B, then C: B lags A by 120°.
    #[default]
    Abc,
    /// A, then C, then B.
    Acb,
}

impl Rotation {
    /// The other order.
    #[must_use]
    pub fn reversed(self) -> Self {
        match self {
            Self::Abc => Self::Acb,
            Self::Acb => Self::Abc,
        }
    }

    /// The order of three voltages: the one whose positive sequence is at least twice its negative sequence. `None`
    /// when neither is (two sensors on one phase, two phases lost) or on a number that is not finite.
    #[must_use]
    pub fn detect(phases: [Phasor; 3]) -> Option<Self> {
        let components = SequenceComponents::from_phases(phases, Self::Abc);
        let (abc, acb) = (components.positive.magnitude_squared(), components.negative.magnitude_squared());
        // Squares of magnitudes, so twice is four times; a NaN fails both comparisons.
        if abc > 0.0 && abc >= 4.0 * acb && abc.is_finite() {
            Some(Self::Abc)
        } else if acb > 0.0 && acb >= 4.0 * abc && acb.is_finite() {
            Some(Self::Acb)
        } else {
            None
        }
    }
}

/// Zero, positive and negative sequence of three phasors, in their unit, referred to phase A.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SequenceComponents {
    /// V0 = (Va + Vb + Vc)/3.
    pub zero: Phasor,
    /// V1 = (Va + a·Vb + a²·Vc)/3 on ABC rotation.
    pub positive: Phasor,
    /// V2 = (Va + a²·Vb + a·Vc)/3 on ABC rotation.
    pub negative: Phasor,
}

impl SequenceComponents {
    /// Of three phases. On [`Rotation::Acb`] positive and negative change places.
    #[must_use]
    pub fn from_phases([a, b, c]: [Phasor; 3], rotation: Rotation) -> Self {
        let third = 1.0 / 3.0;
        let forward = (a + Phasor::A * b + Phasor::A2 * c).scale(third);
        let backward = (a + Phasor::A2 * b + Phasor::A * c).scale(third);
        let (positive, negative) = match rotation {
            Rotation::Abc => (forward, backward),
            Rotation::Acb => (backward, forward),
        };
        Self { zero: (a + b + c).scale(third), positive, negative }
    }

    /// The three phases A, B, C that have these components.
    #[must_use]
    pub fn to_phases(self, rotation: Rotation) -> [Phasor; 3] {
        let (forward, backward) = match rotation {
            Rotation::Abc => (self.positive, self.negative),
            Rotation::Acb => (self.negative, self.positive),
        };
        [
            self.zero + forward + backward,
            self.zero + Phasor::A2 * forward + Phasor::A * backward,
            self.zero + Phasor::A * forward + Phasor::A2 * backward,
        ]
    }

    /// u2 = 100·|V2|/|V1| in percent (IEC 61000-4-30 5.7, from memory; IEEE Std 1159 names the same ratio). `None` when
    /// there is no positive sequence to speak of ([`LEAST_POSITIVE_SHARE`]) or on a number that is not finite.
    #[must_use]
    pub fn u2_percent(self) -> Option<f32> {
        self.percent_of_positive(self.negative)
    }

    /// u0 = 100·|V0|/|V1| in percent; `None` as for [`Self::u2_percent`].
    #[must_use]
    pub fn u0_percent(self) -> Option<f32> {
        self.percent_of_positive(self.zero)
    }

    fn percent_of_positive(self, component: Phasor) -> Option<f32> {
        let positive = self.positive.magnitude();
        let floor = crate::larger(self.negative.magnitude(), self.zero.magnitude()) * LEAST_POSITIVE_SHARE;
        if positive > floor { finite(100.0 * component.magnitude() / positive) } else { None }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_balanced_set_is_all_positive() {
        let c = SequenceComponents::from_phases(Phasor::balanced(7200.0), Rotation::Abc);
        assert!((c.positive.magnitude() - 7200.0).abs() < 2e-3);
        assert!(c.negative.magnitude() < 2e-3 && c.zero.magnitude() < 2e-3);
        assert!(c.u2_percent().is_some_and(|u| u < 1e-4));
    }

    #[test]
    fn a_reversed_set_has_no_percentages() {
        let c = SequenceComponents::from_phases(Phasor::balanced(1.0), Rotation::Acb);
        assert_eq!((c.u2_percent(), c.u0_percent()), (None, None));
        assert_eq!(Rotation::detect(Phasor::balanced(1.0)), Some(Rotation::Abc));
        let [a, b, c] = Phasor::balanced(1.0);
        assert_eq!(Rotation::detect([a, c, b]), Some(Rotation::Acb));
        assert_eq!(Rotation::detect([a, a, b]), None, "two sensors on one phase");
        assert_eq!(Rotation::Acb.reversed(), Rotation::Abc);
    }

    #[test]
    fn nothing_and_no_number_are_none() {
        let dead = SequenceComponents::from_phases([Phasor::ZERO; 3], Rotation::Abc);
        assert_eq!((dead.u2_percent(), dead.u0_percent()), (None, None));
        let [a, b, _] = Phasor::balanced(1.0);
        let lost = SequenceComponents::from_phases([a, b, Phasor::new(f32::NAN, 0.0)], Rotation::Abc);
        assert_eq!((lost.u2_percent(), lost.u0_percent()), (None, None));
        assert_eq!(Rotation::detect([Phasor::ZERO; 3]), None);
        assert_eq!(Rotation::detect([a, b, Phasor::new(f32::NAN, 0.0)]), None);
    }
}
