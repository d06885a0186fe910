//! Unbalance from units lost inside a phase (the method of IEEE C37.99).
//!
//! A phase is S series groups of N equal units in parallel; F units are gone from one group. The supply is balanced at 1
//! per unit and, unless said, the star point is solidly grounded.

/// A phase with units gone from one group.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct GroupLoss {
    series: u16,
    parallel: u16,
    lost: u16,
}

impl GroupLoss {
    /// `series` groups of `parallel` units, `lost` of them gone from one group. `None` without groups or units, or with
    /// more lost than there are.
    #[must_use]
    pub fn new(series: u16, parallel: u16, lost: u16) -> Option<Self> {
        (series > 0 && parallel > 0 && lost <= parallel).then_some(Self { series, parallel, lost })
    }

    /// (S, N, F, N−F) as real numbers.
    fn counts(self) -> (f32, f32, f32, f32) {
        let (s, n, f) = (f32::from(self.series), f32::from(self.parallel), f32::from(self.lost));
        (s, n, f, n - f)
    }

    /// Current of the phase over that of a healthy one, grounded wye: r = S(N−F)/(S(N−F)+F). It is also the phase's y.
    #[must_use]
    pub fn phase_ratio(self) -> f32 {
        let (s, _, f, rest) = self.counts();
        s * rest / (s * rest + f)
    }

    /// Neutral current over a healthy phase current, grounded wye: 1−r = F/(S(N−F)+F).
    #[must_use]
    pub fn neutral_current(self) -> f32 {
        let (s, _, f, rest) = self.counts();
        f / (s * rest + f)
    }

    /// Voltage on the rest of the group over its healthy one, grounded wye: SN/(S(N−F)+F). `None` when nothing of the
    /// group is left.
    #[must_use]
    pub fn group_voltage(self) -> Option<f32> {
        let (s, n, f, rest) = self.counts();
        (rest > 0.0).then(|| s * n / (s * rest + f))
    }

    /// Voltage of the star point to ground over the phase voltage, **ungrounded** wye: F/(3S(N−F)+2F).
    #[must_use]
    pub fn ungrounded_neutral_voltage(self) -> f32 {
        let (s, _, f, rest) = self.counts();
        f / (3.0 * s * rest + 2.0 * f)
    }

    /// Voltage on the rest of the group over its healthy one, **ungrounded** wye: 3SN/(3S(N−F)+2F). `None` when nothing
    /// of the group is left.
    #[must_use]
    pub fn ungrounded_group_voltage(self) -> Option<f32> {
        let (s, n, f, rest) = self.counts();
        (rest > 0.0).then(|| 3.0 * s * n / (3.0 * s * rest + 2.0 * f))
    }
}

/// One of the series groups of a phase shorted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ShortedGroup {
    series: u16,
}

impl ShortedGroup {
    /// One of `series` groups shorted; `None` below two (that phase is a short circuit).
    #[must_use]
    pub fn new(series: u16) -> Option<Self> {
        (series > 1).then_some(Self { series })
    }

    /// Current of the phase over that of a healthy one and voltage on each remaining group over its healthy one,
    /// grounded wye: S/(S−1). It is also the phase's y.
    #[must_use]
    pub fn phase_ratio(self) -> f32 {
        let s = f32::from(self.series);
        s / (s - 1.0)
    }

    /// Neutral current over a healthy phase current, grounded wye: 1/(S−1), opposite in sign to a loss.
    #[must_use]
    pub fn neutral_current(self) -> f32 {
        1.0 / (f32::from(self.series) - 1.0)
    }

    /// Voltage of the star point to ground over the phase voltage, **ungrounded** wye: 1/(3S−2).
    #[must_use]
    pub fn ungrounded_neutral_voltage(self) -> f32 {
        1.0 / (3.0 * f32::from(self.series) - 2.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn impossible_counts_are_none() {
        assert_eq!(GroupLoss::new(0, 2, 1), None);
        assert_eq!(GroupLoss::new(1, 0, 0), None);
        assert_eq!(GroupLoss::new(1, 2, 3), None);
        assert_eq!(ShortedGroup::new(1), None);
    }

    #[test]
    fn nothing_lost_is_healthy() {
        let healthy = GroupLoss::new(3, 10, 0).unwrap();
        assert_eq!(healthy.phase_ratio(), 1.0);
        assert_eq!(healthy.neutral_current(), 0.0);
        assert_eq!(healthy.group_voltage(), Some(1.0));
        assert_eq!(healthy.ungrounded_neutral_voltage(), 0.0);
        assert_eq!(healthy.ungrounded_group_voltage(), Some(1.0));
    }

    #[test]
    fn one_group_of_one_unit_lost_is_the_phase_lost() {
        let open = GroupLoss::new(2, 1, 1).unwrap();
        assert_eq!((open.phase_ratio(), open.neutral_current()), (0.0, 1.0));
        assert_eq!((open.group_voltage(), open.ungrounded_group_voltage()), (None, None));
    }
}
