//! What a step of the residual means, when no whole phase came or went.

use wyelog_electrical::Phasor;

use super::carry::{Mask, has};
use super::look::{Look, Past};

/// What changed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Change {
    /// Nothing that matters.
    Nothing,
    /// A phase lost (positive) or gained (negative) this part of its rated capacitance.
    Phase {
        /// 0 to 2.
        phase: usize,
        /// Part of the rated capacitance.
        fraction: f32,
    },
    /// The neutral current is gone, though the voltages explain one.
    NeutralLost,
    /// The neutral sensor sees this share of the current only.
    NeutralDivided(f32),
    /// A step that nothing explains.
    Unclear,
}

/// A neutral current of less than this, fundamental and third together, is none: a dead lead picks up 0.2–2 % of the rated one.
const SILENT: f32 = 0.025;

/// Harmonics, or a step of the fundamental, of so much are there, per unit: noise of the neutral sensor is 0.15 %, and stays.
const OVERTONES: f32 = 0.005;

/// Names the step from `past` to this window, in which the residuals of fundamental and third are these; `carrying` are the phases
/// that may have changed, `least` the smallest change that matters.
pub fn name(look: &Look, past: &Past, residuals: [Phasor; 2], carrying: Mask, least: f32) -> Change {
    let [residual, third_residual] = residuals;
    let step = residual - past.residual;
    let third_step = third_residual - past.third_residual;
    let both = |a: Phasor, b: Phasor| libm::sqrtf(a.magnitude_squared() + b.magnitude_squared());
    let now = both(look.neutral, look.third);
    let before = both(past.neutral, past.third);
    // Gone: nothing is left of a current that was there, and the step is the whole of what there should be.
    let missing = both(step, third_step);
    let gone = missing > 0.6 * before && now < SILENT && now < 0.5 * before;
    // Where its fundamental was no larger than what a dead lead picks up, the third and all other harmonics tell: they go, though
    // the voltages ask for the third, and the fundamental is another one.
    let silenced = now < SILENT
        && look.overtones < 0.5 * past.overtones
        && past.overtones - look.overtones > OVERTONES
        && third_step.magnitude() > 0.5 * past.third.magnitude()
        && step.magnitude() > OVERTONES;
    if silenced || gone && (missing > least || missing > SILENT) {
        return Change::NeutralLost;
    }
    if step.magnitude() < least {
        return Change::Nothing;
    }
    // Divided: fundamental and third have shrunk alike, and neither has turned. By a seventh at least: a feeder does less, now and
    // then in decades.
    if before > 0.04 && past.third.magnitude() > 0.01 {
        let share = |now: Phasor, before: Phasor| {
            let product = now * before.conj();
            let size = before.magnitude_squared();
            (product.re / size, product.im / size)
        };
        let (first, turn) = share(look.neutral, past.neutral);
        let (third, third_turn) = share(look.third, past.third);
        if (0.1..0.85).contains(&third)
            && (first - third).abs() < 0.1
            && turn.abs() < 0.1
            && third_turn.abs() < 0.1
        {
            return Change::NeutralDivided(0.5 * (first + third));
        }
    }
    let (mut best, mut least_misfit) = (Change::Unclear, 0.5 * step.magnitude());
    for (phase, unit) in look.unit_currents().into_iter().enumerate() {
        if !has(carrying, phase) {
            continue;
        }
        let size = unit.magnitude_squared();
        let fraction = -(step * unit.conj()).re / size;
        let misfit = (step + unit.scale(fraction)).magnitude();
        // A third would go with the fundamental: a phase that gains more than all of itself is no phase.
        if misfit < least_misfit && (-1.1..=1.1).contains(&fraction) {
            (best, least_misfit) = (Change::Phase { phase, fraction }, misfit);
        }
    }
    best
}

#[cfg(test)]
mod tests;
