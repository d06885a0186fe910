//! Ten minutes of harmonics, distortion and loading, combined as intervals are.

use wyelog_electrical::MeanSquare;
use wyelog_electrical::capacitor::Loading;
use wyelog_protocol::quantity::{Quantity, Scale, Stepped};
use wyelog_protocol::record::{Spectrum, v1};

use crate::clock::Clock;
use crate::identify::Measured;
use crate::measure::harmonics::Harmonics;
use crate::tick::Ticks;

/// Length of a spectrum in seconds (the 10-minute interval of IEC 61000-4-30 4.5, from memory).
const SECONDS: u16 = 600;

/// Sums of squares of the 2nd to the 25th harmonic. A plain sum of 3000 is good to five digits.
type Squares = [f32; v1::HARMONICS];

/// Collects the windows of one spectrum.
#[derive(Debug)]
pub struct Spectra {
    ticks: Ticks,
    windows: u16,
    flagged: u16,
    /// Windows whose values are in the sums.
    taken: u16,
    harmonics: [Squares; 4],
    /// Distortion, current and reactive loading, in percent, of A, B, C.
    others: [[MeanSquare; 3]; 3],
}

impl Spectra {
    /// The first one ends at the first multiple of ten minutes.
    pub fn new(clock: &Clock) -> Self {
        Self {
            ticks: Ticks::new(SECONDS, clock),
            windows: 0,
            flagged: 0,
            taken: 0,
            harmonics: [[0.0; v1::HARMONICS]; 4],
            others: [[MeanSquare::new(); 3]; 3],
        }
    }

    /// Frame at which the ten minutes end.
    pub const fn tick(&self) -> u64 {
        self.ticks.next()
    }

    /// The clock has been set.
    pub fn place_end(&mut self, clock: &Clock) {
        self.ticks.place(clock);
    }

    /// Takes a window; gives the spectrum that it completes. A window with lost frames counts, its values do not.
    pub fn window(&mut self, measured: &Measured, clock: &Clock) -> Option<Spectrum> {
        self.windows = self.windows.saturating_add(1);
        self.flagged = self.flagged.saturating_add(u16::from(measured.flagged));
        if !measured.gap {
            self.take(measured);
        }
        if measured.end < self.ticks.next() {
            return None;
        }
        let spectrum = self.spectrum(clock.stamp(self.ticks.close(measured.end)));
        *self = Self::new(clock);
        Some(spectrum)
    }

    fn take(&mut self, measured: &Measured) {
        self.taken = self.taken.saturating_add(1);
        let [a, b, c] = &measured.voltage_harmonics;
        for (sums, channel) in self.harmonics.iter_mut().zip([a, b, c, &measured.neutral_harmonics]) {
            add(sums, channel);
        }
        let loading = measured.loading.map(Option::unwrap_or_default);
        let [distortion, current, reactive] = &mut self.others;
        for (sums, values) in [
            (distortion, measured.thd),
            (current, loading.map(|loading: Loading| loading.current * 100.0)),
            (reactive, loading.map(|loading: Loading| loading.reactive * 100.0)),
        ] {
            for (sum, value) in sums.iter_mut().zip(values) {
                // Without a fundamental there is no distortion: NaN is left out.
                let _ = sum.push(value);
            }
        }
    }

    fn spectrum(&self, stamp: v1::Stamp) -> Spectrum {
        let [a, b, c, neutral] = &self.harmonics;
        let [thd, current_loading, reactive_loading] = &self.others;
        Spectrum {
            stamp,
            windows: self.windows,
            flagged: self.flagged,
            voltage: [a, b, c].map(|sums| self.harmonics_of(sums)),
            neutral: self.harmonics_of(neutral),
            thd: thd.map(percent),
            current_loading: current_loading.map(percent),
            reactive_loading: reactive_loading.map(percent),
        }
    }

    /// Absent without a window: 0/0.
    fn harmonics_of<S: Scale>(&self, sums: &Squares) -> [Stepped<S>; v1::HARMONICS] {
        sums.map(|sum| Stepped::quantise(100.0 * libm::sqrtf(sum / f32::from(self.taken))))
    }
}

fn percent<S: Scale>(sum: MeanSquare) -> Quantity<S> {
    sum.rms().map_or(Quantity::ABSENT, Quantity::quantise)
}

fn add(sums: &mut Squares, harmonics: &Harmonics) {
    let [_, others @ ..] = harmonics;
    for (sum, rms) in sums.iter_mut().zip(others) {
        *sum += rms * rms;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frontend::Scaling;
    use crate::identify::Identifier;
    use crate::measure::window::Window;
    use crate::testing::settings;

    #[test]
    fn ten_minutes_are_combined_as_the_root_of_the_mean_of_squares() {
        let scaling = Scaling::new(&settings());
        let mut clock = Clock::new(0);
        let mut spectra = Spectra::new(&clock);
        assert_eq!(spectra.tick(), 600 * 4800);
        // Half of the windows with 3 % of fifth, half with 1 %: sqrt(5) %.
        for n in 0..3000_u64 {
            let mut window = Window { flagged: n == 7, ..Window::of_zeros(n * 960, (n + 1) * 960) };
            for (phase, scale) in scaling.voltage.into_iter().enumerate() {
                window.harmonics[phase][0] = 1.0 / scale;
                window.harmonics[phase][4] = if n % 2 == 0 { 0.03 } else { 0.01 } / scale;
            }
            clock.advance(960);
            let measured = Identifier::new(scaling, 12).measure(&window);
            let spectrum = spectra.window(&measured, &clock);
            assert_eq!(spectrum.is_some(), n == 2999);
            if let Some(spectrum) = spectrum {
                assert_eq!((spectrum.windows, spectrum.flagged), (3000, 1));
                assert_eq!(spectrum.stamp.frame, 600 * 4800);
                // Between 2.20 % and 2.28 %, which are neighbours on the scale.
                assert_eq!(spectrum.voltage[1][3].steps(), Some(224));
                assert_eq!(spectrum.thd[2].steps(), Some(224));
                assert_eq!(spectrum.neutral[3].steps(), Some(0));
                // 7200 V units on 12.47 kV: 0.99994 of their voltage; sqrt(1 + 25·0.0005).
                assert_eq!(spectrum.current_loading[0].steps(), Some(1006));
            }
        }
        assert_eq!(spectra.tick(), 1200 * 4800);
    }
}
