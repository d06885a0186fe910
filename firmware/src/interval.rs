//! Windows combined into intervals (IEC 61000-4-30 4.5): the root of the mean of the squares.

use wyelog_electrical::{MeanSquare, Phasor};
use wyelog_protocol::condition::Phases;
use wyelog_protocol::quantity::{Angle, Current, Frequency, PerUnit, Percent, Quantity, Scale, Voltage};
use wyelog_protocol::record::{BankState, Interval, Polar, Quality, Range};

use crate::clock::Clock;
use crate::frontend::Scaling;
use crate::identify::{Identified, Measured};
use crate::tick::Ticks;

/// Smallest and largest of the values seen.
#[derive(Clone, Copy, Debug)]
struct Span {
    min: f32,
    max: f32,
}

impl Span {
    const EMPTY: Self = Self { min: f32::NAN, max: f32::NAN };

    fn push(&mut self, value: f32) {
        // By hand: `f32::min` is not the same everywhere. The NaN of an empty span gives way to anything.
        if self.min.is_nan() || value < self.min {
            self.min = value;
        }
        if self.max.is_nan() || value > self.max {
            self.max = value;
        }
    }
}

/// The mean of phasors. A sum of 18 000 of size one is good to 1e-4 of the mean.
#[derive(Clone, Copy, Debug)]
struct MeanPhasor {
    sum: Phasor,
    count: u16,
}

impl MeanPhasor {
    const EMPTY: Self = Self { sum: Phasor::ZERO, count: 0 };

    fn push(&mut self, phasor: Option<Phasor>) {
        if let Some(phasor) = phasor.filter(|phasor| phasor.is_finite()) {
            self.sum += phasor;
            self.count = self.count.saturating_add(1);
        }
    }

    /// Absent when empty.
    fn polar(&self) -> Polar {
        if self.count == 0 {
            return Polar::default();
        }
        let mean = self.sum.scale(1.0 / f32::from(self.count));
        Polar { size: PerUnit::quantise(mean.magnitude()), angle: Angle::quantise(mean.angle_degrees()) }
    }
}

/// What is known of the bank when an interval ends.
#[derive(Clone, Copy, Debug, Default)]
pub struct Known {
    /// Whether it is in.
    pub state: BankState,
    /// How good its connected capacitances are.
    pub quality: Quality,
}

/// Collects the windows of one interval.
#[derive(Debug)]
pub struct Intervals {
    ticks: Ticks,
    sums: Sums,
}

#[derive(Debug)]
struct Sums {
    windows: u16,
    flagged: u16,
    /// Sum of the deviations from the rated frequency, in Hz.
    frequency: f32,
    frequencies: u16,
    voltage: [MeanSquare; 3],
    voltage_span: [Span; 3],
    neutral: MeanSquare,
    neutral_span: Span,
    residual: MeanSquare,
    neutral_phasor: MeanPhasor,
    residual_phasor: MeanPhasor,
    u2: MeanSquare,
    u0: MeanSquare,
    nema: MeanSquare,
    /// Sums over the windows in which it was identified.
    connected: [f32; 3],
    identified: u16,
}

impl Sums {
    const EMPTY: Self = Self {
        windows: 0,
        flagged: 0,
        frequency: 0.0,
        frequencies: 0,
        voltage: [MeanSquare::new(); 3],
        voltage_span: [Span::EMPTY; 3],
        neutral: MeanSquare::new(),
        neutral_span: Span::EMPTY,
        residual: MeanSquare::new(),
        neutral_phasor: MeanPhasor::EMPTY,
        residual_phasor: MeanPhasor::EMPTY,
        u2: MeanSquare::new(),
        u0: MeanSquare::new(),
        nema: MeanSquare::new(),
        connected: [0.0; 3],
        identified: 0,
    };
}

impl Intervals {
    /// Intervals of so many seconds; the first one ends at the first multiple of it.
    pub fn new(seconds: u16, clock: &Clock) -> Self {
        Self { ticks: Ticks::new(seconds.clamp(10, 3600), clock), sums: Sums::EMPTY }
    }

    /// The clock has been set: intervals end at multiples of their length in UTC.
    pub fn place_end(&mut self, clock: &Clock) {
        self.ticks.place(clock);
    }

    /// Frame at which the interval under way ends.
    pub const fn tick(&self) -> u64 {
        self.ticks.next()
    }

    /// Takes the half-cycle rms of A, B, C, per unit, of those that `refreshed` names.
    pub fn half_cycle(&mut self, rms: [f32; 3], refreshed: Phases) {
        for (phase, (span, rms)) in self.sums.voltage_span.iter_mut().zip(rms).enumerate() {
            if refreshed.contains(phase) {
                span.push(rms);
            }
        }
    }

    /// Takes a window; gives the interval that it completes.
    pub fn window(
        &mut self,
        measured: &Measured,
        identified: Option<&Identified>,
        scaling: &Scaling,
        known: &Known,
        clock: &Clock,
    ) -> Option<Interval> {
        let sums = &mut self.sums;
        sums.count(measured.flagged);
        if !measured.frequency.is_nan() {
            // The deviation, not the frequency itself: a sum of 18 000 frequencies would lose three digits.
            sums.frequency += measured.frequency - scaling.rated_hz;
            sums.frequencies = sums.frequencies.saturating_add(1);
        }
        for (sum, rms) in sums.voltage.iter_mut().zip(measured.voltage_rms) {
            push(sum, Some(rms));
        }
        push(&mut sums.neutral, Some(measured.neutral_rms));
        sums.neutral_span.push(measured.neutral_rms);
        let fundamental = measured.fundamental.as_ref();
        push(&mut sums.u2, fundamental.and_then(|f| f.u2));
        push(&mut sums.u0, fundamental.and_then(|f| f.u0));
        push(&mut sums.nema, fundamental.and_then(|f| f.nema));
        push(&mut sums.residual, identified.map(|i| i.residual.magnitude()));
        // Against the ideal capacitor current of phase A.
        sums.neutral_phasor.push(fundamental.map(|f| -f.neutral.times_j()));
        sums.residual_phasor.push(identified.map(|i| i.residual));
        if let Some(identified) = identified.filter(|i| i.connected.iter().all(|y| !y.is_nan())) {
            for (sum, connected) in sums.connected.iter_mut().zip(identified.connected) {
                *sum += connected;
            }
            sums.identified = sums.identified.saturating_add(1);
        }
        self.finish(measured.end, scaling, known, clock)
    }

    /// Takes a window with lost frames: it counts, its values do not.
    pub fn gap(
        &mut self,
        measured: &Measured,
        scaling: &Scaling,
        known: &Known,
        clock: &Clock,
    ) -> Option<Interval> {
        self.sums.count(true);
        self.finish(measured.end, scaling, known, clock)
    }

    fn finish(&mut self, end: u64, scaling: &Scaling, known: &Known, clock: &Clock) -> Option<Interval> {
        if end < self.ticks.next() {
            return None;
        }
        let sums = core::mem::replace(&mut self.sums, Sums::EMPTY);
        let end = self.ticks.close(end);
        self.ticks.place(clock);
        Some(sums.interval(end, scaling, known, clock))
    }
}

/// An absent or impossible value leaves the mean as it is.
fn push(sum: &mut MeanSquare, rms: Option<f32>) {
    if let Some(rms) = rms {
        let _ = sum.push(rms);
    }
}

impl Sums {
    fn count(&mut self, flagged: bool) {
        self.windows = self.windows.saturating_add(1);
        self.flagged = self.flagged.saturating_add(u16::from(flagged));
    }

    fn interval(&self, end: u64, scaling: &Scaling, known: &Known, clock: &Clock) -> Interval {
        let mut voltage = [Range::default(); 3];
        for ((range, sum), span) in voltage.iter_mut().zip(&self.voltage).zip(&self.voltage_span) {
            *range = range_of(sum, span, scaling.base_voltage, Voltage::quantise);
        }
        let percent = |sum: &MeanSquare| quantity(sum.rms());
        Interval {
            stamp: clock.stamp(end),
            windows: self.windows,
            flagged: self.flagged,
            frequency: Frequency::quantise(scaling.rated_hz + self.frequency / f32::from(self.frequencies)),
            voltage,
            neutral: range_of(&self.neutral, &self.neutral_span, scaling.base_current, Current::quantise),
            residual: quantity(self.residual.rms()),
            neutral_phasor: self.neutral_phasor.polar(),
            residual_phasor: self.residual_phasor.polar(),
            u2: percent(&self.u2) as Percent,
            u0: percent(&self.u0),
            nema: percent(&self.nema),
            // Without a window 0/0, which is absent.
            connected: self.connected.map(|sum| PerUnit::quantise(sum / f32::from(self.identified))),
            quality: known.quality,
            state: known.state,
        }
    }
}

fn quantity<S: Scale>(value: Option<f32>) -> Quantity<S> {
    value.map_or(Quantity::ABSENT, Quantity::quantise)
}

fn range_of<Q>(sum: &MeanSquare, span: &Span, base: f32, quantise: fn(f32) -> Q) -> Range<Q> {
    Range {
        rms: quantise(sum.rms().unwrap_or(f32::NAN) * base),
        min: quantise(span.min * base),
        max: quantise(span.max * base),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identify::Identifier;
    use crate::measure::window::Window;
    use crate::testing::settings;

    #[test]
    fn windows_combine_as_the_root_of_the_mean_of_squares() {
        // IEC 61000-4-30 4.5, worked: 10 × 120.0, 3 × 118.0, 2 × 121.0 give 119.736934, not the mean 119.733333.
        let mut scaling = Scaling::new(&settings());
        scaling.base_voltage = 120.0;
        let mut clock = Clock::new(0);
        let mut intervals = Intervals::new(60, &clock);
        let mut out = None;
        let values = [120.0; 10].into_iter().chain([118.0; 3]).chain([121.0; 2]).chain([f32::NAN; 0]);
        for (n, volts) in values.enumerate() {
            let end = if n == 14 { 60 * 4800 } else { n as u64 * 960 };
            clock.advance(960);
            let window = Window { flagged: n == 3, ..Window::of_zeros(end.saturating_sub(960), end) };
            let measured = Identifier::new(scaling, 12).measure(&window);
            let measured = Measured { frequency: 60.0, voltage_rms: [volts / 120.0; 3], ..measured };
            intervals.half_cycle([volts / 120.0; 3], Phases::ABC);
            out = intervals.window(&measured, None, &scaling, &Known::default(), &clock);
        }
        let interval = out.unwrap();
        // One step of a logged voltage is 0.1 V, so both round to 119.7; the unrounded sum is checked in `electrical`.
        assert_eq!(interval.voltage[0].rms.steps(), Some(1197));
        assert_eq!(interval.voltage[1].min.steps(), Some(1180));
        assert_eq!(interval.voltage[2].max.steps(), Some(1210));
        assert_eq!((interval.windows, interval.flagged), (15, 1));
        assert_eq!(interval.u2, Percent::ABSENT);
    }
}
