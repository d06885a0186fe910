//! A window as the judge sees it, and the mean of those before it.

use wyelog_electrical::Phasor;

/// Fundamentals and thirds of a window. Angles are against the positive-sequence voltage (thirds: three times that), voltages
/// per unit of the units' rated voltage, currents per unit of the rated current.
#[derive(Clone, Copy, Debug)]
pub struct Look {
    /// First frame.
    pub begin: u64,
    /// Frame behind the last.
    pub end: u64,
    /// Voltages of A, B, C; that of a phase without a sensor, or whose sensor is not to be trusted, is made of the others.
    pub voltage: [Phasor; 3],
    /// Voltages as the sensors show them; zero without one.
    pub shown: [Phasor; 3],
    /// Mean of the voltages of A, B, C over the window: a capacitor that keeps its charge shows here.
    pub steady_voltage: [f32; 3],
    /// Neutral current.
    pub neutral: Phasor,
    /// Third harmonic of the neutral current.
    pub third: Phasor,
    /// Rms of all that the neutral current is beside its fundamental.
    pub overtones: f32,
    /// Third harmonic of A, B, C.
    pub third_voltage: [Phasor; 3],
    /// Frequency over the rated one.
    pub ratio: f32,
}

impl Look {
    /// Nothing but zeros.
    pub const fn dark(begin: u64, end: u64) -> Self {
        Self {
            begin,
            end,
            voltage: [Phasor::ZERO; 3],
            shown: [Phasor::ZERO; 3],
            steady_voltage: [0.0; 3],
            neutral: Phasor::ZERO,
            third: Phasor::ZERO,
            overtones: 0.0,
            third_voltage: [Phasor::ZERO; 3],
            ratio: 1.0,
        }
    }

    /// Currents of A, B, C with the rated capacitance: j·(f/f_r)·V.
    pub fn unit_currents(&self) -> [Phasor; 3] {
        self.voltage.map(|v| v.times_j().scale(self.ratio))
    }

    /// Neutral current with these `y`.
    pub fn explained(&self, y: [f32; 3]) -> Phasor {
        self.unit_currents().into_iter().zip(y).map(|(i, y)| i.scale(y)).sum()
    }

    /// Its third harmonic with these `y`.
    pub fn explained_third(&self, y: [f32; 3]) -> Phasor {
        let sum: Phasor = self.third_voltage.into_iter().zip(y).map(|(v, y)| v.scale(y)).sum();
        sum.times_j().scale(3.0 * self.ratio)
    }

    /// Mean size of the voltages.
    pub fn level(&self) -> f32 {
        let [a, b, c] = self.voltage.map(Phasor::magnitude);
        (a + b + c) / 3.0
    }
}

/// What the windows of the recent past said while nothing happened.
#[derive(Clone, Copy, Debug)]
pub struct Past {
    /// Mean residual against the estimate.
    pub residual: Phasor,
    /// Mean neutral current.
    pub neutral: Phasor,
    /// Mean third harmonic of it.
    pub third: Phasor,
    /// Mean residual of the third.
    pub third_residual: Phasor,
    /// Mean of the rms of all that it is beside its fundamental.
    pub overtones: f32,
    /// Windows in the mean, at most fifty.
    pub windows: u8,
}

impl Past {
    /// Nothing yet.
    pub const NONE: Self = Self {
        residual: Phasor::ZERO,
        neutral: Phasor::ZERO,
        third: Phasor::ZERO,
        third_residual: Phasor::ZERO,
        overtones: 0.0,
        windows: 0,
    };
    /// Windows that a mean is made of: 10 s. What changes more slowly is no step.
    const LONGEST: u8 = 50;
    /// Windows before a mean is worth comparing with.
    const LEAST: u8 = 5;

    /// Takes a window.
    pub fn push(&mut self, look: &Look, residual: Phasor, third_residual: Phasor) {
        self.windows = self.windows.saturating_add(1).min(Self::LONGEST);
        let share = 1.0 / f32::from(self.windows);
        for (mean, new) in [
            (&mut self.residual, residual),
            (&mut self.neutral, look.neutral),
            (&mut self.third, look.third),
            (&mut self.third_residual, third_residual),
        ] {
            *mean += (new - *mean).scale(share);
        }
        self.overtones += (look.overtones - self.overtones) * share;
    }

    /// Whether there is enough of it.
    pub const fn is_known(&self) -> bool {
        self.windows >= Self::LEAST
    }
}

#[cfg(test)]
mod tests;
