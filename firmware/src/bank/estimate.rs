//! The connected capacitances: differences between the phases, measured at every window, and their common part, which needs more;
//! each with a standard deviation that holds for the sensors that are there.
//!
//! Sensors' errors are systematic, so no averaging makes them smaller. How large they are is not known, only how large they may be
//! ([`Class`]); but they show. Units of one bank are alike within a percent or two, so measured differences that are larger are of
//! sensors first, and an opening shows the sensors' angles themselves.

use wyelog_electrical::{Phasor, neutral};
use wyelog_protocol::record::Basis;

use super::carry::{Mask, has};
use super::class::{Class, Shown};
use super::look::Look;

/// Of the nameplate: units come with 0…+10 % (IEEE Std 18).
const NAMEPLATE: f32 = 0.05;
/// σ of the units of one bank against each other: ±1 % (common practice, no source).
const ALIKE: f32 = 0.006;
/// Windows that a difference is the mean of, at most: a minute.
const LONGEST: u16 = 300;
/// A zero-sequence third is large enough beside what the sensors make of their own when it is so many times as large, and the
/// current that it drives beside the neutral's stray third.
const OVER_OWN: f32 = 15.0;
const OVER_STRAY: f32 = 2.0;
/// σ of the ratio of a current transformer above the fundamental against that at it: 3 to 10 % are seen.
const ABOVE: f32 = 0.045;
/// It turns by up to 2° an order; a third that is turned by more than this, in rad, is of something else.
const TURNED: f32 = 0.15;

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
    class: Class,
    /// What the sensors have shown by the differences, until one has changed.
    shown: Shown,
    is_first: bool,
    /// Standard deviation of the differences by an opening; NaN before the first.
    tested: f32,
    /// Phases that have carried alone since all three carried.
    alone: Mask,
    /// Common part by the nameplate, less what was lost since.
    nameplate: f32,
    /// The same by the zero-sequence thirds, the mean of so many windows.
    thirds: (f32, u16),
}

impl Default for Estimate {
    fn default() -> Self {
        Self::new(Class::DEFAULT)
    }
}

impl Estimate {
    /// Nothing known but the nameplate and the class of the sensors.
    pub const fn new(class: Class) -> Self {
        Self {
            y: [1.0; 3],
            common_sigma: NAMEPLATE,
            basis: Basis::Nameplate,
            difference_sigma: f32::NAN,
            windows: 0,
            class,
            shown: Shown::UNSEEN,
            is_first: true,
            tested: f32::NAN,
            alone: 0,
            nameplate: 1.0,
            thirds: (1.0, 0),
        }
    }

    /// What the sensors may be wrong by.
    pub const fn class(&self) -> Class {
        self.class
    }

    /// What these have shown.
    pub const fn shown(&self) -> Shown {
        self.shown
    }

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
        if self.alone != 0 {
            self.join(differences);
        }
        let common = self.common();
        let share = self.share();
        let mut squares = 0.0;
        for (y, difference) in self.y.iter_mut().zip(differences) {
            *y += (common + difference - *y) * share;
            squares += (*y - common) * (*y - common);
        }
        let of_class = self.class.difference_sigma(1.0);
        if self.is_first {
            // Three values, but their sum is zero.
            let beyond = squares - 2.0 * ALIKE * ALIKE;
            let beyond = if beyond > 0.0 { beyond } else { 0.0 };
            self.shown = Shown { squares: beyond / (of_class * of_class), count: 2.0 };
        }
        let own = if self.tested.is_nan() {
            self.class.difference_sigma(self.class.scale(self.shown))
        } else {
            self.tested
        };
        // An error of the common part leaks in with the zero-sequence voltage.
        let zero: Phasor = look.voltage.into_iter().sum();
        let leak = 0.667 * zero.magnitude() * self.common_sigma;
        self.difference_sigma = libm::sqrtf(own * own + leak * leak);
        self.thirds(look);
    }

    /// What one more window counts.
    fn share(&mut self) -> f32 {
        self.windows = self.windows.saturating_add(1).min(LONGEST);
        1.0 / f32::from(self.windows)
    }

    /// Sets the common part to what those that carried alone make of it, by these differences.
    fn join(&mut self, differences: [f32; 3]) {
        let (mut sum, mut count) = (0.0, 0.0);
        for (phase, (y, difference)) in self.y.iter().zip(differences).enumerate() {
            if has(self.alone, phase) {
                sum += y - difference;
                count += 1.0;
            }
        }
        self.alone = 0;
        self.windows = 0;
        self.move_to(sum / count);
    }

    fn move_to(&mut self, common: f32) {
        let shift = common - self.common();
        for y in &mut self.y {
            *y += shift;
        }
    }

    /// What zero-sequence thirds say of the common part, as long as nothing better is known. Their errors are systematic too: the
    /// ratio of the neutral's sensor above the fundamental is not known, so a ninth, which it spoils alike, would add nothing.
    fn thirds(&mut self, look: &Look) {
        if !matches!(self.basis, Basis::Nameplate | Basis::Harmonics) {
            return;
        }
        let common = self.common();
        let explained = look.explained_third(self.y.map(|y| y / common));
        let size = explained.magnitude();
        let zero = look.third_voltage.into_iter().sum::<Phasor>().magnitude() / 3.0;
        let product = look.third * explained.conj();
        let is_large = zero > OVER_OWN * self.class.own_third && size > OVER_STRAY * self.class.stray_third;
        if !is_large || product.im.abs() > TURNED * product.re {
            return;
        }
        let (mean, count) = &mut self.thirds;
        *count = count.saturating_add(1).min(LONGEST);
        *mean += (product.re / (size * size) - *mean) / f32::from(*count);
        // Of any size up to the largest, and any angle; the mean of three sensors.
        let square = |value: f32| value * value;
        let variance = square(ABOVE)
            + 0.056 * square(self.class.own_third / zero)
            + 0.167 * square(self.class.stray_third / size);
        let share = square(NAMEPLATE) / (square(NAMEPLATE) + variance);
        let common = self.nameplate + share * (*mean - self.nameplate);
        self.move_to(common);
        self.common_sigma = NAMEPLATE * libm::sqrtf(1.0 - share);
        self.basis = Basis::Harmonics;
    }

    /// Takes a window in which one or two phases alone carry: theirs is then known without any other.
    pub fn alone(&mut self, look: &Look, carrying: Mask) {
        let unit = look.unit_currents();
        let mut rows = unit.iter().enumerate().filter(|(phase, _)| has(carrying, *phase));
        let (Some((first, a)), second) = (rows.next(), rows.next()) else { return };
        let current = look.neutral;
        let is_alone = second.is_none();
        let found = match second {
            None => [(first, (current * a.conj()).re / a.magnitude_squared()), (first, f32::NAN)],
            Some((second, b)) => {
                let cross = a.re * b.im - a.im * b.re;
                let of_a = (current.re * b.im - current.im * b.re) / cross;
                let of_b = (a.re * current.im - a.im * current.re) / cross;
                [(first, of_a), (second, of_b)]
            }
        };
        let share = self.share();
        let (mut steps, mut count) = (0.0, 0.0);
        for (phase, value) in found {
            if let Some(y) = self.y.get_mut(phase).filter(|_| (0.05..3.0).contains(&value)) {
                let step = (value - *y) * share;
                *y += step;
                steps += step;
                count += 1.0;
            }
        }
        if count == 0.0 {
            return;
        }
        // Units of a bank are alike: what has not been seen goes along.
        for (phase, y) in self.y.iter_mut().enumerate() {
            if !has(carrying, phase) {
                *y += steps / count;
            }
        }
        self.alone |= carrying;
        self.basis = Basis::Pole;
        self.common_sigma = self.class.alone_sigma(self.class.scale(self.shown), is_alone);
        self.difference_sigma = self.common_sigma;
    }

    /// What an opening said of all three.
    pub fn opening(&mut self, y: [f32; 3], common_sigma: f32, difference_sigma: f32) {
        let common = y.iter().sum::<f32>() / 3.0;
        // Errors of openings are mostly the same ones: a second one makes none of them smaller.
        let before = self.common_sigma * self.common_sigma;
        let share = match self.basis {
            Basis::Nameplate => 1.0,
            _ => before / (before + common_sigma * common_sigma),
        };
        let mut variance = difference_sigma * difference_sigma;
        if self.is_known() {
            // What a window shows of the differences is off by what the opening, which tells angles and stray current from
            // capacitance, has other.
            let mean = self.common();
            for (before, now) in self.y.iter().zip(y) {
                let off = (before - mean) - (now - common);
                variance += off * off / 3.0;
            }
            self.move_to(mean + (common - mean) * share);
        } else {
            self.y = y;
        }
        self.tested = libm::sqrtf(variance);
        self.difference_sigma = self.tested;
        self.common_sigma += (common_sigma - self.common_sigma) * share;
        if share >= 0.5 {
            self.basis = Basis::Opening;
        }
    }

    /// A phase has lost this part of its rated capacitance.
    pub fn lost(&mut self, phase: usize, fraction: f32) {
        if let Some(y) = self.y.get_mut(phase) {
            *y -= fraction;
        }
        self.nameplate -= fraction / 3.0;
        self.thirds.0 -= fraction / 3.0;
        self.is_first = false;
    }

    /// From here on the differences are measured anew.
    pub const fn restart(&mut self) {
        self.windows = 0;
    }
}

#[cfg(test)]
mod tests;
