//! Settings that do not match what hangs there: said in words, instead of a wrong alarm.
//!
//! The third harmonic tells what the fundamental cannot: positive-sequence voltages have none of it in common, so the neutral's is
//! the whole bank's, and its sign is that of the sensor.

use wyelog_protocol::bank::Location;
use wyelog_protocol::cause::Cause;

use super::{Judge, Neutral};
use crate::bank::carry::{Mask, has, masked};
use crate::bank::look::Look;

/// A third that the voltages explain must be so large for its sign to be believed, per unit: sensors make 0.2 % of each voltage,
/// and 0.6 % of stray current flows.
const SIGN: f32 = 0.04;
/// And so large for its size to be.
const SIZE: f32 = 0.10;
/// The bank would have to be as much larger or smaller than its nameplate says.
const LARGE: f32 = 1.6;
const SMALL: f32 = 0.65;
/// Half of it, as near as an opening tells.
const HALF: core::ops::RangeInclusive<f32> = 0.485..=0.565;
/// Windows of a voltage that should be gone.
const ALIVE: u8 = 15;

/// What does not match, since when.
#[derive(Clone, Copy, Debug)]
pub(in crate::bank) struct Mismatch {
    pub begin: u64,
    pub causes: &'static [Cause],
}

const REVERSED: &[Cause] = &[Cause::NeutralReversed];
const NAMEPLATE: &[Cause] = &[Cause::NameplateWrong, Cause::UnitsChanged];
const NAMEPLATE_OR_PATH: &[Cause] = &[Cause::NameplateWrong, Cause::SecondGround];
pub(super) const LOCATION: &[Cause] = &[Cause::LocationWrong, Cause::FuseOperated, Cause::PhaseOpenUpstream];

impl Judge {
    /// What the thirds of the first seconds say of the neutral sensor's polarity and of the size of the bank.
    pub(super) fn compare_thirds(&mut self, look: &Look) {
        if !self.is_measured() {
            return;
        }
        let explained = look.explained_third(masked([1.0; 3], self.all));
        let size = explained.magnitude();
        if size.is_nan() || size <= SIGN {
            return;
        }
        let share = (self.past.third * explained.conj()).re / (size * size);
        if share < -0.35 {
            self.mismatches(look.begin, REVERSED);
            self.is_reversed = !self.is_reversed;
            self.past = crate::bank::look::Past::NONE;
            self.before = None;
        } else if size > SIZE {
            self.whole_bank_is(share, SMALL, look.begin);
        }
    }

    /// All phases together have this part of the rated capacitance, as far as the neutral current tells; less than `small` is no
    /// tolerance.
    pub(super) fn whole_bank_is(&mut self, share: f32, small: f32, begin: u64) {
        if share > LARGE {
            self.mismatches(begin, NAMEPLATE);
        } else if HALF.contains(&share) {
            self.mismatches(begin, NAMEPLATE_OR_PATH);
        } else if share > 0.1 && share < small && self.neutral == Neutral::Good {
            self.neutral = Neutral::Divided { begin, share };
        }
    }

    /// A sensor on the capacitor's side shows the feeder though the pole is open, or though the phase carries nothing.
    pub(super) fn compare_places(&mut self, look: &Look, carrying: Mask) {
        let shows = look.shown.iter().zip(self.location).enumerate().any(|(phase, (shown, place))| {
            place == Location::Capacitor && has(self.all & !carrying, phase) && shown.magnitude() > 0.7
        });
        self.alive = if shows { self.alive.saturating_add(1) } else { 0 };
        if self.alive >= ALIVE {
            self.mismatches(look.begin, LOCATION);
        }
    }

    pub(super) fn mismatches(&mut self, begin: u64, causes: &'static [Cause]) {
        if self.mismatch.is_none() {
            self.mismatch = Some(Mismatch { begin, causes });
        }
    }

    /// The neutral current as it is, when its sensor is turned round.
    pub(super) fn put_right(&self, look: &mut Look) {
        if self.is_reversed {
            look.neutral = -look.neutral;
            look.third = -look.third;
        }
    }
}
