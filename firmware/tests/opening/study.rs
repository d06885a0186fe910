//! Many openings, and how far the fit is from the truth.

use crate::signal::{self, Attack, Trouble};
use wyelog_electrical::Phasor;
use wyelog_firmware::bank::class::{Class, Shown};
use wyelog_firmware::bank::estimate::Estimate;
use wyelog_firmware::bank::look::Look;
use wyelog_firmware::bank::opening::{Clearing, Opening, Progress, Reason, Setup};

/// Steps that an opening takes at most once its frames are there.
pub const STEPS: u32 = 220;

/// What the fit says of an opening, and how many steps it took.
pub fn fit(opening: &signal::Opening) -> (Result<Clearing, Reason>, u32) {
    let setup = Setup {
        scaling: opening.scaling,
        frequency: opening.hz as f32,
        class: Class::DEFAULT,
        shown: shown(opening),
    };
    let mut fit = Opening::new(setup, opening.earliest);
    for step in 0..STEPS {
        match fit.step(&opening.history) {
            Progress::Working => {}
            Progress::Done(clearing) => return (Ok(clearing), step),
            Progress::NotIdentifiable(reason) => return (Err(reason), step),
            Progress::Waiting => panic!("all frames are there"),
        }
    }
    panic!("more than {STEPS} steps");
}

/// What the cycles before the opening show of the sensors, as the windows of a closed bank do.
fn shown(opening: &signal::Opening) -> Shown {
    let angle = core::f64::consts::TAU * opening.hz / 4800.0;
    let frames = (4.0 * core::f64::consts::TAU / angle).round() as u64;
    let begin = opening.earliest - frames - 16;
    let mut sums = [Phasor::ZERO; 4];
    for place in 0..frames {
        let counts = opening.history.get(begin + place).unwrap();
        let (sin, cos) = (angle * place as f64).sin_cos();
        let unit = Phasor::new(cos as f32, -sin as f32).scale(core::f32::consts::SQRT_2 / frames as f32);
        for (sum, count) in sums.iter_mut().zip(counts) {
            *sum += unit.scale(*count);
        }
    }
    let [a, b, c, neutral] = sums.map(|sum| sum.scale(opening.scaling.neutral));
    let ratio = opening.hz as f32 / opening.scaling.rated_hz;
    let look = Look { voltage: [a, b, c], neutral, ratio, ..Look::dark(begin, begin + frames) };
    let mut estimate = Estimate::default();
    estimate.closed(&look);
    // What is beyond the tolerance is a fault of the bank from the start, and says nothing of the sensors.
    let common = estimate.common();
    let is_healthy = estimate.y.iter().all(|y| (y - common).abs() < 0.083);
    if is_healthy { estimate.shown() } else { Shown::UNSEEN }
}

/// A row of the attack table.
#[derive(Debug, Default)]
pub struct Row {
    pub openings: usize,
    pub none: usize,
    /// Errors of the common part, and of it and of each `y` over σ.
    pub common: Vec<f64>,
    pub common_over_sigma: Vec<f64>,
    pub phase_over_sigma: Vec<f64>,
    pub sigma: f64,
    pub sum: f64,
    /// Openings with a pole's zero more than ten frames beside the true one.
    pub wrong_zero: usize,
    pub scatter: f64,
}

impl Row {
    pub fn run(attack: Attack, on_capacitor: bool, seeds: core::ops::Range<u64>) -> Self {
        let mut row = Self::default();
        for seed in seeds {
            let opening = signal::opening(seed, attack, on_capacitor, Trouble::None);
            row.openings += 1;
            let Ok(clearing) = fit(&opening).0 else {
                row.none += 1;
                continue;
            };
            row.take(&opening, &clearing);
        }
        row
    }

    fn take(&mut self, opening: &signal::Opening, clearing: &Clearing) {
        let (common, sigma) = clearing.common();
        let error = f64::from(common) - opening.y.iter().sum::<f64>() / 3.0;
        self.sum += error;
        self.common.push(error.abs());
        self.common_over_sigma.push((error / f64::from(sigma)).abs());
        self.sigma += f64::from(sigma);
        for ((y, sigma), truth) in clearing.y.iter().zip(clearing.sigma()).zip(opening.y) {
            self.phase_over_sigma.push(((f64::from(*y) - truth) / f64::from(sigma)).abs());
        }
        let beside = |(zero, (cleared, y)): (&Option<f32>, (f64, f64))| match zero {
            Some(zero) => (clearing.begin as f64 + f64::from(*zero) - cleared).abs() > 10.0,
            None => y > 0.2,
        };
        self.wrong_zero += usize::from(
            clearing.zero_frame.iter().zip(opening.cleared.into_iter().zip(opening.y)).any(beside),
        );
        self.scatter = self.scatter.max(f64::from(clearing.scatter));
    }

    /// 95th percentile of the error of the common part.
    pub fn percentile_95(&self) -> f64 {
        let mut errors = self.common.clone();
        errors.sort_by(f64::total_cmp);
        errors.get(errors.len() * 95 / 100).copied().unwrap_or(f64::INFINITY)
    }

    pub fn print(&self, name: &str) {
        println!(
            "{name:30} {:5} {:4} {:7.2} {:7.2} {:7.2} {:8.3} {:6.2} {:8.3} {:6.2} {:5} {:7.2}",
            self.openings,
            self.none,
            100.0 * self.percentile_95(),
            100.0 * self.sum / self.common.len() as f64,
            100.0 * self.sigma / self.common.len() as f64,
            covered(&self.common_over_sigma),
            worst(&self.common_over_sigma),
            covered(&self.phase_over_sigma),
            worst(&self.phase_over_sigma),
            self.wrong_zero,
            100.0 * self.scatter,
        );
    }
}

pub const HEADER: &str = "                               count none   95th%   mean%  sigma%  in 2sig  \
                          worst (each y)  worst  zero  scatter%";

/// Part of the truths within two σ.
pub fn covered(over_sigma: &[f64]) -> f64 {
    over_sigma.iter().filter(|error| **error <= 2.0).count() as f64 / over_sigma.len() as f64
}

pub fn worst(over_sigma: &[f64]) -> f64 {
    over_sigma.iter().copied().fold(0.0, f64::max)
}
