extern crate std;

use core::f64::consts::{SQRT_2, TAU};
use std::boxed::Box;
use std::vec::Vec;

use proptest::prelude::*;

use super::*;
use crate::frame::Frame;

/// Counts of one per unit rms.
const COUNTS: f64 = 1_000_000.0;

/// A feeder and a bank at frame `n`: voltages and, of each phase, what it carries.
struct Bench {
    history: Box<History>,
    bursts: Bursts,
    hz: f64,
    n: u64,
}

impl Bench {
    fn new(hz: f64) -> Self {
        let scale = (1.0 / COUNTS) as f32;
        let frames_per_cycle = (4800.0 / hz) as u16;
        let bursts = Bursts::new([scale; 3], scale, frames_per_cycle);
        Self { history: Box::new(History::new()), bursts, hz, n: 0 }
    }

    /// Instantaneous values of a phase's voltage and of the rated capacitor's current at frame `n`.
    fn phase(&self, phase: usize, n: f64) -> (f64, f64) {
        let angle = TAU * (self.hz * n / 4800.0 - phase as f64 / 3.0);
        (SQRT_2 * libm::cos(angle), -SQRT_2 * libm::sin(angle))
    }

    /// Plays frames with these `y` at each; `extra` is added to the neutral current.
    fn play(&mut self, frames: u64, y: impl Fn(u64) -> [f64; 3], extra: impl Fn(u64) -> f64) {
        for _ in 0..frames {
            let (mut channels, mut neutral) = ([0; 4], extra(self.n));
            for (phase, channel) in channels.iter_mut().take(3).enumerate() {
                let (v, i) = self.phase(phase, self.n as f64);
                *channel = (v * COUNTS) as i32;
                neutral += y(self.n)[phase] * i;
            }
            channels[3] = (neutral * COUNTS) as i32;
            self.push(channels);
        }
    }

    /// Plays frames in which the sizes of the voltages go from one to the next in a quarter cycle; each capacitor of
    /// a bank with these `y` carries what its voltage's slope makes.
    fn sag(&mut self, frames: u64, from: [f64; 3], to: [f64; 3], y: [f64; 3]) {
        let begin = self.n as f64;
        let quarter = 1200.0 / self.hz;
        for _ in 0..frames {
            let (mut channels, mut neutral) = ([0; 4], 0.0);
            for phase in 0..3 {
                let at = |n: f64| {
                    let part = ((n - begin) / quarter).clamp(0.0, 1.0);
                    (from[phase] + (to[phase] - from[phase]) * part) * self.phase(phase, n).0
                };
                let n = self.n as f64;
                channels[phase] = (at(n) * COUNTS) as i32;
                let slope = (at(n + 1e-3) - at(n - 1e-3)) / 2e-3;
                neutral += y[phase] * slope * 4800.0 / (TAU * self.hz);
            }
            channels[3] = (neutral * COUNTS) as i32;
            self.push(channels);
        }
    }

    fn push(&mut self, channels: [i32; 4]) {
        self.history.push(&Frame { channels });
        self.bursts.push(&self.history);
        self.n += 1;
    }

    fn steady(&mut self, seconds: f64, y: [f64; 3]) {
        self.play((seconds * 4800.0) as u64, |_| y, |_| 0.0);
    }

    /// The frame at or behind `n` at which the current of this phase is zero.
    fn zero(&self, phase: usize, n: u64) -> u64 {
        let current = |n: u64| self.phase(phase, n as f64).1;
        (n + 1..).find(|n| current(*n) * current(n - 1) <= 0.0).unwrap()
    }
}

const WHOLE: [f64; 3] = [1.0; 3];

/// Frames of a quarter cycle, and of what the middle of three frames lies behind.
const QUARTER: u64 = 26;

#[test]
fn a_healthy_bank_makes_none() {
    for hz in [50.0, 60.0] {
        let mut bench = Bench::new(hz);
        bench.steady(5.0, WHOLE);
        assert!(bench.bursts.burst().is_none(), "{hz}");
    }
}

#[test]
fn what_moves_the_voltages_makes_none() {
    // Unbalance, sags, a swell: both sides move together.
    let mut before = [1.0; 3];
    let mut bench = Bench::new(60.0);
    bench.steady(1.0, WHOLE);
    for volts in [[0.95, 1.06, 0.97], [0.6, 1.02, 1.0], [0.15, 0.3, 1.0], [1.0, 1.0, 1.0], [1.08, 1.08, 1.08]]
    {
        bench.sag(4800, before, volts, WHOLE);
        before = volts;
        assert!(bench.bursts.burst().is_none(), "{volts:?}: {:?}", bench.bursts.burst());
    }
}

#[test]
fn noise_and_stray_currents_make_none() {
    let mut bench = Bench::new(60.0);
    // Stray fundamental of 1.5 % and third of 0.6 % of rated, from the first frame on, and then from here on.
    let stray = |n: u64| {
        let angle = TAU * 60.0 * n as f64 / 4800.0;
        SQRT_2 * (0.015 * libm::cos(angle) + 0.006 * libm::cos(3.0 * angle + 1.0))
    };
    bench.play(4800, |_| WHOLE, stray);
    bench.play(4800, |_| WHOLE, |_| 0.0);
    bench.play(4800, |_| WHOLE, stray);
    assert!(bench.bursts.burst().is_none(), "{:?}", bench.bursts.burst());
}

#[test]
fn a_phase_that_stops_begins_one_within_a_quarter_cycle() {
    for hz in [50.0, 60.0] {
        for phase in 0..3 {
            let mut bench = Bench::new(hz);
            bench.steady(2.0, WHOLE);
            let at = bench.zero(phase, bench.n);
            let y = |n: u64| {
                let mut y = WHOLE;
                y[phase] = if n < at { 1.0 } else { 0.0 };
                y
            };
            bench.play(480, y, |_| 0.0);
            let burst = *bench.bursts.burst().expect("a burst");
            assert!(burst.begin.abs_diff(at) <= QUARTER, "{burst:?} {at}");
            // One phase's current is left alone: √2 at its crest.
            assert!((burst.peak - 1.414).abs() < 0.02, "{burst:?}");
            assert_eq!(burst.returns, 0, "{burst:?}");
        }
    }
}

#[test]
fn what_is_known_of_the_phases_is_no_burst() {
    let mut bench = Bench::new(60.0);
    bench.steady(2.0, WHOLE);
    bench.steady(1.0, [0.0, 1.0, 1.0]);
    // Once it is known what to expect, and what there was has been dealt with.
    bench.bursts.expect([0.0, 1.0, 1.0]);
    bench.steady(0.1, [0.0, 1.0, 1.0]);
    bench.bursts.clear();
    bench.steady(2.0, [0.0, 1.0, 1.0]);
    assert!(bench.bursts.burst().is_none());
    // That it comes back is a change as well.
    bench.steady(0.1, WHOLE);
    assert!(bench.bursts.burst().is_some());
}

/// Poles clear at their own current zeros, 60° apart: the neutral carries one or two phases alone for a third of a
/// cycle.
#[test]
fn an_opening_is_one_burst_of_a_third_of_a_cycle() {
    for hz in [50.0, 60.0] {
        for offset in 0..(4800.0 / hz) as u64 {
            let mut bench = Bench::new(hz);
            bench.steady(1.0, WHOLE);
            let parting = bench.n + offset;
            let zeros = [0, 1, 2].map(|phase| bench.zero(phase, parting));
            let y = |n: u64| zeros.map(|zero| if n < zero { 1.0 } else { 0.0 });
            bench.play(960, y, |_| 0.0);
            let burst = *bench.bursts.burst().expect("a burst");
            let first = *zeros.iter().min().unwrap();
            assert!(burst.begin.abs_diff(first) <= QUARTER, "{burst:?} {zeros:?}");
            assert_eq!(burst.returns, 0, "{burst:?} {zeros:?}");
            assert!((0.8..1.5).contains(&burst.peak), "{burst:?}");
        }
    }
}

/// A pole that has cleared holds the crest of the voltage; odd half cycles later twice that stands across it. If it
/// strikes there, its current flows from one zero to another.
#[test]
fn a_restrike_comes_back_in_its_phase() {
    for phase in 0..3 {
        for (later, halves) in [(5, 1), (5, 2), (5, 7), (11, 1), (41, 3)] {
            let mut bench = Bench::new(60.0);
            bench.steady(1.0, WHOLE);
            let zeros = [0, 1, 2].map(|phase| bench.zero(phase, bench.n + 10));
            let again = zeros[phase] + later * 40;
            let y = |n: u64| {
                let mut y = zeros.map(|zero| if n < zero { 1.0 } else { 0.0 });
                y[phase] += if (again..again + halves * 40).contains(&n) { 1.0 } else { 0.0 };
                y
            };
            bench.play(2400, y, |_| 0.0);
            let burst = *bench.bursts.burst().expect("a burst");
            assert!(burst.returns > 0, "{later} {halves}: {burst:?}");
            assert_eq!(usize::from(burst.phase), phase, "{later} {halves}: {burst:?}");
            assert!(burst.end.abs_diff(again + halves * 40) <= 2 * QUARTER, "{burst:?} {again}");
        }
    }
}

/// The phases beside it ring with it through the source: in its shape, by a third of its size.
#[test]
fn a_restrike_is_of_the_phase_that_rings_most() {
    for phase in 0..3 {
        let mut bench = Bench::new(60.0);
        bench.steady(1.0, WHOLE);
        let zeros = [0, 1, 2].map(|phase| bench.zero(phase, bench.n + 10));
        let again = zeros[phase] + 5 * 40;
        for _ in 0..960 {
            let (mut channels, mut neutral) = ([0; 4], 0.0);
            let since = bench.n as f64 - again as f64;
            let strikes = (0.0..60.0).contains(&since);
            let (decay, angle) = (libm::exp(-since / 30.0), TAU * 500.0 * since / 4800.0);
            for of in 0..3 {
                let (v, i) = bench.phase(of, bench.n as f64);
                let coupled = if of == phase { 1.0 } else { 0.35 };
                let ring = if strikes { coupled * decay * libm::sin(angle) } else { 0.0 };
                channels[of] = ((v + 0.5 * ring) * COUNTS) as i32;
                let slope = 0.5 * decay * libm::cos(angle) * 500.0 / 60.0;
                let is_in = bench.n < zeros[of] || (strikes && of == phase);
                neutral += if is_in { i } else { 0.0 };
                neutral += if strikes && of == phase { slope } else { 0.0 };
            }
            channels[3] = (neutral * COUNTS) as i32;
            bench.push(channels);
        }
        let burst = *bench.bursts.burst().expect("a burst");
        assert_eq!(usize::from(burst.phase), phase, "{burst:?}");
    }
}

/// What it was when the poles opened is not what it is when one strikes again, and may have been larger.
#[test]
fn a_restrike_is_not_of_the_phase_that_was_larger_before() {
    for phase in 0..3 {
        let mut bench = Bench::new(60.0);
        let y = [0, 1, 2].map(|of| if of == phase { 0.9 } else { 1.1 });
        bench.steady(1.0, y);
        let zeros = [0, 1, 2].map(|phase| bench.zero(phase, bench.n + 10));
        let again = zeros[phase] + 5 * 40;
        let carries = |n: u64| {
            [0, 1, 2].map(|of| {
                let is_in = n < zeros[of] || (of == phase && (again..again + 40).contains(&n));
                if is_in { y[of] } else { 0.0 }
            })
        };
        bench.play(960, carries, |_| 0.0);
        let burst = *bench.bursts.burst().expect("a burst");
        assert!(burst.returns > 0, "{burst:?}");
        assert_eq!(usize::from(burst.phase), phase, "{burst:?}");
    }
}

/// A sine's quarter cycles are not alike; what lasts is no burst all the same.
#[test]
fn what_lasts_becomes_the_usual_in_each_quarter() {
    for (hz, degrees) in [(50.0, 0.0), (50.0, 45.0), (60.0, 20.0), (60.0, 70.0)] {
        let mut bench = Bench::new(hz);
        let unknown = |n: u64| SQRT_2 * libm::cos(TAU * hz * n as f64 / 4800.0 + f64::to_radians(degrees));
        bench.steady(1.0, WHOLE);
        bench.play(9600, |_| WHOLE, unknown);
        bench.bursts.clear();
        bench.play(9600, |_| WHOLE, unknown);
        assert!(bench.bursts.burst().is_none(), "{hz} {degrees}: {:?}", bench.bursts.burst());
    }
}

/// A lead that breaks leaves no trace of poles: what the neutral carried is little.
#[test]
fn a_neutral_lead_that_breaks_makes_none() {
    let mut bench = Bench::new(60.0);
    let y = [1.0, 1.1, 0.98];
    bench.steady(1.0, y);
    // From here on zero.
    let reference = Bench::new(60.0);
    let carried = |n: u64| -> f64 { (0..3).map(|phase| y[phase] * reference.phase(phase, n as f64).1).sum() };
    bench.play(960, |_| y, |n| -carried(n));
    assert!(bench.bursts.burst().is_none(), "{:?}", bench.bursts.burst());
}

#[test]
fn an_open_bank_has_no_current_to_expect() {
    let mut bench = Bench::new(60.0);
    bench.bursts.expect([0.0; 3]);
    bench.steady(1.0, [0.0; 3]);
    bench.sag(4800, [1.0; 3], [0.5, 1.0, 1.0], [0.0; 3]);
    assert!(bench.bursts.burst().is_none());
    // And closes.
    bench.steady(0.1, [1.0, 0.0, 0.0]);
    assert!(bench.bursts.burst().is_some());
}

#[test]
fn lost_frames_make_none() {
    let mut bench = Bench::new(60.0);
    bench.steady(1.0, WHOLE);
    for gap in [7, 30, 5000] {
        bench.history.skip(gap);
        bench.n += u64::from(gap);
        bench.bursts.interrupt();
        bench.steady(1.0, WHOLE);
        assert!(bench.bursts.burst().is_none(), "{gap}");
    }
}

#[test]
fn what_has_been_dealt_with_is_gone() {
    let mut bench = Bench::new(60.0);
    bench.steady(1.0, WHOLE);
    bench.steady(0.1, [0.0, 1.0, 1.0]);
    assert!(bench.bursts.burst().is_some());
    bench.bursts.clear();
    assert!(bench.bursts.burst().is_none());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn no_frame_and_no_scale_panics(
        frames in prop::collection::vec(prop::array::uniform4(any::<i32>()), 200..400),
        scales in prop::array::uniform4(proptest::num::f32::ANY),
        y in prop::array::uniform3(proptest::num::f32::ANY),
        frames_per_cycle in 1_u16..2000,
    ) {
        let [a, b, c, neutral] = scales;
        let mut history = Box::new(History::new());
        let mut bursts = Bursts::new([a, b, c], neutral, frames_per_cycle);
        for (n, channels) in frames.into_iter().enumerate() {
            if n == 100 {
                bursts.expect(y);
            }
            history.push(&Frame { channels });
            bursts.push(&history);
        }
        let seen: Vec<_> = bursts.burst().into_iter().collect();
        prop_assert!(seen.iter().all(|burst| burst.begin <= burst.end && burst.phase < 3));
    }
}
