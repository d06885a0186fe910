//! Which voltages are to be trusted: a broken lead floats, an open feeder phase is fed from the other side, a sensor behind the
//! fuse goes dark with it.

use wyelog_electrical::{Phasor, Rotation};
use wyelog_protocol::bank::Location;

use super::switching::ALONE;
use super::{Circumstances, Judge, Phase, seconds};
use crate::bank::carry::{Mask, has, only};
use crate::bank::look::Look;

/// What has become of a voltage.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(in crate::bank) enum VoltageVerdict {
    #[default]
    Good,
    /// It is not what the others make of it, for so many windows, but nothing more is known yet.
    Odd { begin: u64, alive: u8 },
    /// The lead or the sensor is broken: the phase is alive.
    Lead { begin: u64 },
    /// The feeder's phase is open.
    Upstream { begin: u64 },
}

/// Two voltages belong together when one, turned by 120°, is so near to the other.
const NEAR: f32 = 0.22;
/// A fundamental of less than this is a clean zero: a feeder phase that is open is fed from the other side.
const DARK: f32 = 0.03;
/// A voltage that is still there is within this of what all were, per unit.
const AS_BEFORE: f32 = 0.05;
/// A neutral current so near to what a phase would make of it is explained, per unit: another phase alone is 1 away.
const EXPLAINS: f32 = 0.3;
/// A sag lasts a second; a lead that broke stays broken: windows.
const LASTS: u8 = 6;
/// A lead that broke shows no more than this part of its neighbour.
const FLOATS: f32 = 0.45;

impl Judge {
    /// Puts the voltages that are not to be trusted right, and gives the phases that can carry: those that are not dark. `None`
    /// when the window is no evidence of the currents.
    pub(super) fn see_voltages(&mut self, look: &mut Look, circumstances: &Circumstances) -> Option<Mask> {
        let level = if self.level.is_nan() { 1.0 } else { self.level };
        let expected = expected(look.shown, self.measured, circumstances.rotation, level)?;
        let odd = odd(look.shown, &expected, self.measured);
        // Poles that clear leave a trace; without one, a lead broke.
        let strikes = circumstances.burst.is_some_and(|burst| burst.peak > ALONE + burst.crest);
        let mut live = self.all;
        let mut is_evidence = true;
        // What others are judged by must not rest on a lead that is known to be broken.
        for (phase, (voltage, made)) in look.voltage.iter_mut().zip(&expected).enumerate() {
            let is_broken = matches!(self.voltage.get(phase), Some(VoltageVerdict::Lead { .. }));
            *voltage = if is_broken || !has(self.measured, phase) { *made } else { *voltage };
        }
        for phase in 0..3_usize {
            let Some(&reference) = expected.get(phase) else { continue };
            let shown = look.shown.get(phase).copied().unwrap_or(Phasor::ZERO);
            let place = self.location.get(phase).copied().unwrap_or(Location::Line);
            let mut used = shown;
            let is_near = shown.magnitude() > 0.5 * reference.magnitude();
            if !has(self.measured, phase) {
                used = reference;
            } else if !has(odd, phase) {
                self.set_voltage(phase, VoltageVerdict::Good);
            } else if place == Location::Capacitor
                && !has(self.carrying.unwrap_or(self.all), phase)
                && !is_near
            {
                // Behind an open pole a voltage says nothing.
                live &= !only(phase);
                used = Phasor::ZERO;
                self.set_voltage(phase, VoltageVerdict::Good);
            } else if place != Location::Line
                && shown.magnitude() < DARK
                && self.is_dark_with_its_current(phase, reference, look, strikes)
            {
                live &= !only(phase);
                used = Phasor::ZERO;
                self.set_voltage(phase, VoltageVerdict::Good);
            } else {
                match self.judge_voltage(phase, reference, look, circumstances) {
                    VoltageVerdict::Lead { .. } => used = reference,
                    _ => is_evidence = false,
                }
            }
            if let Some(voltage) = look.voltage.get_mut(phase) {
                *voltage = used;
            }
        }
        is_evidence.then_some(live)
    }

    /// How far the neutral current is from what it would be if the phase had the voltage that the others make of it, and from
    /// what the shown one makes of it, per unit.
    fn as_alive_and_as_shown(&self, phase: usize, reference: Phasor, look: &Look) -> (f32, f32) {
        let shown = look.shown.get(phase).copied().unwrap_or(Phasor::ZERO);
        let unit = |v: Phasor| v.times_j().scale(look.ratio);
        let carrying = self.carrying.unwrap_or(self.all);
        let mut rest = look.neutral - self.past.residual;
        for (other, (v, y)) in look.voltage.iter().zip(self.estimate.y).enumerate() {
            if other != phase && has(carrying, other) {
                rest -= unit(*v).scale(y);
            }
        }
        let y = self.estimate.y.get(phase).copied().unwrap_or(1.0);
        ((rest - unit(reference).scale(y)).magnitude(), (rest - unit(shown).scale(y)).magnitude())
    }

    /// Whether a phase whose sensor shows nothing has stopped to carry. A lead that is known to be broken shows nothing anyway.
    fn is_dark_with_its_current(&self, phase: usize, reference: Phasor, look: &Look, strikes: bool) -> bool {
        let (as_alive, as_shown) = self.as_alive_and_as_shown(phase, reference, look);
        let carried = self.carrying.is_some_and(|carrying| has(carrying, phase));
        match self.voltage.get(phase) {
            Some(VoltageVerdict::Lead { .. }) => !carried || as_shown < EXPLAINS && as_shown < as_alive,
            _ => strikes || !(carried && as_alive < EXPLAINS && as_alive < as_shown),
        }
    }

    /// A voltage that is not what the others make of it: is the phase alive all the same?
    fn judge_voltage(
        &mut self,
        phase: usize,
        reference: Phasor,
        look: &Look,
        circumstances: &Circumstances,
    ) -> VoltageVerdict {
        let shown = look.shown.get(phase).copied().unwrap_or(Phasor::ZERO);
        let carrying = self.carrying.unwrap_or(self.all);
        let floats = shown.magnitude() < FLOATS && neighbours(look, phase, shown);
        // A bank that is open says nothing of the voltage; a lead that floats has its neighbour's angle.
        let (says_alive, says_shown) = if has(carrying, phase) {
            let (as_alive, as_shown) = self.as_alive_and_as_shown(phase, reference, look);
            (as_alive < EXPLAINS && as_alive < as_shown, as_shown < EXPLAINS && as_shown < as_alive)
        } else {
            (floats, !floats)
        };
        // A lead that broke floats low; what is nearly there is a sag.
        let is_low = shown.magnitude() < 0.6 * reference.magnitude();
        let verdict = self.voltage.get(phase).copied().unwrap_or_default();
        let begin = match verdict {
            VoltageVerdict::Good => self.moved.unwrap_or(look.begin),
            VoltageVerdict::Odd { begin, .. }
            | VoltageVerdict::Lead { begin }
            | VoltageVerdict::Upstream { begin } => begin,
        };
        let lasted = circumstances.now.saturating_sub(begin);
        let next = match verdict {
            // A lead stays broken, whatever else happens, unless the current is what the voltage shown drives.
            VoltageVerdict::Lead { .. } if !says_shown => verdict,
            VoltageVerdict::Upstream { .. } if !says_alive => verdict,
            VoltageVerdict::Odd { alive, .. } if says_alive && alive >= LASTS && is_low => {
                VoltageVerdict::Lead { begin }
            }
            VoltageVerdict::Odd { alive, .. } if says_alive => {
                VoltageVerdict::Odd { begin, alive: alive.saturating_add(1) }
            }
            VoltageVerdict::Odd { .. } if lasted >= seconds(5) => {
                // Told to sit on the line, and dark: it sits behind a fuse that has gone.
                if shown.magnitude() < DARK && self.carrying.is_some_and(|carrying| has(carrying, phase)) {
                    self.mismatches(begin, super::mismatch::LOCATION);
                    if let Some(fault) = self.phase.get_mut(phase).filter(|fault| **fault == Phase::Healthy) {
                        *fault = Phase::Lost { begin, from_start: false };
                    }
                }
                VoltageVerdict::Upstream { begin }
            }
            VoltageVerdict::Odd { .. } => VoltageVerdict::Odd { begin, alive: 0 },
            _ => VoltageVerdict::Odd { begin, alive: u8::from(says_alive) },
        };
        self.set_voltage(phase, next);
        next
    }

    fn set_voltage(&mut self, phase: usize, verdict: VoltageVerdict) {
        if let Some(place) = self.voltage.get_mut(phase) {
            *place = verdict;
        }
    }
}

/// Whether the voltage has the angle of one of the others.
fn neighbours(look: &Look, phase: usize, shown: Phasor) -> bool {
    let size = shown.magnitude();
    look.shown.iter().enumerate().any(|(other, v)| {
        let along = (shown * v.conj()).re / v.magnitude();
        other != phase && v.magnitude() > 0.5 && along > 0.96 * size
    })
}

/// What each voltage should be, by the others: turned by 120° and averaged over those that belong together. `None` without two
/// that do, or one alone that is plausible.
fn expected(shown: [Phasor; 3], measured: Mask, rotation: Rotation, level: f32) -> Option<[Phasor; 3]> {
    let turn = match rotation {
        Rotation::Abc => -120.0,
        Rotation::Acb => 120.0,
    };
    // As if each were phase A.
    let mut as_a = [Phasor::ZERO; 3];
    for ((place, v), steps) in as_a.iter_mut().zip(shown).zip([0.0, -turn, -2.0 * turn]) {
        *place = v.rotate_degrees(steps);
    }
    let (mut best, mut count) = (Phasor::ZERO, 0_u8);
    for (index, candidate) in as_a.iter().enumerate() {
        if !has(measured, index) || !(0.6..1.5).contains(&candidate.magnitude()) {
            continue;
        }
        let (mut sum, mut near) = (Phasor::ZERO, 0_u8);
        for (other, v) in as_a.iter().enumerate() {
            if has(measured, other) && (*v - *candidate).magnitude() < NEAR {
                sum += *v;
                near = near.saturating_add(1);
            }
        }
        if near > count {
            (best, count) = (sum.scale(1.0 / f32::from(near)), near);
        }
    }
    // Two must agree, or the others must be there no more.
    let dark = |(index, v): (usize, &Phasor)| !has(measured, index) || v.magnitude() < DARK;
    let is_alone = as_a.iter().enumerate().filter(|place| !dark(*place)).count() == 1;
    // Or one alone has the size that it had, or has it by far the best.
    let (mut right, mut nearest, mut next) = (Phasor::ZERO, AS_BEFORE, AS_BEFORE);
    for (index, v) in as_a.iter().enumerate() {
        let apart = (v.magnitude() - level).abs();
        if has(measured, index) && apart < nearest {
            (right, nearest, next) = (*v, apart, nearest);
        } else if has(measured, index) && apart < next {
            next = apart;
        }
    }
    let is_one = nearest < AS_BEFORE && (next >= AS_BEFORE || next > 3.0 * nearest);
    let is_sized = (best.magnitude() - level).abs() < 3.0 * AS_BEFORE;
    let is_enough = match count {
        0 => false,
        1 if is_alone => true,
        // With two phases of the feeder open, it is the third; what feeds the open ones may be of nearly its size.
        1 | 2 if is_one && (count == 1 || !is_sized) => {
            best = right;
            true
        }
        1 => false,
        _ => true,
    };
    is_enough.then(|| [best, best.rotate_degrees(turn), best.rotate_degrees(2.0 * turn)])
}

/// The voltages that are not what they should be.
fn odd(shown: [Phasor; 3], expected: &[Phasor; 3], measured: Mask) -> Mask {
    let mut odd = 0;
    for ((shown, expected), bit) in shown.iter().zip(expected).zip([1, 2, 4]) {
        let is_odd = (*shown - *expected).magnitude() >= NEAR;
        odd |= if measured & bit != 0 && is_odd { bit } else { 0 };
    }
    odd
}
