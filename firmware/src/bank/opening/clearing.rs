//! At which of its current zeros each pole cleared.
//!
//! One walk along the samples finds the current zeros of each phase and notes at each the sums so far. The sums of
//! every combination of clearings are then put together from those, without the samples.

use super::rows::Row;
use super::solve::{Normal, packed};

/// Current zeros of a phase that are looked at.
const ZEROS: usize = 7;

/// Combinations: of each pole one of its zeros, or that it did not clear.
pub const COMBINATIONS: u16 = 512;

/// A pole that does not clear has to explain so much more than one that does: behind a cleared pole whose sensor sits
/// on the capacitor, both explain the same.
const NEVER: f32 = 5.0;

/// What remains of the data's square at the noise above, over five cycles: less is no better.
const LEAST_REST: f32 = 0.005;

/// A current above this, instantaneous and per unit of the rated rms one, has a zero behind it.
const CARRIES: f32 = 0.5;

/// It is looked for from where the current has fallen to this, and placed once it is no more than so many frames ahead: a block
/// sees two. Harmonics make a current linger, so from farther away a straight line misses it.
const NEAR_ZERO: f32 = 0.2;
const AHEAD: f32 = 2.0;

/// Noise of the data, prior σ of the strays and of the connected capacitance, for this choice only: per unit of rated
/// current.
const NOISE: f32 = 0.003;
const STRAY: f32 = 0.01;
const CONNECTED: f32 = 10.0;

/// Sums of a phase until one of its zeros.
#[derive(Clone, Copy, Debug)]
struct Until {
    /// Frames from the begin to the zero.
    zero: f32,
    /// Products of its current with itself, the strays and the data.
    own: [f32; 6],
    /// Products of its current with those of the next phase and the one behind that.
    next: [f32; 2],
}

const NOTHING: Until = Until { zero: 0.0, own: [0.0; 6], next: [0.0; 2] };

/// A phase: its zeros, and the sums up to now.
#[derive(Clone, Copy, Debug)]
struct Phase {
    zeros: [Until; ZEROS],
    found: u8,
    now: Until,
    before: f32,
    /// Sign of the last current worth the name.
    sign: f32,
}

const NO_PHASE: Phase = Phase { zeros: [NOTHING; ZEROS], found: 0, now: NOTHING, before: 0.0, sign: 0.0 };

/// Sums of an opening.
#[derive(Debug)]
pub struct Search {
    phases: [Phase; 3],
    /// Products of the strays and the data.
    strays: Normal<{ packed(5) }>,
    /// What the best choice leaves, and its zeros: infinite for a pole that did not clear.
    best: (f32, [f32; 3]),
}

impl Search {
    /// Nothing seen.
    pub const fn new() -> Self {
        Self { phases: [NO_PHASE; 3], strays: Normal::new(), best: (f32::INFINITY, [f32::INFINITY; 3]) }
    }

    /// Takes the row that is `place` frames behind the begin; zeros before place `from` do not count.
    pub fn add(&mut self, row: &Row, place: f32, from: f32) {
        let [s0, s1, s2, s3] = row.stray;
        let [a, b, c] = row.current;
        self.strays.add(&[s0, s1, s2, s3, row.neutral]);
        for (phase, (current, one, two)) in self.phases.iter_mut().zip([(a, b, c), (b, c, a), (c, a, b)]) {
            for (sum, factor) in phase.now.own.iter_mut().zip([current, s0, s1, s2, s3, row.neutral]) {
                *sum += current * factor;
            }
            for (sum, factor) in phase.now.next.iter_mut().zip([one, two]) {
                *sum += current * factor;
            }
            phase.look_for_zero(current, place, from);
        }
    }

    /// Tries one combination of zeros.
    pub fn try_one(&mut self, combination: u16) {
        let [a, b, c] = &self.phases;
        let digit = |shift: u32| usize::from((combination >> shift) & 7);
        let (Some(a), Some(b), Some(c)) = (a.until(digit(0)), b.until(digit(3)), c.until(digit(6))) else {
            return;
        };
        let Some(rest) = self.rest([a, b, c]) else { return };
        let zeros = [a.zero, b.zero, c.zero];
        let never = zeros.iter().filter(|zero| zero.is_infinite()).count();
        let mut cost = rest + LEAST_REST;
        for _ in 0..never {
            cost *= NEVER;
        }
        if cost < self.best.0 {
            self.best = (cost, zeros);
        }
    }

    /// The best choice.
    pub const fn best(&self) -> [f32; 3] {
        self.best.1
    }

    fn rest(&self, until: [Until; 3]) -> Option<f32> {
        let mut normal = Normal::<{ packed(8) }>::new();
        // Strays 0 to 3, phases 4 to 6, data 7.
        let place = |term: usize| if term == 4 { 7 } else { term };
        for one in 0..5 {
            for two in 0..=one {
                normal.increase(place(one), place(two), self.strays.at(one, two)?);
            }
        }
        let [a, b, c] = until;
        for (row, next, this, other) in [(4, 5, a, b), (5, 6, b, c), (6, 4, c, a)] {
            for (sum, term) in this.own.into_iter().zip([row, 0, 1, 2, 3, 7]) {
                normal.increase(row, term, sum);
            }
            // Both carry until the first of the two clears.
            let ([both, _], [_, both_too]) = (this.next, other.next);
            normal.increase(row, next, if this.zero <= other.zero { both } else { both_too });
        }
        for term in 0..4 {
            normal.increase(term, term, (NOISE / STRAY) * (NOISE / STRAY));
        }
        normal.prior(4, (CONNECTED / NOISE) * (CONNECTED / NOISE), 0.0);
        Some(normal.factor()?.rest())
    }
}

impl Phase {
    fn look_for_zero(&mut self, current: f32, place: f32, from: f32) {
        let before = core::mem::replace(&mut self.before, current);
        if current.abs() > CARRIES {
            self.sign = if current > 0.0 { 1.0 } else { -1.0 };
        }
        let (before, now) = (before * self.sign, current * self.sign);
        if self.sign == 0.0 || now >= NEAR_ZERO {
            return;
        }
        // Straight on from the last two frames.
        let zero = place - 1.0 + before / (before - now);
        let is_near = now <= 0.0 || (now < before && zero <= place + AHEAD);
        if !is_near {
            return;
        }
        self.sign = 0.0;
        if zero < from {
            return;
        }
        if let Some(until) = self.zeros.get_mut(usize::from(self.found)) {
            *until = Until { zero, ..self.now };
            self.found = self.found.wrapping_add(1);
        }
    }

    /// The sums until a zero; behind the last place those of a pole that does not clear.
    fn until(&self, zero: usize) -> Option<Until> {
        if zero == ZEROS {
            return Some(Until { zero: f32::INFINITY, ..self.now });
        }
        self.zeros.get(zero).filter(|_| zero < usize::from(self.found)).copied()
    }
}
