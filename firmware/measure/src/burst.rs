//! Neutral current that the voltages do not explain, from frame to frame: poles that clear or close one after the other,
//! fault current through a fuse, a pole that restrikes.
//!
//! Poles never clear together: each does at its own current zero, 60° from the next, so at every opening the neutral carries one
//! or two phases alone for a third of a cycle at least. A lead that breaks leaves no such trace.

use wyelog_electrical::trig;

use crate::FRAMES_PER_SECOND;
use crate::history::{Counts, History};

/// Quarter-cycle rms of the unexplained current beyond which, above its usual level, something is going on, per unit of the
/// rated current. A phase alone gives 0.6 at least.
const BEGINS: f32 = 0.2;
/// Below this above the usual level it is quiet again.
const QUIET: f32 = 0.1;

/// A pole restrikes within half a second, if it does.
const AGAIN: u64 = FRAMES_PER_SECOND as u64 / 2;

/// Frames that a quarter cycle at 50 Hz is judged by: 24, and one on each side.
const LONGEST: usize = 26;

/// What went on, since when.
#[derive(Clone, Copy, Debug, Default)]
pub struct Burst {
    /// First frame.
    pub begin: u64,
    /// Frame behind the last one so far.
    pub end: u64,
    /// Largest instantaneous neutral current, per unit of the rms rated current.
    pub peak: f32,
    /// The same as it usually was before.
    pub crest: f32,
    /// How often it came back after half a cycle of quiet.
    pub returns: u8,
    /// The phase whose capacitor carries the current of its peak, since it last came back: 0 to 2.
    pub phase: u8,
}

/// How far the neutral current is from the current of each capacitor alone, and how large that is: sums of sizes. Size and sign
/// count: the phases beside one that restrikes ring with it through the source, in its shape but smaller. Sums of squares would
/// rest on the few frames in which the voltage of the line jumps to that of the capacitor: no current flows by that.
#[derive(Clone, Copy, Debug, Default)]
struct Shape {
    misfit: [f32; 3],
    own: [f32; 3],
}

impl Shape {
    fn push(&mut self, current: f32, alone: [f32; 3]) {
        for ((misfit, own), alone) in self.misfit.iter_mut().zip(&mut self.own).zip(alone) {
            *misfit += (current - alone).abs();
            *own += alone.abs();
        }
    }

    /// The phase that is nearest.
    fn phase(&self) -> u8 {
        let (mut best, mut least) = (0, f32::INFINITY);
        for ((misfit, own), phase) in self.misfit.into_iter().zip(self.own).zip(0_u8..) {
            let apart = misfit / own;
            if apart < least {
                (best, least) = (phase, apart);
            }
        }
        best
    }
}

/// Watches the frames.
#[derive(Debug)]
pub struct Bursts {
    /// From the difference of frames two apart, in counts, to the rated capacitor's current, per unit.
    gain: [f32; 3],
    /// The same times what each phase is taken to carry.
    weight: [f32; 3],
    /// Counts to per unit of the rated current.
    neutral: f32,
    frames: u8,
    quarter: u8,
    /// Usual mean square of a quarter cycle, of this one and of the next: those of a sine swing from one to the other by two
    /// thirds, and stand still from one half cycle to the next.
    usual: [f32; 2],
    /// Usual crest of the neutral current: harmonics of a feeder in resonance with the bank can be larger than the rated current.
    crest: f32,
    quiet: u8,
    /// Largest current since it last came back.
    since: f32,
    /// Quarter cycles until what was changed in the weights is in effect.
    unsettled: u8,
    burst: Option<Burst>,
}

impl Bursts {
    /// `voltage` and `neutral` make per unit of the units' rated voltage and of the rated current from counts.
    pub fn new(voltage: [f32; 3], neutral: f32, frames_per_cycle: u16) -> Self {
        // (v[n+1] − v[n−1]) / (2 sin ωT) is dv/d(ωt) of a sine.
        let (sin, _) = trig::sin_cos(core::f32::consts::TAU / f32::from(frames_per_cycle));
        let gain = voltage.map(|scale| scale / (2.0 * sin));
        Self {
            gain,
            weight: gain,
            neutral,
            frames: 0,
            quarter: u8::try_from(frames_per_cycle / 4).unwrap_or(u8::MAX),
            usual: [0.0; 2],
            crest: 0.0,
            quiet: 0,
            since: 0.0,
            unsettled: 4,
            burst: None,
        }
    }

    /// What each phase is taken to carry from here on, over its rated capacitance: 0 for one that is open.
    pub fn expect(&mut self, y: [f32; 3]) {
        for ((weight, gain), y) in self.weight.iter_mut().zip(self.gain).zip(y) {
            let new = gain * y;
            if (new - *weight).abs() > 0.2 * gain {
                self.unsettled = 2;
            }
            *weight = new;
        }
    }

    /// A frame has been pushed; at the end of a quarter cycle, its frames are looked at together.
    pub fn push(&mut self, history: &History) {
        self.frames = self.frames.wrapping_add(1);
        if self.frames >= self.quarter {
            self.frames = 0;
            let mut scratch = [[0.0; 4]; LONGEST];
            let first = history.count().checked_sub(LONGEST as u64);
            if let Some(frames) = first.and_then(|first| history.read(first, &mut scratch)) {
                self.end_quarter(frames, history.count());
            }
        }
    }

    /// The current of the neutral in the middle one of three frames, and the steps of the voltages across it.
    fn around(neutral_scale: f32, frames: &[Counts; 3]) -> (f32, [f32; 3]) {
        let [[a0, b0, c0, _], [_, _, _, neutral], [a, b, c, _]] = *frames;
        (neutral * neutral_scale, [a - a0, b - b0, c - c0])
    }

    #[inline(never)]
    fn end_quarter(&mut self, frames: &[Counts; LONGEST], frame: u64) {
        let skipped = LONGEST.saturating_sub(2).saturating_sub(usize::from(self.quarter));
        let threes = frames.array_windows::<3>().skip(skipped);
        let [wa, wb, wc] = self.weight;
        let (mut squares, mut peak) = (0.0, 0.0);
        for three in threes.clone() {
            let (current, [da, db, dc]) = Self::around(self.neutral, three);
            let unexplained = current - da * wa - db * wb - dc * wc;
            squares += unexplained * unexplained;
            let size = current.abs();
            peak = if size > peak { size } else { peak };
        }
        let mean = squares / f32::from(self.quarter);
        let [usual, other] = self.usual;
        if self.unsettled > 0 || !mean.is_finite() {
            self.unsettled = self.unsettled.saturating_sub(1);
            self.usual = [other, if mean.is_finite() { mean } else { 0.0 }];
            return;
        }
        let above = |limit: f32| mean > usual + limit * limit;
        let begin = frame.saturating_sub(u64::from(self.quarter));
        if above(BEGINS) {
            let is_new = self.burst.is_none();
            let burst =
                self.burst.get_or_insert(Burst { begin, end: frame, crest: self.crest, ..Burst::default() });
            let returns = !is_new && self.quiet >= 2 && frame.saturating_sub(burst.begin) < AGAIN;
            if returns {
                burst.returns = burst.returns.saturating_add(1);
            }
            burst.end = frame;
            if is_new || returns || peak > self.since {
                self.since = peak;
                let [ga, gb, gc] = self.gain;
                let mut shape = Shape::default();
                for three in threes {
                    let (current, [da, db, dc]) = Self::around(self.neutral, three);
                    shape.push(current, [da * ga, db * gb, dc * gc]);
                }
                burst.phase = shape.phase();
            }
            burst.peak = if peak > burst.peak { peak } else { burst.peak };
            self.quiet = 0;
        } else if above(QUIET) {
            if let Some(burst) = &mut self.burst {
                burst.peak = if peak > burst.peak { peak } else { burst.peak };
            }
        } else {
            self.quiet = self.quiet.saturating_add(1);
            self.crest += (peak - self.crest) * (1.0 / 16.0);
        }
        // What lasts becomes the usual: within a second, or two if it is as large as the rated current.
        self.usual = [other, usual + (mean - usual) * (1.0 / 32.0)];
    }

    /// The burst that was going on last, until it is taken.
    pub const fn burst(&self) -> Option<&Burst> {
        self.burst.as_ref()
    }

    /// It has been dealt with.
    pub const fn clear(&mut self) {
        self.burst = None;
    }

    /// After lost frames: the next quarter cycles mean nothing.
    pub const fn interrupt(&mut self) {
        self.unsettled = 4;
        self.frames = 0;
    }
}

#[cfg(test)]
mod tests;
