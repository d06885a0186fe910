//! What a frame of an opening says: a row of the least squares.
//!
//! Derivatives and currents are taken over blocks of four intervals: the voltage between the block's ends against the
//! charge (Simpson's rule) that flowed meanwhile. Both sides see the same stretch of time, so a block that no pole
//! clears in is exact whatever the waveform, and its noise is a quarter of that of neighbouring frames' difference.

use wyelog_electrical::trig;

use super::{Setup, Term};
use crate::frontend::FULL_SCALE;
use crate::measure::history::{Counts, History};

/// Frames on either side that a row is made of.
pub const REACH: u64 = 4;

/// Frames in that stretch.
const FRAMES: usize = 9;

/// Terms that are fitted, and the data behind them.
pub const TERMS: usize = 20;

/// Makes rows of frames.
#[derive(Clone, Copy, Debug)]
pub struct Rows {
    /// Counts to per unit of the units' rated voltage.
    voltage: [f32; 3],
    /// Counts to per unit of the rated current.
    neutral: f32,
    /// Angle of the fundamental between two frames in rad, and that of the rated frequency.
    angle: f32,
    rated_angle: f32,
}

/// One row. All values are instantaneous, per unit of rated rms ones.
#[derive(Clone, Copy, Debug, Default)]
pub struct Row {
    /// Current of the rated capacitors of A, B, C.
    pub current: [f32; 3],
    /// Voltage of A, B, C: what an angle error of a sensor adds to its current.
    pub voltage: [f32; 3],
    /// What a *delay* of a sensor adds beyond that: harmonics are turned further.
    pub delay: [f32; 3],
    /// Cosine and sine of the fundamental, then of the third harmonic, of rms 1.
    pub stray: [f32; 4],
    /// Neutral current.
    pub neutral: f32,
    /// Whether a frame of it stands at an end of the converter's range.
    pub clipped: bool,
}

impl Rows {
    /// For the scaling and the frequency of a setup.
    pub fn new(setup: &Setup) -> Self {
        const RADIANS: f32 = core::f32::consts::TAU / crate::FRAMES_PER_SECOND as f32;
        let angle = RADIANS * setup.frequency;
        Self {
            voltage: setup.scaling.voltage.map(|scale| scale * setup.scaling.unit_ratio),
            neutral: setup.scaling.neutral,
            angle,
            rated_angle: RADIANS * setup.scaling.rated_hz,
        }
    }

    /// Frames in a cycle.
    pub fn cycle(&self) -> f32 {
        core::f32::consts::TAU / self.angle
    }

    /// The row of a frame that is `place` frames behind the one where the strays' angle is zero.
    pub fn row(&self, history: &History, frame: u64, place: f32) -> Option<Row> {
        let mut scratch = [[0.0; 4]; FRAMES];
        let run = history.read(frame.checked_sub(REACH)?, &mut scratch)?;
        let [m4, _, m2, m1, now, p1, p2, _, p4] = run;
        let mut row = Row { clipped: run.iter().any(clipped), ..Row::default() };
        let per_charge = 0.25 / self.rated_angle;
        let per_curvature = 0.25 * per_charge / self.angle;
        for (phase, scale) in self.voltage.into_iter().enumerate() {
            let at = |counts: &Counts| counts.get(phase).copied().unwrap_or(0.0) * scale;
            let turned = (at(now) + at(now) - at(m4) - at(p4)) * per_curvature;
            for (value, target) in [
                ((at(p2) - at(m2)) * per_charge, &mut row.current),
                (at(now), &mut row.voltage),
                (turned - at(now), &mut row.delay),
            ] {
                if let Some(target) = target.get_mut(phase) {
                    *target = value;
                }
            }
        }
        let neutral = |[_, _, _, counts]: &Counts| *counts;
        let inner = 4.0 * (neutral(m1) + neutral(p1)) + 2.0 * neutral(now);
        row.neutral = (neutral(m2) + neutral(p2) + inner) * (self.neutral / 12.0);
        let (sin, cos) = trig::sin_cos(self.angle * place);
        let (sin_3, cos_3) = trig::sin_cos(3.0 * self.angle * place);
        row.stray = [cos, sin, cos_3, sin_3].map(|part| part * core::f32::consts::SQRT_2);
        Some(row)
    }
}

impl Row {
    /// The terms of the fit, in the order of [`Term`]; `carrying` are the phases whose poles have not cleared.
    pub fn terms(&self, carrying: [bool; 3]) -> [f32; TERMS] {
        let gates = carrying.map(|carries| if carries { 1.0 } else { 0.0 });
        let [fundamental_cos, fundamental_sin, third_cos, third_sin] = self.stray;
        let mut terms = [0.0; TERMS];
        let mut put = |term: Term, values: [f32; 3]| {
            for (place, value) in terms.iter_mut().skip(term as usize).zip(values) {
                *place = value;
            }
        };
        let gated = |values: [f32; 3]| {
            let ([a, b, c], [x, y, z]) = (gates, values);
            [a * x, b * y, c * z]
        };
        put(Term::Angle, gated(self.voltage));
        put(Term::Delay, gated(self.delay));
        put(Term::ThirdCos, gated([third_cos; 3]));
        put(Term::ThirdSin, gated([third_sin; 3]));
        put(Term::StrayFundamental, [fundamental_cos, fundamental_sin, 0.0]);
        put(Term::StrayThird, [third_cos, third_sin, 0.0]);
        put(Term::Connected, gated(self.current));
        put(Term::Data, [self.neutral, 0.0, 0.0]);
        terms
    }
}

fn clipped(counts: &Counts) -> bool {
    const LIMIT: f32 = FULL_SCALE as f32;
    counts.iter().any(|count| count.abs() >= LIMIT)
}
