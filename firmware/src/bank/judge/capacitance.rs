//! How much capacitance each phase of a closed bank has, and whether the neutral current is all there.

use wyelog_electrical::Phasor;

use super::voltages::VoltageVerdict;
use super::{Circumstances, Judge, Neutral, PERSISTENT, Phase, UNMEASURED};
use crate::bank::carry::{has, masked, only};
use crate::bank::change::{self, Change};
use crate::bank::look::{Look, Past};

/// From the start, without a past, units' tolerances of 0…+10 % (IEEE Std 18) are no fault.
const BEYOND_TOLERANCE: f32 = 0.125;
/// Since the bank was last seen closed, or since its baseline, stray current may have moved by what it may be, 1.5 %, and back.
const SINCE: f32 = 0.04;
/// A phase that has lost this part has lost all.
const WHOLE: f32 = 0.8;
/// Voltages outside this are no place to compare small things at, per unit.
const ORDINARY: core::ops::RangeInclusive<f32> = 0.8..=1.25;
/// A step that nothing explains and that has stayed for so many windows is the new level.
const ACCEPTED: u8 = 25;

impl Judge {
    /// Weighs what the phases carry; `is_new` when who carries has just changed.
    pub(super) fn weigh(&mut self, look: &Look, circumstances: &Circumstances, is_new: bool) {
        let Some(carrying) = self.carrying.filter(|_| !is_new) else { return };
        if !look
            .voltage
            .iter()
            .enumerate()
            .all(|(phase, v)| !has(carrying, phase) || ORDINARY.contains(&v.magnitude()))
        {
            return;
        }
        if carrying != self.all || carrying == 0 {
            if carrying != 0 && self.is_measured() && self.neutral == Neutral::Good {
                self.estimate.alone(look, carrying);
            }
            return;
        }
        let y = masked(self.reference, self.all);
        let residual = look.neutral - look.explained(y);
        let third_residual = look.third - look.explained_third(y);
        match self.neutral {
            Neutral::Good => {}
            Neutral::Lost { .. } | Neutral::Divided { .. } => {
                self.is_neutral_back(look, residual);
                return;
            }
        }
        if !self.past.is_known() {
            self.past.push(look, residual, third_residual);
            if self.past.is_known() {
                self.compare_thirds(look);
            }
            if self.past.is_known() && self.neutral == Neutral::Good {
                self.first_level(look);
            }
            return;
        }
        let least = if self.is_measured() { self.least_change } else { UNMEASURED };
        let change = change::name(look, &self.past, [residual, third_residual], carrying, least);
        if change == Change::Nothing {
            self.changed = 0;
            self.past.push(look, residual, third_residual);
            if self.is_measured() && self.all == 0b111 {
                self.estimate.closed(look);
            }
            return;
        }
        let begin = match circumstances.burst {
            Some(burst) => burst.begin,
            None => look.begin,
        };
        if self.changed == 0 {
            self.change_begin = self.moved.unwrap_or(begin);
        }
        self.changed = self.changed.saturating_add(1);
        if self.changed < PERSISTENT {
            return;
        }
        self.changed_for_good(change);
    }

    fn changed_for_good(&mut self, change: Change) {
        let begin = self.change_begin;
        match change {
            Change::Nothing => {}
            Change::NeutralLost => self.neutral = Neutral::Lost { begin, ever: true },
            Change::NeutralDivided(share) => self.neutral = Neutral::Divided { begin, share },
            Change::Phase { phase, fraction } => {
                self.lost(phase, fraction);
                self.estimate.restart();
                self.has_less(phase, begin, fraction);
                self.changed = 0;
            }
            Change::Unclear => {
                if self.changed >= ACCEPTED {
                    self.past = Past::NONE;
                    self.changed = 0;
                }
            }
        }
    }

    fn has_less(&mut self, phase: usize, begin: u64, fraction: f32) {
        let before = match self.phase.get(phase) {
            Some(Phase::Less { begin, fraction }) => Some((*begin, *fraction)),
            _ => None,
        };
        let (begin, fraction) =
            before.map_or((begin, fraction), |(since, so_far)| (since, so_far + fraction));
        if fraction > WHOLE {
            // Bit by bit, all of it.
            self.set_phase(phase, Phase::Lost { begin: self.change_begin, from_start: false });
            self.carrying = self.carrying.map(|carrying| carrying & !only(phase));
            self.lost(phase, -fraction);
            self.past = Past::NONE;
            return;
        }
        let is_back = fraction.abs() < 0.5 * self.least_change;
        self.set_phase(phase, if is_back { Phase::Healthy } else { Phase::Less { begin, fraction } });
    }

    /// What the first seconds of a closed bank say, with nothing to compare with but the nameplate.
    fn first_level(&mut self, look: &Look) {
        let size = |a: Phasor, b: Phasor| libm::sqrtf(a.magnitude_squared() + b.magnitude_squared());
        let (first, third) = (look.explained(self.estimate.y), look.explained_third(self.estimate.y));
        let (explained, measured) = (size(first, third), size(look.neutral, look.third));
        // Voltage sensors that are wrong as far as their class allows make up a fundamental and a third of this.
        let class = self.estimate.class();
        let is_asked = third.magnitude() > 18.0 * class.own_third
            && look.third.magnitude() < 0.5 * third.magnitude()
            || first.magnitude() > 3.0 * class.largest();
        let is_silent = measured < 0.025 && measured < 0.3 * explained;
        if !self.estimate.is_known() && is_silent && is_asked {
            self.neutral = Neutral::Lost { begin: look.begin, ever: self.has_past };
            return;
        }
        if !self.is_measured() || self.all != 0b111 {
            return;
        }
        let nothing = Past { residual: Phasor::ZERO, third_residual: Phasor::ZERO, ..self.past };
        let residual = self.past.residual;
        let least = if self.has_past { SINCE } else { BEYOND_TOLERANCE };
        let change = change::name(look, &nothing, [residual, Phasor::ZERO], self.all, least);
        if let Change::Phase { phase, fraction } = change {
            self.estimate.lost(phase, fraction);
            self.has_less(phase, look.begin, fraction);
        }
        self.has_past = true;
        self.estimate.closed(look);
        // From here on against what has been found, so that a sag does not show a tolerance as a change.
        let [before, now] = [self.reference, self.estimate.y].map(|y| masked(y, self.all));
        let moved = look.explained(now) - look.explained(before);
        self.past.residual -= moved;
        let third = look.explained_third(now) - look.explained_third(before);
        self.past.third_residual -= third;
        self.reference = self.estimate.y;
    }

    /// A phase has lost this part of its rated capacitance.
    fn lost(&mut self, phase: usize, fraction: f32) {
        self.estimate.lost(phase, fraction);
        if let Some(y) = self.reference.get_mut(phase) {
            *y -= fraction;
        }
    }

    /// The neutral current is what it should be again.
    fn is_neutral_back(&mut self, look: &Look, residual: Phasor) {
        let step = (residual - self.past.residual).magnitude();
        let expected = look.explained(masked(self.estimate.y, self.all)) + self.past.residual;
        let is_there =
            look.neutral.magnitude() > 0.8 * expected.magnitude() && look.neutral.magnitude() > 0.015;
        // A fundamental that is no larger than a pickup comes back with its harmonics.
        let is_heard = self.past.overtones > 0.01 && look.overtones > 0.7 * self.past.overtones;
        if step < 0.3 * expected.magnitude() && is_there || step < 0.01 && is_heard {
            self.changed = self.changed.saturating_add(1);
            if self.changed >= PERSISTENT {
                self.neutral = Neutral::Good;
                self.past = Past::NONE;
                self.changed = 0;
            }
        } else {
            self.changed = 0;
        }
    }

    /// Whether the voltages of all phases are measured, and trusted.
    pub(super) fn is_measured(&self) -> bool {
        self.all & !self.measured == 0
            && !self.voltage.iter().any(|verdict| matches!(verdict, VoltageVerdict::Lead { .. }))
    }
}
