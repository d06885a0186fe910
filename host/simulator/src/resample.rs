//! Band-limited change of the sample rate: a windowed-sinc filter, in f64, with libm only.
//!
//! By its window's design rule (Kaiser, from memory) the filter passes up to 85 % of half the lower rate within
//! 0.01 %, and is down 80 dB from 103 % on (what is left at 100 to 103 % folds to 97 to 100 %). It is exactly one at zero
//! frequency. Outside the input, the input is continued by its point reflection in the first or last sample, so
//! that a wave that starts on a slope keeps its slope.

use crate::frames_per_second;

/// Zero crossings of the sinc on each side.
const CROSSINGS: f64 = 32.0;
/// Cut-off as a fraction of half the lower rate.
const CUT: f64 = 0.95;
/// Shape of the Kaiser window: 80 dB.
const BETA: f64 = 8.0;
/// Rates that a record may have, in Hz. Below, the fundamental is not covered; above, it is no power record.
pub const RATE_RANGE_HZ: std::ops::RangeInclusive<f64> = 2_000.0..=100_000.0;

/// Resamples `input`, taken at `input_hz`, to `count` values at 4800 Hz; the k-th lies k/4800 s + `first_s` after input 0.
///
/// A NaN is a missing sample: it is bridged by a straight line for its neighbours' sake, and an output whose
/// nearest input is missing is NaN itself. All of an input at 4800 Hz is returned unchanged.
pub fn resample(input: &[f64], input_hz: f64, first_s: f64, count: usize) -> Vec<f64> {
    let output_hz = frames_per_second();
    if input_hz == output_hz && first_s == 0.0 && count == input.len() {
        return input.to_vec();
    }
    let Some(&last) = input.last() else { return vec![f64::NAN; count] };
    let bridged = bridge(input);
    let kernel = Kernel::new(input_hz, output_hz);
    let phases = Phases::new(kernel, (input_hz, output_hz), first_s, count);
    let mut output = Vec::with_capacity(count);
    for k in 0..count {
        let nearest = libm::round((k as f64 / output_hz + first_s) * input_hz);
        let nearest = if nearest > 0.0 { nearest as usize } else { 0 };
        let missing = input.get(nearest).copied().unwrap_or(last).is_nan();
        output.push(if missing { f64::NAN } else { phases.value(&bridged, k) });
    }
    output
}

/// Weights by the fraction of an input sample at which an output lies.
struct Phases {
    /// Rows in order of the fraction, and for [`Step::Between`] one more at fraction 1.
    rows: Vec<Vec<f64>>,
    step: Step,
    half: isize,
}

/// How outputs walk over the rows.
enum Step {
    /// The ratio of the rates is `numerator / rows` in lowest terms: the fractions repeat and are met exactly.
    /// Second: the whole samples of the shift, by row.
    Exact(u64, Vec<isize>),
    /// Anything else: straight lines between rows. Input samples an output, and the shift in input samples.
    Between(f64, f64),
    /// Fewer outputs than rows: each has its own weights. Input samples an output, and the shift in input samples.
    Each(Kernel, f64, f64),
}

/// Rows of the general case: a straight line between neighbours is off by less than 5e-6 of full scale.
const ROWS: usize = 512;

impl Phases {
    fn new(kernel: Kernel, (input_hz, output_hz): (f64, f64), first_s: f64, outputs: usize) -> Self {
        let half = kernel.half as isize;
        let shift = first_s * input_hz;
        if libm::floor(input_hz) == input_hz {
            let (numerator, count) = (input_hz as u64, output_hz as u64);
            let divisor = greatest_common_divisor(numerator, count);
            let (numerator, count) = (numerator / divisor, count / divisor);
            if count <= ROWS as u64 {
                let local = |row: u64| row as f64 / count as f64 + shift;
                let whole = |row| libm::floor(local(row));
                let rows = (0..count).map(|row| kernel.weights(local(row) - whole(row))).collect();
                let carries = (0..count).map(|row| whole(row) as isize).collect();
                return Self { rows, step: Step::Exact(numerator, carries), half };
            }
        }
        if outputs <= ROWS {
            return Self { rows: Vec::new(), step: Step::Each(kernel, input_hz / output_hz, shift), half };
        }
        let rows = (0..=ROWS).map(|row| kernel.weights(row as f64 / ROWS as f64)).collect();
        Self { rows, step: Step::Between(input_hz / output_hz, shift), half }
    }

    fn value(&self, samples: &[f64], k: usize) -> f64 {
        match &self.step {
            Step::Exact(numerator, carries) => {
                let position = k as u64 * numerator;
                let count = carries.len() as u64;
                let (whole, row) = ((position / count) as isize, (position % count) as usize);
                let start = whole + carries.get(row).copied().unwrap_or(0) + 1 - self.half;
                self.row(samples, start, row)
            }
            Step::Between(step, shift) => {
                let position = k as f64 * step + shift;
                let whole = libm::floor(position);
                let place = (position - whole) * ROWS as f64;
                let row = libm::floor(place);
                let start = whole as isize + 1 - self.half;
                let (low, high) =
                    (self.row(samples, start, row as usize), self.row(samples, start, row as usize + 1));
                low + (high - low) * (place - row)
            }
            Step::Each(kernel, step, shift) => {
                let position = k as f64 * step + shift;
                let whole = libm::floor(position);
                apply(samples, whole as isize + 1 - self.half, &kernel.weights(position - whole))
            }
        }
    }

    fn row(&self, samples: &[f64], start: isize, row: usize) -> f64 {
        self.rows.get(row).map_or(0.0, |weights| apply(samples, start, weights))
    }
}

fn greatest_common_divisor(mut a: u64, mut b: u64) -> u64 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

struct Kernel {
    /// Cut-off in cycles per input sample, times two.
    cut: f64,
    /// Taps on each side.
    half: usize,
}

impl Kernel {
    fn new(input_hz: f64, output_hz: f64) -> Self {
        let ratio = if output_hz < input_hz { output_hz / input_hz } else { 1.0 };
        let cut = CUT * ratio;
        Self { cut, half: libm::ceil(CROSSINGS / cut) as usize }
    }

    /// Weights of the `2·half` inputs around an output that lies `fraction` after an input; their sum is one.
    fn weights(&self, fraction: f64) -> Vec<f64> {
        let half = self.half as f64;
        let mut weights: Vec<f64> = (0..2 * self.half)
            .map(|tap| {
                let x = tap as f64 + 1.0 - half - fraction;
                let inside = 1.0 - (x / half) * (x / half);
                let window = if inside > 0.0 { bessel_i0(BETA * libm::sqrt(inside)) } else { 0.0 };
                sinc(self.cut * x) * window
            })
            .collect();
        let sum: f64 = weights.iter().sum();
        weights.iter_mut().for_each(|weight| *weight /= sum);
        weights
    }
}

fn sinc(x: f64) -> f64 {
    let angle = core::f64::consts::PI * x;
    if libm::fabs(angle) < 1e-9 { 1.0 } else { libm::sin(angle) / angle }
}

/// Modified Bessel function of the first kind, order zero, by its power series (all terms positive).
fn bessel_i0(x: f64) -> f64 {
    let quarter = x * x / 4.0;
    let (mut sum, mut term) = (1.0, 1.0);
    for k in 1..=40 {
        term *= quarter / f64::from(k * k);
        sum += term;
    }
    sum
}

/// Sum of weights times samples from index `start`, the samples reflected beyond the ends.
fn apply(samples: &[f64], start: isize, weights: &[f64]) -> f64 {
    let inside = usize::try_from(start).ok().and_then(|start| samples.get(start..start + weights.len()));
    if let Some(inside) = inside {
        return inside.iter().zip(weights).map(|(sample, weight)| sample * weight).sum();
    }
    weights.iter().zip(start..).map(|(weight, index)| weight * reflected(samples, index)).sum()
}

fn reflected(samples: &[f64], index: isize) -> f64 {
    let last = samples.len() as isize - 1;
    let at = |index: isize| samples.get(index.clamp(0, last) as usize).copied().unwrap_or(0.0);
    if index < 0 {
        2.0 * at(0) - at(-index)
    } else if index > last {
        2.0 * at(last) - at(2 * last - index)
    } else {
        at(index)
    }
}

/// The samples with missing ones replaced by a straight line between their neighbours (level at the ends).
fn bridge(input: &[f64]) -> Vec<f64> {
    let mut bridged = input.to_vec();
    let mut previous: Option<(usize, f64)> = None;
    for (index, &value) in input.iter().enumerate() {
        if value.is_nan() {
            continue;
        }
        let start = previous.map_or(0, |(at, _)| at + 1);
        let from = previous.map_or(value, |(_, from)| from);
        let steps = (index + 1 - start) as f64;
        for (step, slot) in bridged.iter_mut().take(index).skip(start).enumerate() {
            *slot = from + (value - from) * (step + 1) as f64 / steps;
        }
        previous = Some((index, value));
    }
    let (tail, level) = previous.map_or((0, 0.0), |(at, level)| (at + 1, level));
    bridged.iter_mut().skip(tail).for_each(|slot| *slot = level);
    bridged
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wave(hz: f64, rate: f64, seconds: f64) -> Vec<f64> {
        let count = (seconds * rate) as usize;
        (0..count).map(|k| libm::sin(core::f64::consts::TAU * hz * k as f64 / rate + 0.3)).collect()
    }

    /// As many as lie within the input.
    fn to_frame_rate(input: &[f64], input_hz: f64, first_s: f64) -> Vec<f64> {
        let span_s = input.len().saturating_sub(1) as f64 / input_hz;
        let count = libm::floor(span_s * 4800.0 + 1e-9) as usize + 1;
        resample(input, input_hz, first_s, if input.is_empty() { 0 } else { count })
    }

    /// Largest error of an output against the true sine, away from the ends.
    fn worst(hz: f64, rate: f64) -> f64 {
        let output = to_frame_rate(&wave(hz, rate, 1.0), rate, 0.0);
        let truth = wave(hz, 4800.0, 1.0);
        let inside = 200..output.len() - 200;
        inside.map(|k| libm::fabs(output[k] - truth[k])).fold(0.0, |a, b| if b > a { b } else { a })
    }

    #[test]
    fn sines_keep_size_and_phase() {
        for rate in [2000.0, 4000.0, 5760.0, 7680.0, 7681.0, 15_360.0, 20_000.0, 100_000.0, 4799.7] {
            for hz in [50.0, 60.0, 300.0, 780.0] {
                assert!(worst(hz, rate) < 1e-4, "{hz} Hz at {rate} Hz: {}", worst(hz, rate));
            }
        }
        assert!(worst(2000.0, 7680.0) < 1e-4, "{}", worst(2000.0, 7680.0));
    }

    #[test]
    fn what_cannot_be_carried_is_removed_not_folded() {
        // 4500 Hz would fold to 300 Hz.
        let output = to_frame_rate(&wave(4500.0, 15_360.0, 1.0), 15_360.0, 0.0);
        assert!(output[200..4600].iter().all(|value| libm::fabs(*value) < 1e-4));
    }

    #[test]
    fn frame_rate_passes_unchanged() {
        let input = wave(60.0, 4800.0, 0.5);
        assert_eq!(to_frame_rate(&input, 4800.0, 0.0), input);
    }

    #[test]
    fn a_shift_moves_time() {
        let output = to_frame_rate(&wave(60.0, 4800.0, 0.5), 4800.0, 1e-4);
        let truth = libm::sin(core::f64::consts::TAU * 60.0 * (1000.0 / 4800.0 + 1e-4) + 0.3);
        assert!(libm::fabs(output[1000] - truth) < 1e-4);
    }

    #[test]
    fn missing_samples_stay_missing_and_hurt_nobody_else() {
        let mut input = wave(60.0, 7680.0, 0.5);
        input[1600] = f64::NAN;
        let output = to_frame_rate(&input, 7680.0, 0.0);
        assert_eq!(output.iter().filter(|value| value.is_nan()).count(), 1);
        assert!(output[1000].is_nan());
        let truth = wave(60.0, 4800.0, 0.5);
        assert!(libm::fabs(output[1001] - truth[1001]) < 2e-3);
    }

    #[test]
    fn tiny_inputs_do_not_fail() {
        assert!(to_frame_rate(&[], 7680.0, 0.0).is_empty());
        assert_eq!(to_frame_rate(&[2.0], 7680.0, 0.0), [2.0]);
        assert!(to_frame_rate(&[f64::NAN; 3], 100_000.0, 0.0)[0].is_nan());
    }
}
