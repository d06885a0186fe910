//! Windows of 10 or 12 cycles of the measured frequency, without gap or overlap (IEC 61000-4-30 4.4).
//!
//! When the last frame of a window and the kernel's reach behind it are there, the window becomes a job: 1024 points
//! are interpolated, a few at each frame that follows, and then one channel a frame is transformed. Being synchronous,
//! the fundamental falls on one bin of the transform, its harmonics on the multiples of that bin.

use wyelog_electrical::Phasor;
use wyelog_protocol::FRAMES_PER_SECOND;
use wyelog_protocol::bank::RatedFrequency;

use super::history::{Counts, History};
use super::kernel;

/// Points in a window.
const POINTS: usize = 1024;

/// Points interpolated at each frame: a window is ready 103 frames (21 ms) after it was complete, and the step
/// stays short.
const POINTS_PER_FRAME: usize = 10;

/// A position between frames: whole frames since the start, and 2^-32 of one.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Position {
    /// Whole frames since the start.
    pub frame: u64,
    /// Part of a frame in 2^-32.
    pub fraction: u32,
}

impl Position {
    /// The position `q32` (frames in 2^-32) later.
    const fn advance(self, q32: u64) -> Self {
        let (fraction, carry) = self.fraction.overflowing_add((q32 & 0xFFFF_FFFF) as u32);
        let whole = self.frame.wrapping_add(q32 >> 32);
        Self { frame: if carry { whole.wrapping_add(1) } else { whole }, fraction }
    }
}

/// What a window measured, in counts.
#[derive(Clone, Copy, Debug)]
pub struct Window {
    /// Frame of its first instant.
    pub begin: u64,
    /// Frame of its end: of the next window's first instant.
    pub end: u64,
    /// True rms of A, B, C and the neutral current.
    pub rms: [f32; 4],
    /// Fundamental of the four channels, rms, against an arbitrary common angle.
    pub fundamental: [Phasor; 4],
    /// Length in frames.
    pub length: f32,
    /// Whether a frame in it was clipped or lost.
    pub flagged: bool,
    /// Whether a frame in it was lost: it was measured over zeros in its place.
    pub gap: bool,
}

/// The points of the window under way, by channel: 16 KiB, so they are lent at each step and lie where the caller
/// wants them.
pub type Points = [[f32; POINTS]; 4];

/// No points yet.
pub const NO_POINTS: Points = [[0.0; POINTS]; 4];

/// Cuts the stream of frames into windows and measures them.
#[derive(Debug)]
pub struct Windows {
    cycles: u16,
    /// First instant of the next window.
    next: Position,
    job: Option<Job>,
    /// The last frame that was clipped or lost, plus one.
    bad_until: u64,
    /// The last frame that was lost, plus one.
    gap_until: u64,
    rms: [f32; 4],
    fundamental: [Phasor; 4],
}

#[derive(Clone, Copy, Debug)]
struct Job {
    begin: Position,
    /// Length in 2^-32 of a frame.
    length: u64,
    /// Where the next point lies.
    at: Position,
    stage: Stage,
}

#[derive(Clone, Copy, Debug)]
enum Stage {
    /// So many points are there.
    Resample(usize),
    /// This channel is next.
    Transform(usize),
}

impl Windows {
    /// For the rated frequency. The first window begins where the kernel can reach.
    pub const fn new(rated: RatedFrequency) -> Self {
        Self {
            cycles: rated.cycles_per_window(),
            next: Position { frame: kernel::REACH, fraction: 0 },
            job: None,
            bad_until: 0,
            gap_until: 0,
            rms: [0.0; 4],
            fundamental: [Phasor::ZERO; 4],
        }
    }

    /// Cycles in a window.
    pub const fn cycles(&self) -> u16 {
        self.cycles
    }

    /// The frame last pushed was clipped: windows that hold it are flagged.
    pub const fn mark_clipped(&mut self, history: &History) {
        self.bad_until = history.count();
    }

    /// Frames up to the one last pushed were lost: windows that hold it are flagged, and say so.
    pub const fn mark_gap(&mut self, history: &History) {
        self.bad_until = history.count();
        self.gap_until = history.count();
    }

    /// Drops what is under way and begins a new window at the newest frame: after a gap that the history cannot bridge.
    pub const fn restart(&mut self, history: &History) {
        self.job = None;
        self.next = Position { frame: history.count().wrapping_add(kernel::REACH), fraction: 0 };
    }

    /// One step, after a frame has been pushed; `frequency` in Hz places the end of the next window.
    /// A window comes out some 110 frames after its end.
    pub fn step(&mut self, history: &History, points: &mut Points, frequency: f32) -> Option<Window> {
        match self.job {
            None => {
                self.begin_job(history, frequency);
                None
            }
            Some(Job { stage: Stage::Resample(done), .. }) => {
                self.resample(history, points, done);
                None
            }
            Some(Job { stage: Stage::Transform(channel), begin, length, .. }) => {
                self.transform(points, channel);
                if channel < 3 {
                    self.set_stage(Stage::Transform(channel.wrapping_add(1)));
                    return None;
                }
                self.job = None;
                Some(self.window(begin, length))
            }
        }
    }

    fn begin_job(&mut self, history: &History, frequency: f32) {
        #[expect(clippy::cast_precision_loss, reason = "4800 is exact")]
        let frames = f32::from(self.cycles) * FRAMES_PER_SECOND as f32 / frequency;
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "'as' saturates; ≤ 2^43")]
        let length = (frames * 4_294_967_296.0) as u64;
        // The last point lies just before the end, and the kernel reaches TAPS − REACH frames further.
        let last_needed = self.next.advance(length).frame.wrapping_add(TAIL);
        if history.count() <= last_needed {
            return;
        }
        self.job = Some(Job { begin: self.next, length, at: self.next, stage: Stage::Resample(0) });
        self.next = self.next.advance(length);
    }

    fn resample(&mut self, history: &History, points: &mut Points, done: usize) {
        let Some(job) = &mut self.job else { return };
        let step = job.length.wrapping_shr(POINTS.ilog2());
        let mut scratch = [[0.0; 4]; kernel::TAPS];
        for index in (done..POINTS).take(POINTS_PER_FRAME) {
            let first = job.at.frame.wrapping_sub(kernel::REACH);
            let counts = match history.read(first, &mut scratch) {
                Some(run) => kernel::at(run, job.at.fraction),
                // Cannot happen while a job takes 103 frames; a zero would show as a sag.
                None => Counts::default(),
            };
            for (channel, count) in points.iter_mut().zip(counts) {
                if let Some(place) = channel.get_mut(index) {
                    *place = count;
                }
            }
            job.at = job.at.advance(step);
        }
        let done = done.saturating_add(POINTS_PER_FRAME);
        self.set_stage(if done < POINTS { Stage::Resample(done) } else { Stage::Transform(0) });
    }

    fn transform(&mut self, points: &mut Points, channel: usize) {
        let Some(points) = points.get_mut(channel) else { return };
        let mut sum = 0.0;
        for run in points.chunks_exact(32) {
            // In pieces, so that a small square is not lost beside a large sum.
            let mut piece = 0.0;
            for point in run {
                piece += point * point;
            }
            sum += piece;
        }
        let rms = libm::sqrtf(sum * (1.0 / POINTS as f32));
        let bins = microfft::real::rfft_1024(points);
        let bin = bins.get(usize::from(self.cycles)).copied().unwrap_or_default();
        // √2 times the mean of x·e^(−jωt): rms.
        let scale = core::f32::consts::SQRT_2 / POINTS as f32;
        if let (Some(place), Some(phasor)) = (self.rms.get_mut(channel), self.fundamental.get_mut(channel)) {
            *place = rms;
            *phasor = Phasor::new(bin.re * scale, bin.im * scale);
        }
    }

    fn window(&self, begin: Position, length: u64) -> Window {
        let end = begin.advance(length).frame;
        #[expect(clippy::cast_precision_loss, reason = "24 bits of 43: 1e-7 of the length")]
        let frames = length as f32 * (1.0 / 4_294_967_296.0);
        Window {
            begin: begin.frame,
            end,
            rms: self.rms,
            fundamental: self.fundamental,
            length: frames,
            flagged: self.bad_until > begin.frame.saturating_sub(kernel::REACH),
            gap: self.gap_until > begin.frame.saturating_sub(kernel::REACH),
        }
    }

    const fn set_stage(&mut self, stage: Stage) {
        if let Some(job) = &mut self.job {
            job.stage = stage;
        }
    }
}

/// Frames that the kernel needs behind the instant it is read at.
const TAIL: u64 = kernel::TAPS as u64 - kernel::REACH;

/// The measured frequency: from how far the fundamental's phase moved between two windows that follow each other.
///
/// Both were cut to whole cycles of an estimate; where that was off, the phase at the second window's middle is not
/// what it should be, and the difference tells the true frequency, free of harmonics.
pub fn frequency(cycles: u16, before: (Phasor, f32), after: (Phasor, f32)) -> Option<f32> {
    let ((phase_before, length_before), (phase_after, length_after)) = (before, after);
    let between = 0.5 * (length_before + length_after);
    let turn = (phase_after * phase_before.conj()).direction()?.angle();
    #[expect(clippy::cast_precision_loss, reason = "4800 is exact")]
    let hz = (f32::from(cycles) + turn / core::f32::consts::TAU) * FRAMES_PER_SECOND as f32 / between;
    hz.is_finite().then_some(hz)
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use crate::frontend::Frame;
    use std::vec::Vec;

    fn windows(rated: RatedFrequency, guess: f32, frames: u32, signal: impl Fn(f64) -> f64) -> Vec<Window> {
        let (mut history, mut windows, mut out) = (History::new(), Windows::new(rated), Vec::new());
        let mut points = NO_POINTS;
        for n in 0..frames {
            let count = signal(f64::from(n) / 4800.0) * 8e6;
            history.push(&Frame { channels: [count as i32; 4] });
            out.extend(windows.step(&history, &mut points, guess));
        }
        out
    }

    #[test]
    fn windows_follow_each_other_without_gap() {
        let out = windows(RatedFrequency::Hz60, 59.37, 48_000, |_| 0.1);
        assert!(out.len() >= 48, "{}", out.len());
        for pair in out.windows(2) {
            assert_eq!(pair[0].end, pair[1].begin);
        }
        let frames: f64 = out.iter().map(|w| f64::from(w.length)).sum();
        let span = out.last().unwrap().end - out[0].begin;
        assert!((frames - span as f64).abs() < 1.5);
    }

    #[test]
    fn rms_and_fundamental_are_good_to_a_hundred_thousandth() {
        for (rated, hz) in [
            (RatedFrequency::Hz50, 42.5),
            (RatedFrequency::Hz50, 50.0),
            (RatedFrequency::Hz50, 57.5),
            (RatedFrequency::Hz60, 51.0),
            (RatedFrequency::Hz60, 59.9),
            (RatedFrequency::Hz60, 69.0),
        ] {
            let turn = core::f64::consts::TAU * hz;
            let out = windows(rated, hz as f32, 9600, |t| {
                0.5 * libm::cos(turn * t + 0.4)
                    + 0.02 * libm::cos(5.0 * turn * t)
                    + 0.01 * libm::cos(7.0 * turn * t)
            });
            let expected = libm::sqrt((0.25 + 0.0004 + 0.0001) / 2.0);
            for window in &out {
                let rms = f64::from(window.rms[0]) / 8e6;
                let fundamental = f64::from(window.fundamental[2].magnitude()) / 8e6;
                assert!((rms / expected - 1.0).abs() < 1e-5, "{hz} Hz: rms {rms} {expected}");
                let true_value = 0.5 * core::f64::consts::FRAC_1_SQRT_2;
                assert!((fundamental / true_value - 1.0).abs() < 1e-5, "{hz} Hz: {fundamental}");
            }
        }
    }

    #[test]
    fn the_frequency_comes_from_the_phase_between_windows() {
        let turn = core::f64::consts::TAU * 60.013;
        // The windows are cut for 60.02 Hz: 7 mHz off.
        let out = windows(RatedFrequency::Hz60, 60.02, 9600, |t| {
            0.5 * libm::cos(turn * t) + 0.05 * libm::cos(3.0 * turn * t) + 0.05 * libm::cos(5.0 * turn * t)
        });
        for pair in out.windows(2) {
            let hz = frequency(
                12,
                (pair[0].fundamental[0], pair[0].length),
                (pair[1].fundamental[0], pair[1].length),
            );
            assert!((f64::from(hz.unwrap()) - 60.013).abs() < 1e-3, "{hz:?}");
        }
    }
}
