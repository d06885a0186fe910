//! The table of the sweep: what is measured, what the standards allow, what we want to reach, and the worst that was seen.

/// A quantity with a limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Quantity {
    /// True rms of a voltage or of the neutral current.
    Rms,
    /// Frequency of a signal without harmonics.
    Frequency,
    /// Frequency of a signal with harmonics, 10 % third and 10 % fifth among others.
    FrequencyDistorted,
    /// u2 and u0.
    Unbalance,
    /// Harmonics of 1 % of nominal and more, relative.
    HarmonicLarge,
    /// Harmonics below 1 % of nominal, those that are not there among them.
    HarmonicSmall,
    /// Total harmonic distortion through the 25th.
    Thd,
    /// Total vector error of a phasor.
    Tve,
    /// How well a window holds whole cycles.
    WindowLength,
    /// NEMA MG 1 unbalance.
    Nema,
    /// rms current of a rated capacitor.
    CurrentLoading,
    /// Reactive power of a rated capacitor.
    ReactiveLoading,
    /// Largest instantaneous voltage.
    Crest,
}

/// A line of the table.
#[derive(Clone, Copy, Debug)]
pub struct Line {
    /// What.
    pub quantity: Quantity,
    /// What a table calls it.
    pub name: &'static str,
    /// Unit of the error.
    pub unit: &'static str,
    /// The standard's limit in that unit, and which standard. All from memory.
    pub standard: Option<(f64, &'static str)>,
    /// The limit that we hold ourselves to, in that unit.
    pub reach: Option<f64>,
}

const fn line(
    quantity: Quantity,
    name: &'static str,
    unit: &'static str,
    standard: Option<(f64, &'static str)>,
    reach: Option<f64>,
) -> Line {
    Line { quantity, name, unit, standard, reach }
}

/// The table. The limits of the standards are from memory: no standard's own text was at hand.
pub const LINES: [Line; 13] = [
    line(
        Quantity::Rms,
        "rms, 10–150 % of declared",
        "% of declared",
        Some((0.1, "IEC 61000-4-30 class A")),
        Some(0.01),
    ),
    line(
        Quantity::Frequency,
        "frequency, no harmonics",
        "mHz",
        Some((10.0, "IEC 61000-4-30 class A")),
        Some(1.0),
    ),
    line(
        Quantity::FrequencyDistorted,
        "frequency, with harmonics",
        "mHz",
        Some((10.0, "IEC 61000-4-30 class A")),
        Some(2.0),
    ),
    line(
        Quantity::Unbalance,
        "u2 and u0 up to 5 %",
        "percentage points",
        Some((0.15, "IEC 61000-4-30 class A")),
        Some(0.01),
    ),
    line(
        Quantity::HarmonicLarge,
        "harmonics of 1 % and more",
        "% of reading",
        Some((5.0, "IEC 61000-4-7 class I")),
        Some(0.5),
    ),
    line(
        Quantity::HarmonicSmall,
        "harmonics below 1 %",
        "% of nominal",
        Some((0.05, "IEC 61000-4-7 class I")),
        Some(0.005),
    ),
    // Follows from the two above: 0.5 % of the reading, or √24 times 0.005 %.
    line(Quantity::Thd, "THD through the 25th", "percentage points", None, Some(0.025)),
    line(Quantity::Tve, "phasors, f_n ± 5 Hz", "% TVE", Some((1.0, "IEC/IEEE 60255-118-1")), Some(0.05)),
    line(
        Quantity::WindowLength,
        "length of a window",
        "% of its length",
        Some((0.03, "IEC 61000-4-7 4.4.1")),
        Some(0.03),
    ),
    line(Quantity::Nema, "NEMA unbalance", "percentage points", None, None),
    line(Quantity::CurrentLoading, "rms current loading", "% of reading", None, None),
    line(Quantity::ReactiveLoading, "kvar loading", "% of reading", None, None),
    line(Quantity::Crest, "crest of the voltage", "% of reading", None, None),
];

/// How many lines.
pub const COUNT: usize = LINES.len();

/// The worst error seen and where.
#[derive(Clone, Debug, Default)]
pub struct Worst {
    /// Its size, in the line's unit; NaN if nothing was measured.
    pub error: f64,
    /// At which signal.
    pub at: String,
    /// How many values were judged.
    pub values: u64,
}

impl Worst {
    /// Takes an error of either sign. One that is not a number is worse than any.
    pub fn take(&mut self, error: f64, at: impl FnOnce() -> String) {
        let size = if error.is_nan() { f64::INFINITY } else { error.abs() };
        if self.values == 0 || size > self.error {
            self.error = size;
            self.at = at();
        }
        self.values += 1;
    }

    /// Takes the worse of both.
    pub fn join(&mut self, other: &Self) {
        if other.values > 0 && (self.values == 0 || other.error > self.error) {
            self.error = other.error;
            self.at.clone_from(&other.at);
        }
        self.values += other.values;
    }
}

/// The worst of every line.
#[derive(Clone, Debug, Default)]
pub struct Tally([Worst; COUNT]);

impl Tally {
    /// The worst of this quantity.
    pub fn of(&self, quantity: Quantity) -> &Worst {
        &self.0[quantity as usize]
    }

    /// Takes an error of this quantity.
    pub fn take(&mut self, quantity: Quantity, error: f64, at: impl FnOnce() -> String) {
        self.0[quantity as usize].take(error, at);
    }

    /// Takes the worse of both, line by line.
    pub fn join(&mut self, other: &Self) {
        for (worst, other) in self.0.iter_mut().zip(&other.0) {
            worst.join(other);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_stand_in_the_order_of_their_quantities() {
        for (index, line) in LINES.iter().enumerate() {
            assert_eq!(line.quantity as usize, index);
        }
    }

    #[test]
    fn what_is_no_number_is_worst() {
        let mut worst = Worst::default();
        worst.take(-3.0, || "a".into());
        worst.take(f64::NAN, || "b".into());
        worst.take(7.0, || "c".into());
        assert_eq!((worst.error, worst.at.as_str(), worst.values), (f64::INFINITY, "b", 3));
    }
}
