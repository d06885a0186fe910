//! Windows of 10 or 12 cycles of the measured frequency, without gap or overlap (IEC 61000-4-30 4.4).
//!
//! When the last frame of a window and the kernel's reach behind it are there, the window becomes a job: 1024 points
//! are interpolated, a few at each frame that follows, and then one channel a frame is transformed. Being synchronous,
//! the fundamental falls on one bin of the transform, its harmonics on the multiples of that bin.
//!
//! At the tick that ends an interval a new window begins, and the one that the tick cuts runs on to its end: these two overlap
//! (IEC 61000-4-30 4.5, from memory), no others do.

use wyelog_electrical::Phasor;
use wyelog_protocol::FRAMES_PER_SECOND;
use wyelog_protocol::bank::RatedFrequency;

use super::harmonics::{self, HARMONICS, Harmonics};
use super::history::{Counts, History};
use super::kernel;
use super::position::Position;

/// Points in a window.
const POINTS: usize = 1024;

/// Points interpolated at each frame: a window is ready 37 frames (8 ms) after it was complete, and no step is longer than
/// that of a transform.
const POINTS_PER_FRAME: usize = 32;

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
    /// Third harmonic of the four channels, rms, against three times that angle.
    pub third: [Phasor; 4],
    /// Mean of the four channels.
    pub mean: [f32; 4],
    /// Harmonic subgroups of the four channels, rms.
    pub harmonics: [Harmonics; 4],
    /// Largest instantaneous value of the four channels, of either sign.
    pub peak: [f32; 4],
    /// What of the frame `begin` lies before the first instant, in 2^-32.
    pub fraction: u32,
    /// Length in frames.
    pub length: f32,
    /// Whether a frame in it, or in the ten cycles before it, was clipped or lost.
    pub flagged: bool,
    /// Whether a frame in it was lost: it was measured over zeros in its place.
    pub gap: bool,
    /// Whether it begins at the tick of an interval, before the window before it ended.
    pub overlaps: bool,
    /// What the cycle watch said when it was cut, in Hz.
    pub watch: f32,
}

/// What a window is cut by.
#[derive(Clone, Copy, Debug)]
pub struct Cut {
    /// Frequency that it is made whole cycles of, in Hz.
    pub frequency: f32,
    /// What the cycle watch says, in Hz.
    pub watch: f32,
    /// Frame of the tick at which windows begin anew.
    pub tick: u64,
}

impl Window {
    /// Nothing but zeros in these frames.
    #[expect(clippy::cast_precision_loss, reason = "a window has a thousand frames")]
    pub const fn of_zeros(begin: u64, end: u64) -> Self {
        Self {
            begin,
            end,
            rms: [0.0; 4],
            fundamental: [Phasor::ZERO; 4],
            third: [Phasor::ZERO; 4],
            mean: [0.0; 4],
            harmonics: [[0.0; HARMONICS]; 4],
            peak: [0.0; 4],
            fraction: 0,
            length: end.saturating_sub(begin) as f32,
            flagged: false,
            gap: false,
            overlaps: false,
            watch: f32::NAN,
        }
    }

    /// Its first instant.
    pub const fn first(&self) -> Position {
        Position { frame: self.begin, fraction: self.fraction }
    }
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
    /// Frames in ten cycles of the rated frequency.
    ten_cycles: u64,
    /// Ten cycles behind the last frame that was clipped or lost.
    bad_until: u64,
    /// The last frame that was lost, plus one.
    gap_until: u64,
    /// Whether the next window begins before the last one ends.
    overlaps: bool,
    rms: [f32; 4],
    fundamental: [Phasor; 4],
    third: [Phasor; 4],
    mean: [f32; 4],
    harmonics: [Harmonics; 4],
    peak: [f32; 4],
}

#[derive(Clone, Copy, Debug)]
struct Job {
    begin: Position,
    /// Length in 2^-32 of a frame.
    length: u64,
    /// Where the next point lies.
    at: Position,
    overlaps: bool,
    watch: f32,
    stage: Stage,
}

#[derive(Clone, Copy, Debug)]
enum Stage {
    /// So many points are there.
    Resample(usize),
    /// This channel is next.
    Transform(usize),
    /// It is measured, and waits.
    Measured,
}

impl Windows {
    /// For the rated frequency. The first window begins where the kernel can reach.
    pub const fn new(rated: RatedFrequency) -> Self {
        Self {
            cycles: rated.cycles_per_window(),
            next: Position { frame: kernel::REACH, fraction: 0 },
            job: None,
            ten_cycles: (rated.frames_per_cycle() as u64).wrapping_mul(10),
            bad_until: 0,
            gap_until: 0,
            overlaps: false,
            rms: [0.0; 4],
            fundamental: [Phasor::ZERO; 4],
            third: [Phasor::ZERO; 4],
            mean: [0.0; 4],
            harmonics: [[0.0; HARMONICS]; 4],
            peak: [0.0; 4],
        }
    }

    /// Cycles in a window.
    pub const fn cycles(&self) -> u16 {
        self.cycles
    }

    /// The frame last pushed was clipped: windows that hold it are flagged, and those of the ten cycles behind it, in which a
    /// sensor recovers (common practice, no source).
    pub fn mark_clipped(&mut self, history: &History) {
        self.bad_until = history.count().wrapping_add(self.ten_cycles);
    }

    /// Frames up to the one last pushed were lost: windows that hold them are flagged, and say so, and those of the ten cycles
    /// behind them are flagged.
    pub fn mark_gap(&mut self, history: &History) {
        self.bad_until = history.count().wrapping_add(self.ten_cycles);
        self.gap_until = history.count();
    }

    /// Drops what is under way and begins a new window at the newest frame: after a gap that the history cannot bridge.
    pub const fn restart(&mut self, history: &History) {
        self.job = None;
        self.overlaps = false;
        self.next = Position { frame: history.count().wrapping_add(kernel::REACH), fraction: 0 };
    }

    /// One step, after a frame has been pushed. A window comes out [`DELAY`] frames after its end.
    pub fn step(&mut self, history: &History, points: &mut Points, cut: &Cut) -> Option<Window> {
        match self.job {
            None => {
                self.begin_job(history, cut);
                None
            }
            Some(Job { stage: Stage::Resample(done), .. }) => {
                self.resample(history, points, done);
                None
            }
            Some(Job { stage: Stage::Transform(channel), .. }) => {
                self.transform(points, channel);
                let next = channel.wrapping_add(1);
                self.set_stage(if next < 4 { Stage::Transform(next) } else { Stage::Measured });
                None
            }
            Some(job @ Job { stage: Stage::Measured, .. }) => {
                if history.count() < job.begin.advance(job.length).frame.wrapping_add(DELAY) {
                    return None;
                }
                self.job = None;
                Some(self.window(&job))
            }
        }
    }

    fn begin_job(&mut self, history: &History, cut: &Cut) {
        let Cut { frequency, watch, tick } = *cut;
        #[expect(clippy::cast_precision_loss, reason = "4800 is exact")]
        let frames = f32::from(self.cycles) * FRAMES_PER_SECOND as f32 / frequency;
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "'as' saturates; ≤ 2^43")]
        let length = (frames * 4_294_967_296.0) as u64;
        // The last point lies just before the end, and the kernel reaches TAPS − REACH frames further.
        let end = self.next.advance(length);
        if history.count() <= end.frame.wrapping_add(TAIL) {
            return;
        }
        let begin = self.next;
        let stage = Stage::Resample(0);
        self.job = Some(Job { begin, length, at: begin, overlaps: self.overlaps, watch, stage });
        self.overlaps = begin.frame < tick && tick < end.frame;
        self.next = if self.overlaps { Position { frame: tick, fraction: 0 } } else { end };
    }

    fn resample(&mut self, history: &History, points: &mut Points, done: usize) {
        let Some(job) = &mut self.job else { return };
        let step = job.length.wrapping_shr(POINTS.ilog2());
        let mut scratch = [[0.0; 4]; kernel::TAPS];
        for index in (done..POINTS).take(POINTS_PER_FRAME) {
            let first = job.at.frame.wrapping_sub(kernel::REACH);
            let counts = match history.read(first, &mut scratch) {
                Some(run) => kernel::at(run, job.at.fraction),
                // Cannot happen while a job takes 37 frames; a zero would show as a sag.
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
        let (mut sum, mut peak) = (0.0, 0.0);
        for run in points.chunks_exact(32) {
            // In pieces, so that a small square is not lost beside a large sum.
            let mut piece = 0.0;
            for point in run {
                let square = point * point;
                piece += square;
                if square > peak {
                    peak = square;
                }
            }
            sum += piece;
        }
        let rms = libm::sqrtf(sum * (1.0 / POINTS as f32));
        let bins = microfft::real::rfft_1024(points);
        let bin = |harmonic: u16| {
            bins.get(usize::from(self.cycles.wrapping_mul(harmonic))).copied().unwrap_or_default()
        };
        let (mean, first, third) = (bin(0), bin(1), bin(3));
        // √2 times the mean of x·e^(−jωt): rms.
        let scale = core::f32::consts::SQRT_2 / POINTS as f32;
        if let (Some(place), Some(phasor)) = (self.rms.get_mut(channel), self.fundamental.get_mut(channel)) {
            *place = rms;
            *phasor = Phasor::new(first.re * scale, first.im * scale);
        }
        if let (Some(place), Some(phasor)) = (self.mean.get_mut(channel), self.third.get_mut(channel)) {
            *place = mean.re * (1.0 / POINTS as f32);
            *phasor = Phasor::new(third.re * scale, third.im * scale);
        }
        if let (Some(place), Some(crest)) = (self.harmonics.get_mut(channel), self.peak.get_mut(channel)) {
            *place = harmonics::subgroups(bins, self.cycles, scale);
            *crest = libm::sqrtf(peak);
        }
    }

    fn window(&self, job: &Job) -> Window {
        let Job { begin, length, overlaps, watch, .. } = *job;
        let end = begin.advance(length).frame;
        #[expect(clippy::cast_precision_loss, reason = "24 bits of 43: 1e-7 of the length")]
        let frames = length as f32 * (1.0 / 4_294_967_296.0);
        Window {
            begin: begin.frame,
            end,
            rms: self.rms,
            fundamental: self.fundamental,
            third: self.third,
            mean: self.mean,
            harmonics: self.harmonics,
            peak: self.peak,
            fraction: begin.fraction,
            length: frames,
            flagged: self.bad_until > begin.frame.saturating_sub(kernel::REACH),
            gap: self.gap_until > begin.frame.saturating_sub(kernel::REACH),
            overlaps,
            watch,
        }
    }

    const fn set_stage(&mut self, stage: Stage) {
        if let Some(job) = &mut self.job {
            job.stage = stage;
        }
    }
}

/// A window is told so many frames after its end: a sag that begins in its last cycle has been seen by then, and the window can
/// be flagged.
pub const DELAY: u64 = 120;

/// Frames that the kernel needs behind the instant it is read at.
const TAIL: u64 = kernel::TAPS as u64 - kernel::REACH;

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use crate::frontend::Frame;
    use crate::measure::position::{Sighting, frequency};
    use std::vec::Vec;

    fn windows(rated: RatedFrequency, guess: f32, frames: u32, signal: impl Fn(f64) -> f64) -> Vec<Window> {
        windows_at_ticks(rated, guess, frames, u64::MAX, signal)
    }

    fn windows_at_ticks(
        rated: RatedFrequency,
        guess: f32,
        frames: u32,
        tick: u64,
        signal: impl Fn(f64) -> f64,
    ) -> Vec<Window> {
        let (mut history, mut windows, mut out) = (History::new(), Windows::new(rated), Vec::new());
        let mut points = NO_POINTS;
        for n in 0..frames {
            let count = signal(f64::from(n) / 4800.0) * 8e6;
            history.push(&Frame { channels: [count as i32; 4] });
            out.extend(windows.step(&history, &mut points, &Cut { frequency: guess, watch: guess, tick }));
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

    fn sighting(window: &Window) -> Sighting {
        let [phasor, ..] = window.fundamental;
        Sighting { first: window.first(), end: window.end, length: window.length, phasor }
    }

    #[test]
    fn a_window_begins_at_the_tick_and_only_that_one_overlaps() {
        let turn = core::f64::consts::TAU * 59.37;
        let out = windows_at_ticks(RatedFrequency::Hz60, 59.4, 9600, 3333, |t| 0.5 * libm::cos(turn * t));
        let at = out.iter().position(|window| window.overlaps).unwrap();
        assert_eq!((out[at].begin, out[at].fraction), (3333, 0));
        assert_eq!(out.iter().filter(|window| window.overlaps).count(), 1);
        for (n, pair) in out.windows(2).enumerate() {
            assert!(if n + 1 == at { pair[0].end > 3333 } else { pair[0].end == pair[1].begin });
            let hz = frequency(12, &sighting(&pair[0]), &sighting(&pair[1]));
            if let Some(hz) = hz {
                assert!((f64::from(hz) - 59.37).abs() < 1e-3, "{n}: {hz}");
            } else {
                assert_eq!(n + 1, at);
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
            let hz = frequency(12, &sighting(&pair[0]), &sighting(&pair[1]));
            assert!((f64::from(hz.unwrap()) - 60.013).abs() < 1e-3, "{hz:?}");
        }
    }
}
