//! `interruption`, `sag`, `swell`: what half-cycle rms voltages say (IEC 61000-4-30 5.4 and 5.5).
//!
//! On three phases a sag begins when one voltage falls below the threshold and ends when none is below threshold plus
//! hysteresis; a swell likewise, above. An interruption begins when the last voltage has fallen below its threshold and ends when
//! the first is above threshold plus hysteresis.

use wyelog_protocol::bank::Limits;
use wyelog_protocol::condition::{Condition, Phases};

use super::lifecycle::{Lifecycle, Observation};

/// What makes the event.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Rule {
    AnyBelow,
    AnyAbove,
    AllBelow,
}

/// One of the three conditions.
#[derive(Debug)]
pub struct RmsEvent {
    /// Which condition.
    pub condition: Condition,
    /// Of all phases together.
    pub lifecycle: Lifecycle,
    rule: Rule,
    /// Per unit of the rated voltage: beyond it the event begins.
    threshold: f32,
    /// Not beyond it the event ends.
    back: f32,
    /// Voltages that were beyond the threshold.
    phases: Phases,
    /// Lowest or highest voltages since it began, per unit of the rated voltage: the residual voltages.
    extreme: [f32; 3],
}

impl RmsEvent {
    fn new(condition: Condition, rule: Rule, threshold: f32, back: f32) -> Self {
        Self {
            condition,
            lifecycle: Lifecycle::default(),
            rule,
            threshold,
            back,
            phases: Phases::NONE,
            extreme: [f32::NAN; 3],
        }
    }

    /// The three conditions, with the limits of the settings. A limit that is absent never alarms.
    pub fn all(limits: &Limits) -> [Self; 3] {
        let per_unit = |percent: wyelog_protocol::quantity::Percent| percent.value_or_nan() / 100.0;
        let hysteresis = per_unit(limits.hysteresis);
        let (interruption, sag, swell) =
            (per_unit(limits.interruption), per_unit(limits.sag), per_unit(limits.swell));
        [
            Self::new(Condition::Interruption, Rule::AllBelow, interruption, interruption + hysteresis),
            Self::new(Condition::Sag, Rule::AnyBelow, sag, sag + hysteresis),
            Self::new(Condition::Swell, Rule::AnyAbove, swell, swell - hysteresis),
        ]
    }

    /// What the half-cycle rms of A, B, C (per unit of the rated voltage) say. A voltage that is no evidence is NaN: where it
    /// could turn the scale, nothing is known. Those of the phases `blind` do not count: no sensor is there, or it does not show
    /// the feeder.
    pub fn observe(&mut self, rms: [f32; 3], blind: Phases) -> Observation {
        let is_active = self.lifecycle.is_active();
        // Once begun it goes on until the voltage is back behind the hysteresis.
        let limit = if is_active { self.back } else { self.threshold };
        let (mut known, mut beyond, mut beyond_threshold) = (0_u8, 0_u8, 0_u8);
        for (rms, bit) in rms.iter().zip([1, 2, 4]) {
            let is_beyond =
                |limit: f32| if self.rule == Rule::AnyAbove { *rms > limit } else { *rms < limit };
            if blind.bits() & bit != 0 {
                continue;
            }
            known |= if rms.is_nan() { 0 } else { bit };
            beyond |= if is_beyond(limit) { bit } else { 0 };
            beyond_threshold |= if is_beyond(self.threshold) { bit } else { 0 };
        }
        let all_known = known | blind.bits() & Phases::ABC.bits() == Phases::ABC.bits();
        let present = match self.rule {
            Rule::AllBelow if beyond == known && !all_known => return Observation::Unknown,
            Rule::AllBelow => beyond == known && beyond != 0,
            Rule::AnyBelow | Rule::AnyAbove if beyond == 0 && !all_known => return Observation::Unknown,
            Rule::AnyBelow | Rule::AnyAbove => beyond != 0,
        };
        if present && !is_active {
            self.extreme = rms;
            self.phases = Phases::NONE;
        }
        if present {
            self.phases = Phases::from_bits(self.phases.bits() | beyond_threshold);
            for (extreme, rms) in self.extreme.iter_mut().zip(rms) {
                let is_further = if self.rule == Rule::AnyAbove { rms > *extreme } else { rms < *extreme };
                if is_further || extreme.is_nan() {
                    *extreme = rms;
                }
            }
            Observation::Present
        } else {
            Observation::Absent
        }
    }

    /// Voltages that have been beyond the threshold since it began.
    pub const fn phases(&self) -> Phases {
        self.phases
    }

    /// The residual voltages of A, B, C, per unit of the rated voltage.
    pub const fn extreme(&self) -> [f32; 3] {
        self.extreme
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_rule_has_its_phases() {
        let [mut interruption, mut sag, mut swell] = RmsEvent::all(&Limits::DEFAULT);
        assert_eq!(interruption.observe([0.05, 0.09, 0.11], Phases::NONE), Observation::Absent);
        assert_eq!(interruption.observe([0.05, 0.09, 0.0999], Phases::NONE), Observation::Present);
        assert_eq!(sag.observe([0.95, 0.901, 1.0], Phases::NONE), Observation::Absent);
        assert_eq!(sag.observe([0.95, 0.899, 1.0], Phases::NONE), Observation::Present);
        assert_eq!(sag.phases(), Phases::single(1));
        assert_eq!(swell.observe([1.0999, 0.2, 1.0], Phases::NONE), Observation::Absent);
        assert_eq!(swell.observe([1.101, 0.2, 1.0], Phases::NONE), Observation::Present);
        assert_eq!(swell.extreme(), [1.101, 0.2, 1.0]);
    }

    #[test]
    fn what_is_no_evidence_neither_begins_nor_ends_anything() {
        let [mut interruption, mut sag, mut swell] = RmsEvent::all(&Limits::DEFAULT);
        // The voltage that is clipped may be the one that is too low or too high.
        for event in [&mut sag, &mut swell] {
            assert_eq!(event.observe([f32::NAN, 0.95, f32::NAN], Phases::NONE), Observation::Unknown);
            assert_eq!(event.observe([f32::NAN; 3], Phases::NONE), Observation::Unknown);
        }
        assert_eq!(sag.observe([f32::NAN, 0.5, 1.0], Phases::NONE), Observation::Present);
        // And one that is clipped is not dead.
        assert_eq!(interruption.observe([f32::NAN, 0.0, 0.0], Phases::NONE), Observation::Unknown);
        assert_eq!(interruption.observe([f32::NAN, 0.0, 1.0], Phases::NONE), Observation::Absent);
    }

    #[test]
    fn a_voltage_that_does_not_show_the_feeder_does_not_count() {
        let [mut interruption, mut sag, _] = RmsEvent::all(&Limits::DEFAULT);
        let b = Phases::single(1);
        assert_eq!(sag.observe([1.0, 0.0, 1.0], b), Observation::Absent);
        assert_eq!(sag.observe([1.0, f32::NAN, 0.5], b), Observation::Present);
        assert_eq!(sag.phases(), Phases::single(2));
        assert!(sag.extreme()[1].is_nan());
        assert_eq!(interruption.observe([0.05, 1.0, 0.05], b), Observation::Present);
        // Without any that shows the feeder nothing begins, and what had begun ends.
        assert_eq!(interruption.observe([0.0; 3], Phases::ABC), Observation::Absent);
    }

    #[test]
    fn a_limit_that_is_absent_never_alarms() {
        let absent = wyelog_protocol::quantity::Percent::ABSENT;
        let limits = Limits { interruption: absent, sag: absent, swell: absent, ..Limits::DEFAULT };
        for mut event in RmsEvent::all(&limits) {
            assert_eq!(event.observe([0.0, 0.0, 9.0], Phases::NONE), Observation::Absent);
        }
    }
}
