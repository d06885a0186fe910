//! Which phases carry current: the set whose currents add up to what the neutral carries.

use wyelog_electrical::Phasor;

use super::look::Look;

/// A set of phases as bits: 1 is A, 2 is B, 4 is C.
pub type Mask = u8;

/// The set of phase `index` (0 to 2) alone; empty for any other number.
pub const fn only(index: usize) -> Mask {
    match index {
        0 => 1,
        1 => 2,
        2 => 4,
        _ => 0,
    }
}

/// Whether phase `index` is in the set.
pub const fn has(mask: Mask, index: usize) -> bool {
    mask & only(index) != 0
}

/// `y` of the phases in the set, zero for the others.
pub fn masked(y: [f32; 3], mask: Mask) -> [f32; 3] {
    let [a, b, c] = y;
    let of = |bit: u8, y: f32| if mask & bit != 0 { y } else { 0.0 };
    [of(1, a), of(2, b), of(4, c)]
}

/// What a window says of who carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Carry {
    /// These phases alone: neither none nor all that the bank has.
    Part(Mask),
    /// None or all.
    NoneOrAll,
    /// No set explains the neutral current.
    Unclear,
}

/// The set that explains the neutral current best, for phases that have these `y` when they carry. `limit` is how far from it the
/// current may be, per unit.
pub fn carry(look: &Look, y: [f32; 3], all: Mask, limit: f32) -> Carry {
    let (mut best, mut least, mut whole) = (0, f32::INFINITY, f32::INFINITY);
    for mask in 0..=all {
        if mask & !all != 0 {
            continue;
        }
        let distance = distance(look, y, mask);
        if mask == 0 || mask == all {
            whole = if distance < whole { distance } else { whole };
        } else if distance < least {
            (best, least) = (mask, distance);
        }
    }
    if least < limit && least < 0.6 * whole {
        Carry::Part(best)
    } else if whole < limit {
        Carry::NoneOrAll
    } else {
        Carry::Unclear
    }
}

/// How far the neutral current is from what these phases would carry, per unit.
pub fn distance(look: &Look, y: [f32; 3], mask: Mask) -> f32 {
    (look.neutral - look.explained(masked(y, mask))).magnitude()
}

/// Distances of fundamental and third from 'none carries' and from 'all do', as root of the sum of squares. `stray` is what
/// the residuals were before.
pub fn none_and_all(look: &Look, y: [f32; 3], all: Mask, stray: [Phasor; 2]) -> [f32; 2] {
    let [residual, third_residual] = stray;
    let y = masked(y, all);
    let first = look.neutral - look.explained(y) - residual;
    let third = look.third - look.explained_third(y) - third_residual;
    let size = |a: Phasor, b: Phasor| libm::sqrtf(a.magnitude_squared() + b.magnitude_squared());
    [size(look.neutral, look.third), size(first, third)]
}
