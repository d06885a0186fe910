//! The signals of the sweep: what a distribution feeder can look like, at every frequency that class A asks for.

use wyelog_protocol::bank::RatedFrequency;
use wyelog_simulator::complex::Complex;

use super::signal::{Channels, Signal, balanced, of_sequences};
use super::truth::HARMONICS;

/// Frequencies of a sweep.
pub const FREQUENCIES: usize = 23;

/// A signal and which limit its frequency has.
#[derive(Clone, Debug)]
pub struct Case {
    /// The signal.
    pub signal: Signal,
    /// Whether it has harmonics.
    pub distorted: bool,
}

/// Number `index` of [`FREQUENCIES`] over 42.5–57.5 or 51–69 Hz (IEC 61000-4-30 5.1, from memory): both ends, and between them
/// steps that are no multiple of anything.
pub fn frequency(rated: RatedFrequency, index: usize) -> f64 {
    let (low, high) = match rated {
        RatedFrequency::Hz50 => (42.5, 57.5),
        RatedFrequency::Hz60 => (51.0, 69.0),
    };
    let last = FREQUENCIES - 1;
    if index == 0 || index == last {
        return if index == 0 { low } else { high };
    }
    low + (high - low) * (index as f64 + 0.3 * golden(index)) / last as f64
}

/// A number between −0.5 and 0.5 that never comes back.
fn golden(n: usize) -> f64 {
    let x = n as f64 * 0.618_033_988_749_894_9;
    x - libm::floor(x) - 0.5
}

/// An angle in degrees that has to do with no other.
fn angle(n: usize) -> f64 {
    360.0 * golden(n)
}

fn polar(size: f64, n: usize) -> Complex {
    Complex::polar(size, angle(n))
}

fn scaled(channels: Channels, by: [f64; 4]) -> Channels {
    core::array::from_fn(|n| channels[n].scaled(by[n]))
}

/// The same size in all channels, in directions that have to do with nothing.
fn anyhow(size: f64, n: usize) -> Channels {
    core::array::from_fn(|channel| polar(size, 5 * n + channel))
}

/// The steady signals at one frequency; `seed` turns their phases.
pub fn steady(rated: RatedFrequency, hz: f64, seed: usize) -> Vec<Case> {
    let mut cases = Vec::new();
    let new = |name: &str, fundamental| Signal::new(name, rated, hz, fundamental);
    let mut clean = |signal| cases.push(Case { signal, distorted: false });

    for percent in [10, 60, 100, 150] {
        clean(new(&format!("{percent} %"), balanced(f64::from(percent) / 100.0, angle(seed))));
    }
    let sizes = [1.5, 0.1, 0.77, 1.5];
    clean(new("150, 10 and 77 %", scaled(balanced(1.0, angle(seed + 1)), sizes)));
    clean(new("one phase", one_phase(seed)));
    for (u2, u0) in [(1.0, 1.0), (5.0, 1.0), (1.0, 5.0), (5.0, 5.0), (2.7, 3.3)] {
        clean(new(&format!("u2 {u2} %, u0 {u0} %"), unbalanced(u2, u0, seed)));
    }
    let [a, b, c, n] = unbalanced(3.0, 2.0, seed + 3);
    clean(new("u2 3 %, u0 2 %, rotation ACB", [a, c, b, n]));

    for case in with_harmonics(&new, seed) {
        cases.push(Case { signal: case, distorted: true });
    }
    cases
}

fn with_harmonics(new: &dyn Fn(&str, Channels) -> Signal, seed: usize) -> Vec<Signal> {
    let mut signals = Vec::new();
    for (name, fundamental) in [
        ("balanced", balanced(1.0, angle(seed))),
        ("u2 5 %, u0 5 %", unbalanced(5.0, 5.0, seed)),
        ("one phase", one_phase(seed)),
    ] {
        let alive = fundamental.map(|phasor| if phasor.abs() > 0.0 { 1.0 } else { 0.0 });
        let harmonic = |n| scaled(anyhow(0.1, n), alive);
        let signal = new(&format!("{name}, 10 % third and fifth"), fundamental);
        signals.push(signal.with(3, harmonic(seed + 1)).with(5, harmonic(seed + 2)));
    }
    for (percent, size) in [("0.4", 0.004), ("1", 0.01), ("3", 0.03)] {
        let mut signal = new(&format!("all harmonics {percent} %"), unbalanced(2.0, 1.0, seed + 7));
        for order in 2..=HARMONICS {
            signal = signal.with(order as u16, anyhow(size, seed + order));
        }
        signals.push(signal);
    }
    // One harmonic of 10 % in each channel, none of them in another: what leaks from it is seen.
    for set in 0..6 {
        let orders: [usize; 4] = core::array::from_fn(|channel| 2 + set + 6 * channel);
        let mut signal = new(&format!("10 % of h{orders:?}"), balanced(1.0, angle(seed + set)));
        for (channel, order) in orders.into_iter().enumerate() {
            let mut channels = [Complex::ZERO; 4];
            channels[channel] = polar(0.1, seed + order);
            signal = signal.with(order as u16, channels);
        }
        signals.push(signal);
    }
    signals
}

/// One phase alone, and a neutral current.
fn one_phase(seed: usize) -> Channels {
    let mut alive = [0.0, 0.0, 0.0, 0.5];
    alive[seed % 3] = 1.0;
    scaled(balanced(1.0, angle(seed + 2)), alive)
}

/// u2 and u0 in percent, in any directions.
fn unbalanced(u2: f64, u0: f64, seed: usize) -> Channels {
    let positive = polar(1.0, seed);
    of_sequences(positive, polar(u2 / 100.0, seed + 11), polar(u0 / 100.0, seed + 17), polar(0.3, seed + 23))
}

/// A signal of which the errors are told but not limited, and what about it is hard.
pub fn disturbed(rated: RatedFrequency, hz: f64, seed: usize) -> Vec<Signal> {
    let new = |name: &str| Signal::new(name, rated, hz, unbalanced(2.0, 2.0, seed));
    let mut signals = Vec::new();
    for (name, slope) in [("ramp of +1 Hz/s", 1.0), ("ramp of −1 Hz/s", -1.0)] {
        let mut signal = new(name);
        signal.ramp = Some((0.5, slope));
        signals.push(signal);
    }
    for (name, factor) in [
        ("step of +10 % in size", Complex::new(1.1, 0.0)),
        ("step of −30 % in size", Complex::new(0.7, 0.0)),
        ("step of 10° in phase", Complex::polar(1.0, 10.0)),
    ] {
        let mut signal = new(name);
        let at = 1.5 + 0.02 * golden(seed);
        signal.steps.push(super::signal::Step { at, until: f64::INFINITY, factor: [factor; 4] });
        signals.push(signal);
    }
    let mut noise = new("noise, 80 dB below nominal");
    noise.noise = (1e-4, seed as u64 + 1);
    signals.push(noise);
    for (bins, name) in [(2.5, "2½"), (0.37, "0.37"), (1.0, "1")] {
        // Beside the fundamental and beside the fifth, so many bins of 5 Hz off; 0.5 % each.
        let mut signal = new(&format!("interharmonics of 0.5 %, {name} bins beside h1 and h5"));
        let bin = hz / f64::from(rated.cycles_per_window());
        signal.interharmonics =
            vec![(hz + bins * bin, anyhow(0.005, seed)), (5.0 * hz - bins * bin, anyhow(0.005, seed + 1))];
        signals.push(signal);
    }
    signals
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frequencies_rise_and_reach_both_ends() {
        for (rated, low, high) in [(RatedFrequency::Hz50, 42.5, 57.5), (RatedFrequency::Hz60, 51.0, 69.0)] {
            let all: Vec<f64> = (0..FREQUENCIES).map(|n| frequency(rated, n)).collect();
            assert_eq!((all[0], all[FREQUENCIES - 1]), (low, high));
            assert!(all.windows(2).all(|pair| pair[0] < pair[1]), "{all:?}");
        }
    }
}
