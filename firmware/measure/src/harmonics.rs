//! Harmonics of a window: the subgroups of IEC 61000-4-7, from the bins of its transform.

use microfft::Complex32;

/// Harmonics measured: the fundamental and its multiples to the 25th.
pub const HARMONICS: usize = 25;

/// rms of the harmonic subgroups of a channel, the fundamental first.
pub type Harmonics = [f32; HARMONICS];

/// Nothing measured.
pub const NONE: Harmonics = [f32::NAN; HARMONICS];

/// The subgroups of a window of `cycles` cycles: of each harmonic the bin on it and the two beside it, whose squares are
/// summed (IEC 61000-4-7 5.6, from memory). `bins` are those of the transform; `scale` makes the rms of a bin's
/// component from its size.
pub fn subgroups(bins: &[Complex32], cycles: u16, scale: f32) -> Harmonics {
    let mut harmonics = [0.0; HARMONICS];
    let first = usize::from(cycles).saturating_sub(1);
    let runs = bins.get(first..).unwrap_or_default().chunks(usize::from(cycles.max(3)));
    for (harmonic, run) in harmonics.iter_mut().zip(runs) {
        let mut sum = 0.0;
        for bin in run.iter().take(3) {
            sum += bin.re * bin.re + bin.im * bin.im;
        }
        *harmonic = libm::sqrtf(sum) * scale;
    }
    harmonics
}

/// Total harmonic distortion of the subgroups through the 25th, in percent of the fundamental's (THDS of IEC 61000-4-7 3.3.2,
/// from memory; the standard goes on to the 40th or 50th). NaN without a fundamental.
pub fn thd_percent(harmonics: &Harmonics) -> f32 {
    let [fundamental, others @ ..] = harmonics;
    let mut sum = 0.0;
    for harmonic in others {
        sum += harmonic * harmonic;
    }
    let thd = 100.0 * libm::sqrtf(sum) / fundamental;
    if thd.is_finite() { thd } else { f32::NAN }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use std::vec;

    #[test]
    fn the_worked_example_of_60_hz() {
        // rms by frequency, 12 cycles, 5 Hz a bin: a worked example of IEC 61000-4-7 (computed with numpy). The subgroup of
        // the fifth holds 295, 300 and 305 Hz; 290, 310 and 330 Hz belong to no subgroup.
        let lines = [
            (60, 100.0),
            (180, 1.5),
            (290, 0.6),
            (295, 0.5),
            (300, 3.0),
            (305, 1.0),
            (310, 0.8),
            (330, 0.9),
            (420, 2.0),
        ];
        let mut bins = vec![Complex32::default(); 512];
        for (hz, rms) in lines {
            bins[hz / 5] = Complex32::new(0.6 * rms, -0.8 * rms);
        }
        let harmonics = subgroups(&bins, 12, 1.0);
        let expected = [(1, 100.0), (2, 0.0), (3, 1.5), (5, 3.201_562), (7, 2.0), (25, 0.0)];
        for (order, rms) in expected {
            assert!((harmonics[order - 1] - rms).abs() < 1e-5, "{order}: {harmonics:?}");
        }
        assert!((thd_percent(&harmonics) - 4.062_019).abs() < 1e-5, "{}", thd_percent(&harmonics));
    }

    #[test]
    fn nothing_has_no_distortion() {
        assert!(thd_percent(&[0.0; HARMONICS]).is_nan());
        assert_eq!(subgroups(&[], 12, 1.0), [0.0; HARMONICS]);
    }
}
