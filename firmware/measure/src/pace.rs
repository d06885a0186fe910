//! The frequency to cut windows by.
//!
//! Between two windows the frequency is measured to a fraction of a millihertz, free of harmonics, but for a window ago.
//! The cycle watch knows it now, but with harmonics on a frequency off the rated one only to a few millihertz, and a window
//! that is cut 3 mHz wrong shows 0.005 % of its fundamental beside the second harmonic. So the windows say where it is and the
//! watch where it went, if that is more than its own error.

/// A change that the watch reports and that is smaller than this may be its own error, in Hz: twice 7 mHz.
const UNSURE: f32 = 0.015;

/// When windows and watch differ by more than this, something happened and the windows are wrong, in Hz.
const DISAGREE: f32 = 0.05;

/// What windows and watch said last.
#[derive(Clone, Copy, Debug)]
pub struct Pace {
    /// Frequency between the last two windows, in Hz; NaN if there is none.
    between: f32,
    /// What the watch said of the last two windows.
    watch: [f32; 2],
}

impl Default for Pace {
    fn default() -> Self {
        Self { between: f32::NAN, watch: [f32::NAN; 2] }
    }
}

impl Pace {
    /// Takes the frequency measured between the last window and this one (NaN if there is none), and what the watch had said
    /// when this one was cut.
    pub const fn window(&mut self, between: f32, watch: f32) {
        let [_, before] = self.watch;
        self.watch = [before, watch];
        self.between = between;
    }

    /// Frequency for the next window, in Hz, when the watch says this.
    pub fn frequency(&self, watch: f32) -> f32 {
        let [before, last] = self.watch;
        let then = 0.5 * (before + last);
        let drift = watch - then;
        if (self.between - then).abs() < DISAGREE {
            if drift.abs() < UNSURE { self.between } else { self.between + drift }
        } else {
            // Also without a frequency between windows.
            watch
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn windows_say_where_and_the_watch_where_it_went() {
        let mut pace = Pace::default();
        assert_eq!(pace.frequency(59.0), 59.0);
        pace.window(f32::NAN, 60.003);
        assert_eq!(pace.frequency(60.001), 60.001);
        pace.window(60.0001, 60.001);
        assert_eq!(pace.frequency(59.998), 60.0001);
        // Falling by 1 Hz/s: 0.3 s from the border between two windows to the middle of the next.
        let mut pace = Pace::default();
        pace.window(f32::NAN, 60.0);
        pace.window(59.9, 59.8);
        assert!((pace.frequency(59.6) - 59.6).abs() < 1e-4);
        // A phase jump between two windows.
        pace.window(60.4, 59.6);
        assert_eq!(pace.frequency(59.5), 59.5);
    }
}
