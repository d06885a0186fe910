//! Every signal at every frequency through the firmware, and the worst error of each quantity.

use wyelog_protocol::bank::RatedFrequency;
use wyelog_simulator::complex::Complex;

use super::cases::{self, Case, FREQUENCIES};
use super::heard::{first_s, play};
use super::judge::{SETTLED_S, steady, tve_percent};
use super::signal::{Channels, Signal};
use super::tally::{LINES, Tally, Worst};
use super::truth::{Truth, rms_between};

/// Seconds of each signal: the first is not judged.
const SECONDS: f64 = 2.5;

/// Seconds of one signal at each frequency: an interval of 10 s ends in it, at whose tick the windows are aligned anew.
const SECONDS_WITH_TICK: f64 = 11.0;

/// Both rated frequencies.
pub const RATED: [RatedFrequency; 2] = [RatedFrequency::Hz50, RatedFrequency::Hz60];

/// The worst at one frequency.
#[derive(Clone, Debug)]
pub struct Point {
    /// Rated frequency of the bank.
    pub rated: RatedFrequency,
    /// Frequency of the signals in Hz.
    pub hz: f64,
    /// Worst errors of all steady signals.
    pub tally: Tally,
    /// Worst errors of each, in the order of [`cases::steady`].
    pub cases: Vec<(Case, Tally)>,
}

/// Every steady signal: a point for each frequency, those of 50 Hz first. On `threads` threads.
pub fn steady_points(threads: usize) -> Vec<Point> {
    let places: Vec<(RatedFrequency, usize)> =
        RATED.into_iter().flat_map(|rated| (0..FREQUENCIES).map(move |index| (rated, index))).collect();
    in_parallel(&places, threads, |(rated, index)| steady_point(*rated, *index))
}

fn steady_point(rated: RatedFrequency, index: usize) -> Point {
    let hz = cases::frequency(rated, index);
    let mut point = Point { rated, hz, tally: Tally::default(), cases: Vec::new() };
    let mut all = cases::steady(rated, hz, 7 * index);
    let long = index % all.len();
    all[long].signal.interval_s = 10;
    for (number, case) in all.into_iter().enumerate() {
        let heard = play(&case.signal, if number == long { SECONDS_WITH_TICK } else { SECONDS });
        let overlaps = heard.windows.iter().filter(|window| window.overlaps).count();
        assert_eq!(overlaps, usize::from(number == long), "{}: windows that overlap", case.signal.name);
        let tally = steady(&case.signal, &heard, case.distorted);
        point.tally.join(&tally);
        point.cases.push((case, tally));
    }
    point
}

/// The worst signal of each quantity with a limit, for a bank of this rated frequency.
pub fn worst_cases(points: &[Point], rated: RatedFrequency) -> Vec<Case> {
    let all = || points.iter().filter(|point| point.rated == rated).flat_map(|point| &point.cases);
    let mut worst: Vec<Case> = Vec::new();
    for line in LINES.iter().filter(|line| line.reach.is_some()) {
        let error = |(_, tally): &&(Case, Tally)| match tally.of(line.quantity) {
            worst if worst.values > 0 => worst.error,
            _ => 0.0,
        };
        let Some((case, _)) = all().max_by(|a, b| error(a).total_cmp(&error(b))) else { continue };
        let is_there =
            |other: &Case| other.signal.name == case.signal.name && other.signal.hz == case.signal.hz;
        if !worst.iter().any(is_there) {
            worst.push(case.clone());
        }
    }
    worst
}

/// The worst over all points.
pub fn worst(points: &[Point]) -> Tally {
    let mut worst = Tally::default();
    for point in points {
        worst.join(&point.tally);
    }
    worst
}

/// Worst errors of a signal that is not steady, or not clean: told, not limited.
#[derive(Clone, Debug, Default)]
pub struct Disturbed {
    /// What is hard about it.
    pub name: String,
    /// True rms over the window, in % of declared.
    pub rms: Worst,
    /// Frequency against the mean one of the window, in mHz.
    pub frequency: Worst,
    /// Phasors in % TVE, against the middle of the window; of windows without a step in them.
    pub tve: Worst,
    /// u2 and u0 in percentage points; of windows without a step in them.
    pub unbalance: Worst,
    /// Harmonics, none of which is there, in % of nominal.
    pub harmonics: Worst,
}

/// The signals that are told only, at five frequencies of each bank, from which a ramp stays in range: a line for each kind.
pub fn disturbed(threads: usize) -> Vec<Disturbed> {
    let places: Vec<(RatedFrequency, usize)> =
        RATED.into_iter().flat_map(|rated| (0..5).map(move |index| (rated, index))).collect();
    let parts = in_parallel(&places, threads, |(rated, index)| {
        let hz = cases::frequency(*rated, 3 + 4 * index);
        cases::disturbed(*rated, hz, 3 * index).iter().map(judge).collect::<Vec<_>>()
    });
    let mut lines: Vec<Disturbed> = Vec::new();
    for part in parts.into_iter().flatten() {
        match lines.iter_mut().find(|line| line.name == part.name) {
            Some(line) => {
                line.rms.join(&part.rms);
                line.frequency.join(&part.frequency);
                line.tve.join(&part.tve);
                line.unbalance.join(&part.unbalance);
                line.harmonics.join(&part.harmonics);
            }
            None => lines.push(part),
        }
    }
    lines
}

fn judge(signal: &Signal) -> Disturbed {
    let heard = play(signal, SECONDS);
    let truth = Truth::of(signal);
    let mut line = Disturbed { name: signal.name.clone(), ..Disturbed::default() };
    let at = || format!("{:.3} Hz", signal.hz);
    for pair in heard.windows.windows(2) {
        let [window, next] = pair else { continue };
        let (from, to) = (first_s(window), first_s(next));
        if from < SETTLED_S {
            continue;
        }
        let [a, b, c] = window.voltage_rms;
        // What noise adds is 5e-9 of the whole; an interharmonic is in the window as it is.
        let rms = rms_between(signal, from, to);
        for (measured, truth) in [a, b, c, window.neutral_rms].into_iter().zip(rms) {
            line.rms.take(100.0 * (f64::from(measured) - truth), at);
        }
        let mean_hz = (signal.turns(to) - signal.turns(from)) / (to - from);
        line.frequency.take(1000.0 * (f64::from(window.frequency) - mean_hz), at);
        let [va, vb, vc] = &window.voltage_harmonics;
        let beside = [va, vb, vc].map(|of| of[1..].iter().map(|h| f64::from(*h)).fold(0.0, f64::max));
        beside.iter().for_each(|h| line.harmonics.take(100.0 * h, at));
        let steps = signal.steps.iter().any(|step| from < step.at && step.at < to);
        if let Some(fundamental) = window.fundamental.filter(|_| !steps) {
            let [a, b, c] = fundamental.voltage;
            let truths = stepped(truth.phasors(false), signal, 0.5 * (from + to));
            for (measured, truth) in [a, b, c, fundamental.neutral].into_iter().zip(truths) {
                line.tve.take(tve_percent(measured, truth), at);
            }
            let measured = [fundamental.u2, fundamental.u0];
            for (measured, truth) in measured.into_iter().zip(truth.unbalance(false)) {
                line.unbalance.take(f64::from(measured.unwrap_or(f32::NAN)) - truth, at);
            }
        }
    }
    line
}

/// Phasors relative to the positive-sequence voltage: a step changes their size only.
fn stepped(phasors: Channels, signal: &Signal, t: f64) -> Channels {
    let factor = signal.factor_at(t).map(Complex::abs);
    core::array::from_fn(|n| phasors[n].scaled(factor[n]))
}

/// Maps `items` on so many threads, in order.
pub fn in_parallel<T: Sync, R: Send>(items: &[T], threads: usize, map: impl Fn(&T) -> R + Sync) -> Vec<R> {
    let next = core::sync::atomic::AtomicUsize::new(0);
    let work = || {
        let mut done = Vec::new();
        loop {
            let index = next.fetch_add(1, core::sync::atomic::Ordering::Relaxed);
            let Some(item) = items.get(index) else { return done };
            done.push((index, map(item)));
        }
    };
    let mut done: Vec<(usize, R)> = std::thread::scope(|scope| {
        let threads: Vec<_> = (0..threads.max(1)).map(|_| scope.spawn(work)).collect();
        threads.into_iter().flat_map(|thread| thread.join().expect("a panic above")).collect()
    });
    done.sort_by_key(|(index, _)| *index);
    done.into_iter().map(|(_, result)| result).collect()
}
