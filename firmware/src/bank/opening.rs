//! What an opening tells: the absolute connected capacitance of each phase, and the current zero at which its pole
//! cleared.
//!
//! In steady state the three currents of a grounded bank nearly cancel in the neutral, and only differences between
//! the phases can be seen. At an opening each pole clears at a zero of its own current; the three are 60° apart, so
//! for a third of a cycle or more the neutral carries one or two phases alone. A least-squares fit in time over those
//! milliseconds, from a cycle and a half before the first clearing to a cycle behind the last:
//!
//! `i_n = Σ gate_p·(y_p·i_p + errors of p) + strays`, where `i_p` is what the rated capacitor would draw at the
//! measured voltage. Errors of a phase are an angle error (a part of its voltage), a delay (the same, but growing
//! with the order) and a third harmonic made by its sensor; strays flow without the bank: a fundamental and a third.
//! All of them have priors, so the covariance is honest about what they can hide. Which zeros the poles cleared at is
//! found first (`clearing`), by trying all combinations with the strays alone.
//!
//! Frames closer than three to a clearing are left out: there a voltage on the line side jumps (the bank no longer
//! lifts it) and a filter smears both sides.
//!
//! Errors of size of the sensors go into `y` one to one and leave no trace in the fit: they enter the covariance as the
//! angles that were found say of sensors of their class ([`Class`]).

mod clearing;
mod rows;
mod solve;

use super::class::{Class, Shown};
use crate::frontend::Scaling;
use crate::measure::history::History;
use clearing::{COMBINATIONS, Search};
use rows::{REACH, Row, Rows, TERMS};
use solve::{Normal, packed};

/// Frames walked along in a step of the search, and combinations tried.
const SEARCH_FRAMES: u8 = 16;
const TRIED: u16 = 8;

/// Frames summed up in a step of the fit.
const FIT_FRAMES: u8 = 8;

/// Cycles before the earliest clearing that the fit uses, behind it that the last pole may clear in, and behind that
/// one.
const CYCLES_BEFORE: f32 = 1.5;
const CYCLES_OPENING: f32 = 3.0;
const CYCLES_BEHIND: f32 = 1.0;

/// A clearing may be seen so much before the earliest moment that was told: cycles.
const EARLY: f32 = 0.25;

/// Frames on either side of a clearing that are left out.
const LEFT_OUT: f32 = 3.0;

/// Prior σ of strays over the largest stray that the class allows, and of a sensor's own third over the largest one, which the
/// capacitor makes three times as large a current of.
const STRAY: f32 = 0.667;
const STRAY_THIRD: f32 = 0.833;
const THIRD_OWN: f32 = 1.0;

/// Prior σ of what all phases share, the current sensor's own: of its error at the third, per unit of the rated current; of its
/// angle and its delay in rad.
const THIRD_SHARED: f32 = 0.002;
const ANGLE_SHARED: f32 = 0.01;
const DELAY_SHARED: f32 = 0.02;

/// σ of the connected capacitance before: nothing is known.
const CONNECTED: f32 = 10.0;

/// Noise of the data to begin with; least one; how much larger than its scatter it counts, because neighbouring
/// blocks share three quarters of their frames.
const NOISE: f32 = 0.004;
const LEAST_NOISE: f32 = 0.002;
const NEIGHBOURS: f32 = 2.5;

/// Scatter that is noise: voltages of 0.04 % through the derivative of three phases. More is harmonics that the terms do not
/// describe; it goes on in one direction over many blocks, and counts so much more.
const WHITE: f32 = 0.003;
const COLOURED: f32 = 5.0;

/// The angles are at first as free as the class allows at most, over their σ.
const FREE: f32 = 1.73;

/// More scatter than this is not the opening of a bank: a restrike, a sensor that broke. While the voltages stand still it may be
/// more, from a pole that does not clear at its zero exactly.
const MOST_SCATTER: f32 = 0.012;
const MOST_SCATTER_STILL: f32 = 0.035;

/// The voltages stand still when their mean square over a cycle changes by less than this part.
const STILL: f32 = 0.06;

/// A common part with a larger σ is no result.
const MOST_SIGMA: f32 = 0.05;

/// `y` of a phase that is connected, and of any phase.
const CARRIED: f32 = 0.1;
const PLAUSIBLE: core::ops::RangeInclusive<f32> = -0.2..=2.5;

/// Sums of the fit.
type Sums = Normal<{ packed(TERMS) }>;

/// The terms of the fit: the first of a group's places.
#[derive(Clone, Copy, Debug)]
enum Term {
    Angle = 0,
    Delay = 3,
    ThirdCos = 6,
    ThirdSin = 9,
    StrayFundamental = 12,
    StrayThird = 14,
    Connected = 16,
    Data = 19,
}

/// What an opening is looked at with.
#[derive(Clone, Copy, Debug)]
pub struct Setup {
    /// Counts to per unit.
    pub scaling: Scaling,
    /// Frequency in Hz.
    pub frequency: f32,
    /// Sensors.
    pub class: Class,
    /// What these have shown before.
    pub shown: Shown,
}

/// What a step came to.
#[derive(Clone, Copy, Debug)]
pub enum Progress {
    /// Frames are missing yet.
    Waiting,
    /// There is more to compute.
    Working,
    /// The result; the same at every later step.
    Done(Clearing),
    /// There is none, for this reason; the same at every later step.
    NotIdentifiable(Reason),
}

/// Why an opening tells nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reason {
    /// The frames have left the history, or the frequency is unknown.
    NoFrames,
    /// A channel was clipped.
    Clipped,
    /// No phase that carried has cleared, or the clearing shows too little of the common part.
    NoOpening,
    /// The clearing of three poles does not explain what was measured: a restrike, a sensor that broke.
    Unexplained,
}

/// What an opening told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Clearing {
    /// Connected capacitance over the rated one of A, B, C.
    pub y: [f32; 3],
    /// Covariance of the three.
    pub covariance: [[f32; 3]; 3],
    /// Frame that [`Self::zero_frame`] counts from.
    pub begin: u64,
    /// Frames from `begin` to the zero of its current at which each pole cleared; `None` for a phase that carried
    /// nothing before, or still does.
    pub zero_frame: [Option<f32>; 3],
    /// Whether a phase still carries behind the opening.
    pub carries_on: [bool; 3],
    /// What is left unexplained: rms, per unit of the rated current.
    pub scatter: f32,
}

impl Clearing {
    /// Mean of the three `y` and its σ.
    pub fn common(&self) -> (f32, f32) {
        let mean = self.y.iter().fold(0.0, |sum, y| sum + y) / 3.0;
        let sum = self.covariance.iter().flatten().fold(0.0, |sum, part| sum + part);
        (mean, libm::sqrtf(sum) / 3.0)
    }

    /// σ of a phase's difference from the mean: that of all three alike.
    pub fn difference_sigma(&self) -> f32 {
        let (_, common) = self.common();
        let [[a, ..], [_, b, _], [.., c]] = self.covariance;
        let rest = (a + b + c) / 3.0 - common * common;
        if rest > 0.0 { libm::sqrtf(rest) } else { 0.0 }
    }

    /// σ of each `y`.
    pub fn sigma(&self) -> [f32; 3] {
        let [[a, ..], [_, b, _], [.., c]] = self.covariance;
        [a, b, c].map(libm::sqrtf)
    }

    /// For each pole how many others cleared before it.
    pub fn order(&self) -> [Option<u8>; 3] {
        self.zero_frame.map(|zero| {
            let zero = zero?;
            let before = |other: &&Option<f32>| other.is_some_and(|other| other < zero);
            u8::try_from(self.zero_frame.iter().filter(before).count()).ok()
        })
    }
}

/// The fit of one opening, a piece at a step.
#[derive(Debug)]
pub struct Opening {
    setup: Setup,
    rows: Rows,
    begin: u64,
    /// Frames from `begin` to the next one, and to the end.
    place: u16,
    length: u16,
    stage: Stage,
}

#[derive(Debug)]
enum Stage {
    /// Walks along the frames, and then tries combinations of zeros: this one is next.
    Search(Search, u16),
    /// Sums up the rows with these clearings, so many as yet.
    Sum(Sums, [f32; 3], u16),
    End(Result<Clearing, Reason>),
}

impl Opening {
    /// Of a bank whose first pole cleared at frame `earliest` or up to a cycle and a half later, and its last one
    /// within three cycles. That and a cycle and a half before has to be in the history while the steps are made:
    /// about 200 steps behind the fourth cycle.
    pub fn new(setup: Setup, earliest: u64) -> Self {
        let rows = Rows::new(&setup);
        let cycle = rows.cycle();
        let plausible = cycle > 60.0 && cycle < 120.0;
        let cycles = |count: f32| if plausible { whole(count * cycle) } else { 0 };
        let length = cycles(CYCLES_BEFORE + CYCLES_OPENING + CYCLES_BEHIND);
        let begin = earliest.checked_sub(u64::from(cycles(CYCLES_BEFORE)));
        let possible = begin.filter(|begin| plausible && *begin >= REACH);
        let stage = match possible {
            Some(_) => Stage::Search(Search::new(), 0),
            None => Stage::End(Err(Reason::NoFrames)),
        };
        Self { setup, rows, begin: possible.unwrap_or(0), place: 0, length, stage }
    }

    /// Goes on by a bounded piece; to be called at each frame.
    pub fn step(&mut self, history: &History) -> Progress {
        let behind = self.begin.saturating_add(u64::from(self.length)).saturating_add(REACH);
        if !matches!(self.stage, Stage::End(_)) {
            if history.count() <= behind {
                return Progress::Waiting;
            }
            if let Err(reason) = self.advance(history) {
                self.stage = Stage::End(Err(reason));
            }
        }
        match &self.stage {
            Stage::End(Ok(clearing)) => Progress::Done(*clearing),
            Stage::End(Err(reason)) => Progress::NotIdentifiable(*reason),
            _ => Progress::Working,
        }
    }

    fn advance(&mut self, history: &History) -> Result<(), Reason> {
        match &mut self.stage {
            Stage::Search(search, _) if self.place < self.length => {
                let from = (CYCLES_BEFORE - EARLY) * self.rows.cycle();
                for _ in 0..SEARCH_FRAMES {
                    if self.place < self.length {
                        let row = row(&self.rows, history, self.begin, self.place)?;
                        search.add(&row, f32::from(self.place), from);
                        self.place = self.place.wrapping_add(1);
                    }
                }
            }
            Stage::Search(search, next) => {
                for combination in *next..next.wrapping_add(TRIED) {
                    search.try_one(combination);
                }
                *next = next.wrapping_add(TRIED);
                if *next >= COMBINATIONS {
                    let zeros = search.best();
                    self.narrow(zeros);
                    self.stage = Stage::Sum(Normal::new(), zeros, 0);
                }
            }
            Stage::Sum(sums, zeros, count) if self.place >= self.length => {
                let most = if is_still(history, self.begin, self.length, self.rows.cycle()) {
                    MOST_SCATTER_STILL
                } else {
                    MOST_SCATTER
                };
                let clearing = solve(&self.setup, sums, *count, *zeros)?;
                if clearing.scatter >= most {
                    return Err(Reason::Unexplained);
                }
                let clearing = Clearing { begin: self.begin, ..clearing };
                self.stage = Stage::End(Ok(clearing));
            }
            Stage::Sum(sums, zeros, count) => {
                for _ in 0..FIT_FRAMES {
                    if self.place < self.length {
                        let place = f32::from(self.place);
                        let row = row(&self.rows, history, self.begin, self.place)?;
                        if zeros.iter().all(|zero| (place - zero).abs() >= LEFT_OUT) {
                            sums.add(&row.terms(zeros.map(|zero| place < zero)));
                            *count = count.wrapping_add(1);
                        }
                        self.place = self.place.wrapping_add(1);
                    }
                }
            }
            Stage::End(_) => {}
        }
        Ok(())
    }

    /// From a cycle and a half before the first of these clearings to a cycle behind the last.
    fn narrow(&mut self, zeros: [f32; 3]) {
        let (mut first, mut last) = (f32::INFINITY, 0.0);
        for zero in zeros {
            first = if zero < first { zero } else { first };
            last = if zero > last { zero } else { last };
        }
        let end = whole(last + CYCLES_BEHIND * self.rows.cycle());
        self.place = whole(first - CYCLES_BEFORE * self.rows.cycle());
        self.length = if end < self.length { end } else { self.length };
    }
}

/// The row of a frame; clipped ones are no evidence.
fn row(rows: &Rows, history: &History, begin: u64, place: u16) -> Result<Row, Reason> {
    let frame = begin.saturating_add(u64::from(place));
    let row = rows.row(history, frame, f32::from(place)).ok_or(Reason::NoFrames)?;
    if row.clipped { Err(Reason::Clipped) } else { Ok(row) }
}

/// Whether the voltages of the first cycle and of the last one are of one size.
#[inline(never)]
fn is_still(history: &History, begin: u64, length: u16, cycle: f32) -> bool {
    let last = begin.saturating_add(u64::from(length)).saturating_sub(u64::from(whole(cycle)));
    let (mut changes, mut sizes) = ([0.0_f32; 3], [0.0_f32; 3]);
    for place in 0..u64::from(whole(cycle)) {
        for (first, sign) in [(begin, 1.0), (last, -1.0)] {
            let Some(counts) = history.get(first.saturating_add(place)) else { return false };
            for ((change, size), count) in changes.iter_mut().zip(&mut sizes).zip(counts) {
                *change += sign * count * count;
                *size += count * count;
            }
        }
    }
    changes.iter().zip(sizes).all(|(change, size)| change.abs() <= 0.5 * STILL * size)
}

/// Solves the sums of so many rows, noise and sensors being what the solution before shows them to be.
#[inline(never)]
fn solve(setup: &Setup, sums: &Sums, rows: u16, zeros: [f32; 3]) -> Result<Clearing, Reason> {
    const SOLUTIONS: u8 = 3;
    let (mut scatter, mut noise, mut scale) = (0.0, NOISE, FREE);
    let mut solution = None;
    for _ in 0..SOLUTIONS {
        let factor = with_priors(setup, sums, noise, scale).factor().ok_or(Reason::Unexplained)?;
        scatter = libm::sqrtf(factor.rest() / f32::from(rows));
        let terms = factor.solution::<{ Term::Data as usize }>();
        // What is left of one colour goes into no term, but into what they may be wrong by.
        let excess = scatter * scatter - WHITE * WHITE;
        let coloured = if excess > 0.0 { COLOURED * COLOURED * excess } else { 0.0 };
        let white = NEIGHBOURS * if scatter < WHITE { scatter } else { WHITE };
        let variance = white * white + coloured;
        let least = noise * noise;
        let variance = if variance > least { variance } else { least };
        solution = factor.covariance().map(|covariance| (terms, covariance, variance, scale));
        let next = NEIGHBOURS * scatter;
        noise = if next > LEAST_NOISE { next } else { LEAST_NOISE };
        let ([a, b, c, ..], sigma) = (terms, setup.class.angle_sigma());
        scale = setup.class.scale(setup.shown.and((a * a + b * b + c * c) / (sigma * sigma), 3.0));
    }
    let (terms, mut covariance, variance, scale) = solution.ok_or(Reason::Unexplained)?;
    let [.., a, b, c] = terms;
    let y = [a, b, c];
    // What is not a number is unexplained as well.
    if !(scatter < MOST_SCATTER_STILL && y.iter().all(|y| PLAUSIBLE.contains(y))) {
        return Err(Reason::Unexplained);
    }
    let square = |value: f32| value * value;
    let (voltage, neutral) = (square(scale * setup.class.ratio_sigma()), square(setup.class.neutral_sigma()));
    for (one, (line, y_one)) in covariance.iter_mut().zip(y).enumerate() {
        for (two, (value, y_two)) in line.iter_mut().zip(y).enumerate() {
            let gains = if one == two { voltage + neutral } else { neutral };
            *value = *value * variance + gains * y_one * y_two;
        }
    }
    let mut clearing =
        Clearing { y, covariance, begin: 0, zero_frame: [None; 3], carries_on: [false; 3], scatter };
    let targets = clearing.zero_frame.iter_mut().zip(&mut clearing.carries_on);
    for ((target, carries_on), (y, zero)) in targets.zip(y.into_iter().zip(zeros)) {
        let carried = y > CARRIED;
        *target = Some(zero).filter(|zero| carried && zero.is_finite());
        *carries_on = carried && zero.is_infinite();
    }
    let (_, common_sigma) = clearing.common();
    let told = common_sigma < MOST_SIGMA && clearing.zero_frame != [None; 3];
    if told { Ok(clearing) } else { Err(Reason::NoOpening) }
}

/// The sums with everything that is known before, in units of the variance of this noise; `scale` is how wrong the sensors are.
#[inline(never)]
fn with_priors(setup: &Setup, sums: &Sums, noise: f32, scale: f32) -> Sums {
    let mut normal = *sums;
    let variance = |sigma: f32| (sigma / noise) * (sigma / noise);
    let class = &setup.class;
    let (angle, third) = (scale * class.angle_sigma(), THIRD_OWN * class.own_third);
    for (term, own, shared) in [
        (Term::Angle, angle, ANGLE_SHARED),
        (Term::Delay, angle, DELAY_SHARED),
        (Term::ThirdCos, third, THIRD_SHARED),
        (Term::ThirdSin, third, THIRD_SHARED),
        (Term::Connected, CONNECTED, 0.0),
    ] {
        normal.prior(term as usize, variance(own), variance(shared));
    }
    for (term, sigma) in
        [(Term::StrayFundamental, STRAY * class.stray), (Term::StrayThird, STRAY_THIRD * class.stray_third)]
    {
        for place in (term as usize..).take(2) {
            normal.increase(place, place, 1.0 / variance(sigma));
        }
    }
    normal
}

/// A small count of frames.
fn whole(frames: f32) -> u16 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "'as' saturates; a few hundred"
    )]
    let whole = libm::roundf(frames) as u16;
    whole
}
