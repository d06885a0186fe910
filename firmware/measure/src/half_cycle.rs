//! rms of one cycle, refreshed each half cycle: Urms(1/2) of IEC 61000-4-30 5.4.
//!
//! Each channel has half cycles of its own, from one zero crossing of its fundamental to the next, as the measured
//! frequency places them; windows say where the crossings are. A half cycle begins and ends between frames: the squares are taken as
//! straight lines from frame to frame, which over whole cycles is good to 2e-5 of the rms. Sums are exact integers, so
//! nothing drifts.

use wyelog_protocol::FRAMES_PER_SECOND;
use wyelog_protocol::bank::RatedFrequency;
use wyelog_protocol::condition::Phases;

use crate::frame::Frame;

/// One frame in units of 2^-16.
const FRAME: i32 = 1 << 16;

/// Half cycles remembered.
const HALVES: usize = 4;

/// Sums the squares of the three voltages.
#[derive(Debug)]
pub struct HalfCycles {
    channels: [Channel; 3],
    /// Half a period in 2^-16 of a frame.
    half: i32,
}

#[derive(Clone, Copy, Debug)]
struct Channel {
    /// Count of the frame before.
    before: i32,
    /// Whether the half cycle under way holds all its frames.
    whole: bool,
    /// Twice the integral of the squares since the half cycle began, and the square of the frame before.
    twice: i64,
    /// From the frame before to the end of the half cycle, in 2^-16 of a frame.
    left: i32,
    /// Length of the half cycle in 2^-16 of a frame.
    span: i32,
    /// By how much the next half cycles have to be longer, all together.
    correction: i32,
    /// Whether a zero crossing has been seen.
    locked: bool,
    /// Mean squares of the last half cycles, newest last; NaN where unknown.
    halves: [f32; HALVES],
}

impl Channel {
    const UNKNOWN: [f32; HALVES] = [f32::NAN; HALVES];

    /// Takes a frame; whether it ended a half cycle.
    fn push(&mut self, count: i32, half: i32) -> bool {
        let before = core::mem::replace(&mut self.before, count);
        self.left = self.left.wrapping_sub(FRAME);
        if self.left > 0 {
            // The square ends the line from the frame before, and begins the next.
            self.twice =
                self.twice.wrapping_add(i64::from(count).wrapping_mul(i64::from(count.wrapping_mul(2))));
            return false;
        }
        let [before, square] = [before, count].map(|count| i64::from(count).wrapping_mul(i64::from(count)));
        // The half cycle ended at this part of the way from the frame before to this one.
        let part = i64::from(FRAME.wrapping_add(self.left));
        // 2·∫ of a straight line. Squares have 46 bits: eight are dropped before the product, eight after it.
        let level = (before >> 8).wrapping_mul(part.wrapping_mul(2)) >> 8;
        let slope = (square.wrapping_sub(before) >> 8).wrapping_mul(part.wrapping_mul(part) >> 16) >> 8;
        let ended = level.wrapping_add(slope);
        self.finish(self.twice.wrapping_sub(before).wrapping_add(ended));
        // The rest of this line, and the square that begins the next.
        self.twice = before.wrapping_add(square).wrapping_sub(ended).wrapping_add(square);
        // A step so small that the cycles it stretches stay good: the squares are near zero there.
        let limit = half >> 11;
        let step = match self.correction {
            large if large > limit => limit,
            small if small < limit.wrapping_neg() => limit.wrapping_neg(),
            all => all,
        };
        self.correction = self.correction.wrapping_sub(step);
        self.span = half.wrapping_add(step);
        self.left = self.left.wrapping_add(self.span);
        true
    }

    fn finish(&mut self, twice: i64) {
        self.halves.rotate_left(1);
        #[expect(clippy::cast_precision_loss, reason = "24 bits of a square suffice")]
        let mean = twice as f32 * (0.5 * FRAME as f32) / self.span as f32;
        if let Some(newest) = self.halves.last_mut() {
            *newest = if self.whole { mean } else { f32::NAN };
        }
        self.whole = true;
    }

    fn forget(&mut self) {
        // And with it the integral so far.
        self.whole = false;
        self.halves = Self::UNKNOWN;
    }
}

/// The last change of a voltage.
struct Change {
    /// Difference of mean squares; zero without a change.
    size: f32,
    /// How many half cycles ago.
    halves: f32,
}

impl Change {
    /// A share of a change that is less than this from none or all of it is none or all.
    const CLEAR: f32 = 0.1;

    fn of(halves: &[f32; HALVES]) -> Self {
        let [.., now] = *halves;
        // From the level that is farthest from the present one.
        let mut change = Self { size: 0.0, halves: 1.0 };
        let (mut level, mut shares, mut mixed) = (now, 0.0, 0_u8);
        for half in *halves {
            if (half - now).abs() >= change.size {
                change.size = (half - now).abs();
                (level, shares, mixed) = (half, 0.0, 0);
                continue;
            }
            let share = (half - level) / (now - level);
            shares += if share > 1.0 {
                1.0
            } else if share > 0.0 {
                share
            } else {
                0.0
            };
            mixed = mixed.saturating_add(u8::from((Self::CLEAR..=1.0 - Self::CLEAR).contains(&share)));
        }
        // A step cuts one half cycle. Without a past, too, it was in the newest one.
        if mixed < 2 && shares > 0.0 {
            change.halves = shares;
        }
        change
    }
}

impl HalfCycles {
    /// For the rated frequency.
    pub fn new(rated: RatedFrequency) -> Self {
        let half = i32::from(rated.frames_per_cycle() / 2).wrapping_mul(FRAME);
        let channel = Channel {
            before: 0,
            whole: false,
            twice: 0,
            left: half,
            span: half,
            correction: 0,
            locked: false,
            halves: Channel::UNKNOWN,
        };
        Self { channels: [channel; 3], half }
    }

    /// Half cycles are as long as this frequency (Hz, 40 to 70) makes them.
    pub fn set_frequency(&mut self, hz: f32) {
        if (40.0..=70.0).contains(&hz) {
            #[expect(
                clippy::cast_precision_loss,
                clippy::cast_possible_truncation,
                reason = "4800; at most 2^22"
            )]
            let half = (0.5 * FRAME as f32 * FRAMES_PER_SECOND as f32 / hz) as i32;
            self.half = half;
        }
    }

    /// The fundamental of a phase crosses zero so many frames from the last one (negative: before it), and a whole number of half
    /// cycles before and after. The half cycles go there in small steps, in which no value is wrong, or, if they are far off and
    /// `may_jump`, at once, and the next values are left out.
    pub fn steer(&mut self, phase: usize, frames: f32, may_jump: bool) {
        let half = self.half;
        let Some(channel) = self.channels.get_mut(phase) else { return };
        #[expect(clippy::cast_precision_loss, reason = "2^22")]
        let (left, length) = (channel.left as f32 / FRAME as f32, half as f32 / FRAME as f32);
        let turns = (frames - left) / length;
        let off = (turns - libm::roundf(turns)) * length;
        #[expect(clippy::cast_possible_truncation, reason = "at most half a half cycle")]
        let correction = (off * FRAME as f32) as i32;
        let is_near = correction.wrapping_abs() <= half >> 4;
        if channel.locked && (is_near || !may_jump) {
            channel.correction = correction;
        } else {
            channel.locked = true;
            channel.correction = 0;
            channel.left = channel.left.wrapping_add(correction);
            if channel.left < FRAME {
                channel.left = channel.left.wrapping_add(half);
            }
            channel.forget();
        }
    }

    /// Takes a frame; says of which phases it ended a half cycle whose rms is known.
    pub fn push(&mut self, frame: &Frame) -> Phases {
        let mut refreshed = 0;
        let half = self.half;
        for ((channel, count), bit) in self.channels.iter_mut().zip(frame.channels).zip([1, 2, 4]) {
            if channel.push(count, half) && channel.halves.iter().rev().take(2).all(|half| !half.is_nan()) {
                refreshed |= bit;
            }
        }
        Phases::from_bits(refreshed)
    }

    /// rms of A, B, C over their last cycles, in counts; NaN where unknown.
    pub fn rms(&self) -> [f32; 3] {
        self.channels
            .each_ref()
            .map(|Channel { halves: [.., before, now], .. }| libm::sqrtf(0.5 * (before + now)))
    }

    /// How many frames ago the one of these phases that has changed most went from what it was to what it is now, given that its
    /// rms has just been seen to.
    ///
    /// A step is placed exactly, by the share of the half cycle that it cut, but for one within the newest half cycle, which is
    /// taken to be of the new level as a whole. A slow change is placed at the middle of the cycle whose rms showed it.
    pub fn moved(&self, phases: Phases) -> f32 {
        let mut most = Change { size: 0.0, halves: 1.0 };
        for (phase, channel) in self.channels.iter().enumerate() {
            let change = Change::of(&channel.halves);
            if phases.contains(phase) && change.size > most.size {
                most = change;
            }
        }
        #[expect(clippy::cast_precision_loss, reason = "2^22")]
        let length = self.half as f32 / FRAME as f32;
        length * most.halves
    }

    /// Forgets the half cycles before: after lost frames.
    pub fn interrupt(&mut self) {
        for channel in &mut self.channels {
            channel.locked = false;
            channel.forget();
        }
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use core::f64::consts::{PI, SQRT_2, TAU};
    use std::vec::Vec;

    /// (frame, rms of B over 4e6 counts) of a unit sine of `hz` whose size at frame n is `size(n)`, zero crossing at frame 0.
    fn seen(rated: RatedFrequency, hz: f64, frames: u32, size: impl Fn(f64) -> f64) -> Vec<(u32, f64)> {
        let mut watch = HalfCycles::new(rated);
        watch.set_frequency(hz as f32);
        watch.steer(1, 1.0, true);
        let mut seen = Vec::new();
        for n in 0..frames {
            let n = f64::from(n);
            let sine = size(n) * libm::sin(TAU * hz * n / 4800.0);
            let count = libm::round(sine * SQRT_2 * 4e6) as i32;
            if watch.push(&Frame { channels: [count; 4] }).contains(1) {
                seen.push((n as u32, f64::from(watch.rms()[1]) / 4e6));
            }
        }
        seen
    }

    #[test]
    fn a_step_to_seven_tenths_at_a_zero_crossing() {
        // IEC 61000-4-30 Urms(1/2), worked in numpy: 1, 0.863134 (= sqrt((1 + 0.49)/2)), 0.7.
        let seen = seen(RatedFrequency::Hz60, 60.0, 321, |n| if n < 160.0 { 1.0 } else { 0.7 });
        let expected = [1.0, 1.0, 0.863_134, 0.7, 0.7, 0.7];
        assert_eq!(seen.len(), expected.len());
        for ((_, seen), expected) in seen.iter().zip(expected) {
            assert!((seen - expected).abs() < 2e-5, "{seen} {expected}");
        }
    }

    #[test]
    fn whole_cycles_of_any_frequency_have_the_rms_of_the_sine() {
        for hz in [42.5, 47.3, 50.0, 57.49, 59.9, 60.0, 63.21, 69.0] {
            let rated = if hz < 55.0 { RatedFrequency::Hz50 } else { RatedFrequency::Hz60 };
            let seen = seen(rated, hz, 4800, |_| 1.0);
            assert!(seen.len() as f64 > 2.0 * hz - 4.0);
            for (n, rms) in seen {
                assert!((rms - 1.0).abs() < 2e-5, "{hz} Hz, frame {n}: {rms}");
            }
        }
    }

    #[test]
    fn half_cycles_go_to_the_zero_crossings_without_a_wrong_value() {
        let mut watch = HalfCycles::new(RatedFrequency::Hz60);
        watch.set_frequency(60.0);
        watch.steer(0, 38.0, true);
        for n in 0..9600_u32 {
            let sine = libm::sin(PI * f64::from(n) / 40.0);
            let frame = Frame { channels: [(sine * SQRT_2 * 4e6) as i32; 4] };
            if watch.push(&frame).contains(0) {
                assert!((watch.rms()[0] / 4e6 - 1.0).abs() < 3e-4, "frame {n}");
            }
            if n % 960 == 0 {
                watch.steer(0, 40.0 - (n % 40) as f32, true);
            }
        }
        assert!(watch.channels[0].correction.abs() < FRAME / 50, "{:?}", watch.channels[0]);
    }

    #[test]
    fn a_step_is_placed_within_the_half_cycle() {
        for at in 1500..1580 {
            let at = f64::from(at);
            let mut watch = HalfCycles::new(RatedFrequency::Hz60);
            watch.steer(0, 1.0, true);
            for n in 0..1800_u32 {
                let size = if f64::from(n) < at { 1.0 } else { 0.4 };
                let count = (size * libm::sin(TAU * f64::from(n) / 80.0) * 5e6) as i32;
                if watch.push(&Frame { channels: [count; 4] }).contains(0) && watch.rms()[0] < 0.9 * 3.535e6 {
                    let found = f64::from(n) - f64::from(watch.moved(Phases::ABC));
                    // The newest half cycle is taken to be of the new level. The rms is below 0.9 once 0.19/0.84 of the
                    // cycle is of the new level: 18 of its 40 frames at least.
                    assert!((found - at).abs() < 22.5, "step at {at}: {found}");
                    break;
                }
            }
        }
    }

    #[test]
    fn behind_lost_frames_nothing_is_known() {
        let mut watch = HalfCycles::new(RatedFrequency::Hz50);
        for _ in 0..400 {
            let _ = watch.push(&Frame { channels: [9; 4] });
        }
        watch.interrupt();
        assert!(watch.rms()[0].is_nan());
        assert!((0..90).all(|_| watch.push(&Frame { channels: [9; 4] }) == Phases::NONE));
    }
}
