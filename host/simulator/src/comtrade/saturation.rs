//! Samples at the end of their converter's range: what was there was larger, nobody knows how much.

use super::config::{AnalogChannel, Encoding};

/// Fewest samples in a row at a stated limit that are taken for saturation.
const ROW: usize = 3;
/// Smallest limit of a converter, in counts: not quite 8 bits with sign. A channel that rests within fewer is quiet, not saturated.
const SMALLEST: f64 = 100.0;

/// Which of these samples of `channel`, taken at up to `hz`, stand at `min` or `max` of the `.cfg` file.
///
/// Writers put different things there. Limits that the samples go beyond are none (some state them in the unit). Many scale
/// each record so that its own crest is `max`: a crest stands there for a moment, a saturated converter for longer. So it
/// takes a row of samples, longer than the crest of a sine stays within half a count of it.
pub(super) fn saturated(channel: &AnalogChannel, encoding: Encoding, column: &[f64], hz: f64) -> Vec<bool> {
    let (low, high) = (channel.min, channel.max);
    let none = vec![false; column.len()];
    if low >= high {
        return none;
    }
    let counts = |value: f64| (value - channel.b) / channel.a;
    // Counts are whole numbers but for FLOAT32, whose values carry 24 bits.
    let is_float = encoding == Encoding::Float32;
    let near = |limit: f64| if is_float { libm::fabs(limit) * 1e-6 } else { 0.25 };
    let (near_low, near_high) = (near(low), near(high));
    if column.iter().any(|&value| counts(value) < low - near_low || counts(value) > high + near_high) {
        return none;
    }
    let is_limit = |limit: f64| limit != 0.0 && (is_float || libm::fabs(limit) >= SMALLEST);
    let (is_low_limit, is_high_limit) = (is_limit(low), is_limit(high));
    let at_limit = |value: f64| {
        (is_low_limit && counts(value) <= low + near_low)
            || (is_high_limit && counts(value) >= high - near_high)
    };
    let mut flags: Vec<bool> = column.iter().map(|&value| at_limit(value)).collect();
    let larger = if libm::fabs(low) > libm::fabs(high) { libm::fabs(low) } else { libm::fabs(high) };
    let row = shortest_row(if is_float { 1e6 } else { larger }, hz);
    for run in flags.chunk_by_mut(|a, b| a == b) {
        if run.len() < row {
            run.fill(false);
        }
    }
    flags
}

/// Twice the samples that the crest of a sine of 50 Hz with this many counts is rounded to it: 1 − cos x = 1/2 count.
fn shortest_row(counts: f64, hz: f64) -> usize {
    let crest_s = 2.0 * libm::sqrt(1.0 / counts) / (core::f64::consts::TAU * 50.0);
    ROW.max(libm::ceil(2.0 * crest_s * hz) as usize)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn channel(min: f64, max: f64) -> AnalogChannel {
        AnalogChannel {
            id: "VA".into(),
            phase: "A".into(),
            component: String::new(),
            unit: "V".into(),
            a: 0.5,
            b: 1.0,
            skew_us: 0.0,
            min,
            max,
            primary: 1.0,
            secondary: 1.0,
            is_secondary: false,
        }
    }

    fn which(min: f64, max: f64, encoding: Encoding, counts: &[f64]) -> Vec<usize> {
        let column: Vec<f64> = counts.iter().map(|x| 0.5 * x + 1.0).collect();
        let flags = saturated(&channel(min, max), encoding, &column, 4800.0);
        (0..counts.len()).filter(|&index| flags[index]).collect()
    }

    #[test]
    fn a_row_at_the_converter_s_end_is_saturation() {
        let top = 32_767.0;
        let counts = [0.0, top, top, top, 32_766.0, f64::NAN, -top, -top, -top, -top, 0.0, top, top, 0.0];
        assert_eq!(which(-top, top, Encoding::Binary, &counts), [1, 2, 3, 6, 7, 8, 9]);
        assert_eq!(which(-32_768.0, top, Encoding::Binary, &counts), [1, 2, 3]);
        assert_eq!(which(0.0, 4095.0, Encoding::Ascii, &[0.0, 0.0, 0.0, 4095.0, 4095.0, 4095.0]), [3, 4, 5]);
    }

    #[test]
    fn a_crest_is_no_saturation() {
        // The record's own crest, at any rate and of any number of bits.
        for (top, hz) in [(32_767.0, 4800.0), (32_767.0, 100_000.0), (2047.0, 100_000.0), (127.0, 4800.0)] {
            let wave = |k: usize| top * libm::cos(core::f64::consts::TAU * 50.0 * k as f64 / hz);
            let column: Vec<f64> = (0..4000).map(|k| 0.5 * libm::round(wave(k)) + 1.0).collect();
            let crest = column.iter().filter(|value| **value == 0.5 * top + 1.0).count();
            assert!(crest > 0);
            let flags = saturated(&channel(-top, top), Encoding::Binary, &column, hz);
            assert!(!flags.contains(&true), "{top} at {hz} Hz");
            // Cut off at 97 %, it is.
            let limit = libm::round(0.97 * top);
            let clipped: Vec<f64> =
                column.iter().map(|value| 0.5 * ((value - 1.0) * 2.0).clamp(-limit, limit) + 1.0).collect();
            let flags = saturated(&channel(-limit, limit), Encoding::Binary, &clipped, hz);
            assert!(flags.contains(&true), "{top} at {hz} Hz");
        }
        // Limits in another unit, no limits, and a channel that is quiet.
        let flat = [0.0, 10_000.0, 10_000.0, 10_000.0, 0.0];
        assert!(which(-5.0, 5.0, Encoding::Binary, &flat).is_empty());
        assert!(which(0.0, 0.0, Encoding::Binary, &[0.0; 9]).is_empty());
        assert!(which(-1.0, 1.0, Encoding::Binary, &[1.0; 9]).is_empty());
    }

    #[test]
    fn floats_saturate_at_what_is_stated() {
        assert_eq!(which(-8000.0, 8000.0, Encoding::Float32, &[1.0, 8000.0, 8000.0, 8000.0, 2.0]), [1, 2, 3]);
        assert!(which(-3.4e38, 3.4e38, Encoding::Float32, &[1.0, 8000.0]).is_empty());
    }
}
