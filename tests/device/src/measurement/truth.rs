//! What a signal's measured values have to be, by definition, in f64. Nothing here is shared with the firmware.

use wyelog_simulator::complex::Complex;

use super::signal::{Channels, Signal};

/// Harmonics measured, the fundamental first.
pub const HARMONICS: usize = 25;

/// A steady signal's values. Voltages per unit of the declared one, neutral per unit of rated current, all rms.
#[derive(Clone, Debug)]
pub struct Truth {
    /// True rms of A, B, C and the neutral.
    pub rms: [f64; 4],
    /// rms of the harmonics of A, B, C and the neutral, the fundamental first.
    pub harmonics: [[f64; HARMONICS]; 4],
    /// Fundamentals of A, B, C and the neutral.
    pub fundamental: Channels,
    /// Positive-, negative- and zero-sequence voltage on ABC rotation.
    pub sequences: [Complex; 3],
    /// Total harmonic distortion of the voltages through the 25th, in percent.
    pub thd: [f64; 3],
    /// NEMA MG 1 unbalance of the line-to-line fundamentals in percent.
    pub nema: f64,
    /// √Σ(h·V_h)² and Σh·V_h² of A, B, C, times the frequency over the rated one: current and reactive power of a rated capacitor
    /// per unit of its rating, on units rated for `unit_ratio` times less than the declared voltage (IEEE Std 18).
    pub loading: [[f64; 2]; 3],
    /// Largest instantaneous voltage of A, B, C, of either sign, per unit of the rms base.
    pub peak: [f64; 3],
}

/// Declared voltage over the 7200 V that the units are rated for.
const UNIT_RATIO: f64 = super::signal::DECLARED_V / 7200.0;

impl Truth {
    /// Of a signal that goes on for ever as it begins, steps, ramp and noise left out.
    pub fn of(signal: &Signal) -> Self {
        let mut squares = [0.0; 4];
        let mut harmonics = [[0.0; HARMONICS]; 4];
        for (order, channels) in &signal.harmonics {
            for ((square, harmonics), channel) in squares.iter_mut().zip(&mut harmonics).zip(channels) {
                let size = channel.abs();
                *square += size * size;
                if let Some(place) = usize::from(*order).checked_sub(1).and_then(|n| harmonics.get_mut(n)) {
                    *place = size;
                }
            }
        }
        for (_, channels) in &signal.interharmonics {
            for (square, channel) in squares.iter_mut().zip(channels) {
                *square += channel.abs() * channel.abs();
            }
        }
        let fundamental =
            signal.harmonics.iter().find(|(order, _)| *order == 1).map_or([Complex::ZERO; 4], |(_, c)| *c);
        let [a, b, c, _] = harmonics;
        Self {
            rms: squares.map(libm::sqrt),
            harmonics,
            fundamental,
            sequences: sequences(fundamental),
            thd: [a, b, c].map(|of| thd_percent(&of)),
            nema: nema_percent(fundamental),
            loading: [a, b, c].map(|of| loading(&of, signal.hz / f64::from(signal.rated.hz()))),
            peak: peak(signal),
        }
    }

    /// u2 and u0 in percent (IEC 61000-4-30 5.7); with `acb` of a feeder of that rotation.
    pub fn unbalance(&self, acb: bool) -> [f64; 2] {
        let [positive, negative, zero] = self.of_rotation(acb).map(Complex::abs);
        [100.0 * negative / positive, 100.0 * zero / positive]
    }

    /// Fundamentals of A, B, C and the neutral with the positive-sequence voltage at angle zero.
    pub fn phasors(&self, acb: bool) -> Channels {
        let [positive, _, _] = self.of_rotation(acb);
        let size = positive.abs();
        let back = Complex::new(positive.re / size, -positive.im / size);
        self.fundamental.map(|phasor| phasor * back)
    }

    fn of_rotation(&self, acb: bool) -> [Complex; 3] {
        let [positive, negative, zero] = self.sequences;
        if acb { [negative, positive, zero] } else { [positive, negative, zero] }
    }

    /// Whether the feeder's rotation is ACB; `None` if that cannot be told, as with one phase alone.
    pub fn acb(&self) -> Option<bool> {
        let [positive, negative, _] = self.sequences.map(Complex::abs);
        if positive > 1.5 * negative {
            Some(false)
        } else if negative > 1.5 * positive {
            Some(true)
        } else {
            None
        }
    }
}

/// Positive, negative, zero: V1 = (Va + a·Vb + a²·Vc)/3 with a = 1∠120°.
fn sequences([va, vb, vc, _]: Channels) -> [Complex; 3] {
    let (a, a2) = (Complex::polar(1.0, 120.0), Complex::polar(1.0, -120.0));
    [va + a * vb + a2 * vc, va + a2 * vb + a * vc, va + vb + vc].map(|sum| sum.scaled(1.0 / 3.0))
}

fn nema_percent([a, b, c, _]: Channels) -> f64 {
    let lines = [(a - b).abs(), (b - c).abs(), (c - a).abs()];
    let mean = lines.iter().sum::<f64>() / 3.0;
    100.0 * lines.iter().map(|line| (line - mean).abs()).fold(0.0, f64::max) / mean
}

/// THD over the fundamental through the 25th, in percent.
pub fn thd_percent(harmonics: &[f64; HARMONICS]) -> f64 {
    let [fundamental, others @ ..] = harmonics;
    100.0 * libm::sqrt(others.iter().map(|h| h * h).sum()) / fundamental
}

fn loading(harmonics: &[f64; HARMONICS], frequency_ratio: f64) -> [f64; 2] {
    let (mut current, mut reactive) = (0.0, 0.0);
    for (order, volts) in (1..).map(f64::from).zip(harmonics) {
        let volts = volts * UNIT_RATIO;
        current += (order * volts) * (order * volts);
        reactive += order * volts * volts;
    }
    [frequency_ratio * libm::sqrt(current), frequency_ratio * reactive]
}

/// Over one cycle, at 4096 instants; a parabola through the largest and its neighbours.
fn peak(signal: &Signal) -> [f64; 3] {
    const INSTANTS: usize = 4096;
    let values: Vec<[f64; 4]> =
        (0..INSTANTS).map(|n| signal.at(n as f64 / INSTANTS as f64 / signal.hz)).collect();
    core::array::from_fn(|phase| {
        let at = |n: usize| values[n % INSTANTS][phase].abs();
        let top = (0..INSTANTS).max_by(|a, b| at(*a).total_cmp(&at(*b))).unwrap_or(0);
        let (before, here, after) = (at(top + INSTANTS - 1), at(top), at(top + 1));
        let (slope, bend) = (0.5 * (after - before), before - 2.0 * here + after);
        if bend < 0.0 { here - 0.5 * slope * slope / bend } else { here }
    })
}

/// True rms of the four channels between two instants in s, whatever happens between them: by Simpson's rule between the
/// changes.
pub fn rms_between(signal: &Signal, from: f64, to: f64) -> [f64; 4] {
    let mut edges = vec![from, to];
    for step in &signal.steps {
        edges.extend([step.at, step.until].into_iter().filter(|edge| from < *edge && *edge < to));
    }
    edges.sort_by(f64::total_cmp);
    let interharmonics = signal.interharmonics.iter().map(|(hz, _)| hz / signal.hz);
    let highest =
        signal.harmonics.iter().map(|(order, _)| f64::from(*order)).chain(interharmonics).fold(1.0, f64::max);
    let mut sums = [0.0; 4];
    for edge in edges.windows(2) {
        let [begin, end] = [edge[0], edge[1]];
        if end - begin < 1e-9 {
            continue;
        }
        // 64 intervals for a cycle of the highest harmonic.
        let intervals = 2 * (1 + libm::ceil((end - begin) * highest * signal.hz * 32.0) as u32);
        let step = (end - begin) / f64::from(intervals);
        for n in 0..=intervals {
            let weight = match n {
                0 => 1.0,
                n if n == intervals => 1.0,
                n if n % 2 == 1 => 4.0,
                _ => 2.0,
            };
            // A hair inside, where a change begins or ends.
            let t = (begin + f64::from(n) * step).clamp(begin + 1e-12, end - 1e-12);
            for (sum, value) in sums.iter_mut().zip(signal.at(t)) {
                *sum += weight * value * value * step / 3.0;
            }
        }
    }
    sums.map(|sum| libm::sqrt(sum / (to - from)))
}

#[cfg(test)]
mod tests {
    use super::super::signal::{balanced, of_sequences};
    use super::*;
    use wyelog_protocol::bank::RatedFrequency;

    fn polar(size: f64, degrees: f64) -> Complex {
        Complex::polar(size, degrees)
    }

    #[test]
    fn unbalance_of_worked_examples() {
        // 7200∠0, 7056∠−120, 7344∠120: u2 and u0 1.15470 %, NEMA 1.00162 %; computed with numpy.
        let channels = [polar(1.0, 0.0), polar(0.98, -120.0), polar(1.02, 120.0), Complex::ZERO];
        let truth = Truth::of(&Signal::new("", RatedFrequency::Hz60, 60.0, channels));
        let [u2, u0] = truth.unbalance(false);
        assert!((u2 - 1.154_70).abs() < 5e-6 && (u0 - 1.154_70).abs() < 5e-6, "{u2} {u0}");
        assert!((truth.nema - 1.001_62).abs() < 5e-6, "{}", truth.nema);
        assert_eq!(truth.acb(), Some(false));
        // 147∠13, 154∠129, 150∠237: a set of ACB rotation, V2 149.284505∠6.3210, V1 10.134608, V0 14.824295.
        let channels = [polar(1.47, 13.0), polar(1.54, 129.0), polar(1.50, 237.0), polar(0.5, 6.321 + 30.0)];
        let truth = Truth::of(&Signal::new("", RatedFrequency::Hz60, 60.0, channels));
        let [u2, u0] = truth.unbalance(true);
        assert_eq!(truth.acb(), Some(true));
        assert!((u2 - 1013.4608 / 149.284_505).abs() < 1e-5 && (u0 - 1482.4295 / 149.284_505).abs() < 1e-5);
        assert!((truth.phasors(true)[3].degrees() - 30.0).abs() < 1e-4);
    }

    #[test]
    fn sequences_come_back() {
        let set = [polar(1.0, 31.0), polar(0.04, 100.0), polar(0.03, -20.0)];
        let truth = Truth::of(&Signal::new(
            "",
            RatedFrequency::Hz50,
            50.0,
            of_sequences(set[0], set[1], set[2], Complex::ZERO),
        ));
        for (back, set) in truth.sequences.iter().zip(set) {
            assert!((*back - set).abs() < 1e-14);
        }
    }

    #[test]
    fn rms_of_a_window_is_the_formula() {
        let signal =
            Signal::new("", RatedFrequency::Hz50, 50.0, balanced(1.0, 10.0)).with(25, balanced(0.1, 3.0));
        let whole = rms_between(&signal, 0.0, 0.2);
        let truth = Truth::of(&signal);
        assert!((whole[1] - truth.rms[1]).abs() < 1e-7, "{whole:?} {truth:?}");
        assert!((truth.rms[1] - libm::sqrt(1.01)).abs() < 1e-12);
        assert!((truth.thd[2] - 10.0).abs() < 1e-12);
    }

    #[test]
    fn the_peak_of_a_sine_is_root_two() {
        let truth = Truth::of(&Signal::new("", RatedFrequency::Hz50, 49.3, balanced(0.9, 12.3)));
        for peak in truth.peak {
            assert!((peak - 0.9 * core::f64::consts::SQRT_2).abs() < 1e-9, "{peak}");
        }
    }
}
