//! The connected capacitances: differences between the phases, measured at every window, and their common part, which needs more;
//! each with a standard deviation that holds for real sensors.
//!
//! Sensors' errors are systematic, so no averaging makes them smaller: the standard deviations hold for dividers of ±3 % and ±1.5°,
//! and are twice too large for those of 0.6 % and 0.3°.

use wyelog_electrical::{Phasor, neutral};
use wyelog_protocol::record::Basis;

use super::carry::{Mask, has};
use super::look::Look;

/// Standard deviation of a difference that rests on nothing but this window: gains and angles of three sensors and stray
/// current.
const DIFFERENCE: f32 = 0.018;
/// Of the nameplate: units come with 0…+10 % (IEEE Std 18).
const NAMEPLATE: f32 = 0.05;
/// Of a phase that carries alone: gain of its sensor and of the neutral's, and stray current.
const ALONE: f32 = 0.016;
/// Windows that a difference is the mean of, at most: a minute.
const LONGEST: u16 = 300;

/// What is known of the three connected capacitances, per unit of the rated one.
#[derive(Clone, Copy, Debug)]
pub struct Estimate {
    /// Of A, B, C.
    pub y: [f32; 3],
    /// Standard deviation of the common part.
    pub common_sigma: f32,
    /// What the common part rests on.
    pub basis: Basis,
    /// Standard deviation of a phase's difference from the common part; NaN before the first.
    pub difference_sigma: f32,
    windows: u16,
}

impl Default for Estimate {
    fn default() -> Self {
        Self {
            y: [1.0; 3],
            common_sigma: NAMEPLATE,
            basis: Basis::Nameplate,
            difference_sigma: f32::NAN,
            windows: 0,
        }
    }
}

impl Estimate {
    /// What a baseline says: the differences are measured anew.
    pub const fn begin_with(&mut self, y: [f32; 3], common_sigma: f32) {
        self.y = y;
        self.common_sigma = common_sigma;
        self.basis = Basis::Baseline;
    }

    /// The common part.
    pub fn common(&self) -> f32 {
        let [a, b, c] = self.y;
        (a + b + c) / 3.0
    }

    /// Standard deviations of A, B, C.
    pub fn sigma(&self) -> [f32; 3] {
        let both = self.common_sigma * self.common_sigma + self.difference_sigma * self.difference_sigma;
        [libm::sqrtf(both); 3]
    }

    /// Whether the differences are known.
    pub fn is_known(&self) -> bool {
        !self.difference_sigma.is_nan()
    }

    /// Takes a window in which all three phases carry.
    pub fn closed(&mut self, look: &Look) {
        let common = self.common();
        let residual = look.neutral - look.explained([common; 3]);
        let Some(differences) = neutral::differences(residual, look.voltage, look.ratio) else { return };
        self.windows = self.windows.saturating_add(1).min(LONGEST);
        let share = 1.0 / f32::from(self.windows);
        for (y, difference) in self.y.iter_mut().zip(differences) {
            *y += (common + difference - *y) * share;
        }
        // An error of the common part leaks in with the zero-sequence voltage.
        let zero: Phasor = look.voltage.into_iter().sum();
        let leak = 0.667 * zero.magnitude() * self.common_sigma;
        self.difference_sigma = libm::sqrtf(DIFFERENCE * DIFFERENCE + leak * leak);
    }

    /// Takes a window in which one or two phases alone carry: theirs is then known without any other.
    pub fn alone(&mut self, look: &Look, carrying: Mask) {
        let unit = look.unit_currents();
        let mut rows = unit.iter().enumerate().filter(|(phase, _)| has(carrying, *phase));
        let (Some((first, a)), second) = (rows.next(), rows.next()) else { return };
        let current = look.neutral;
        let found = match second {
            None => [(first, (current * a.conj()).re / a.magnitude_squared()), (first, f32::NAN)],
            Some((second, b)) => {
                let cross = a.re * b.im - a.im * b.re;
                let of_a = (current.re * b.im - current.im * b.re) / cross;
                let of_b = (a.re * current.im - a.im * current.re) / cross;
                [(first, of_a), (second, of_b)]
            }
        };
        for (phase, value) in found {
            if let Some(y) = self.y.get_mut(phase).filter(|_| (0.05..3.0).contains(&value)) {
                *y += (value - *y) * 0.2;
            }
        }
        self.basis = Basis::Pole;
        self.common_sigma = ALONE;
        self.difference_sigma = ALONE;
        self.windows = 0;
    }

    /// What an opening said of all three.
    pub fn opening(&mut self, y: [f32; 3], common_sigma: f32) {
        let common = y.iter().sum::<f32>() / 3.0;
        if self.is_known() {
            // The differences of a minute are better than those of an opening.
            let shift = common - self.common();
            for y in &mut self.y {
                *y += shift;
            }
        } else {
            self.y = y;
            self.difference_sigma = 1.5 * DIFFERENCE;
        }
        self.common_sigma = common_sigma;
        self.basis = Basis::Opening;
    }

    /// A phase has lost this part of its rated capacitance.
    pub fn lost(&mut self, phase: usize, fraction: f32) {
        if let Some(y) = self.y.get_mut(phase) {
            *y -= fraction;
        }
    }

    /// From here on the differences are measured anew.
    pub const fn restart(&mut self) {
        self.windows = 0;
    }
}

#[cfg(test)]
mod tests;
