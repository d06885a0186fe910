//! Signals of which everything is known: four channels by formula, in f64, through an ideal 24-bit converter.
//!
//! Frame n is the signal at n/4800 s, rounded to the nearest count; nothing is filtered and nothing clipped. Floats go through
//! libm and the named generator, so that the counts are the same on every machine.

use rand_pcg::Pcg64;
use rand_pcg::rand_core::Rng;
use wyelog_firmware::frontend::{FULL_SCALE, Frame, Input};
use wyelog_protocol::FRAMES_PER_SECOND;
use wyelog_protocol::bank::{
    Build, Connection, Limits, Location, Nameplate, RatedFrequency, Sensors, Settings, VoltageSensor,
};
use wyelog_protocol::quantity::{Current, ReactivePower, Voltage};
use wyelog_protocol::text;
use wyelog_simulator::complex::Complex;

/// Frames in a second.
pub const RATE: f64 = FRAMES_PER_SECOND as f64;

const TAU: f64 = core::f64::consts::TAU;

/// What one component is in the four channels: rms phasors of A, B, C per unit of the declared voltage, and of the neutral
/// current per unit of the bank's rated current.
pub type Channels = [Complex; 4];

/// A change of size, and of phase, of everything in the channels, for a time.
#[derive(Clone, Copy, Debug)]
pub struct Step {
    /// First instant in s.
    pub at: f64,
    /// First instant in s at which it is over.
    pub until: f64,
    /// What the channels are multiplied by. Of a complex factor the angle turns harmonic h by h times itself, as a shift in
    /// time does.
    pub factor: Channels,
}

/// A signal. Angles are those of cosines at time 0.
#[derive(Clone, Debug)]
pub struct Signal {
    /// What a table calls it.
    pub name: String,
    /// Rated frequency of the bank.
    pub rated: RatedFrequency,
    /// Frequency of the fundamental at time 0, in Hz.
    pub hz: f64,
    /// From this instant (s) on the frequency changes by so many Hz/s.
    pub ramp: Option<(f64, f64)>,
    /// Harmonics by order, the fundamental being order 1 and a direct component 0. An order may appear once.
    pub harmonics: Vec<(u16, Channels)>,
    /// Components of their own frequency in Hz, not moved by `ramp`.
    pub interharmonics: Vec<(f64, Channels)>,
    /// rms of white Gaussian noise, per unit, in every channel; and the seed.
    pub noise: (f64, u64),
    /// Changes, in any order; those that overlap multiply.
    pub steps: Vec<Step>,
    /// Length of an interval record in s.
    pub interval_s: u16,
}

/// `size ∠ degrees` in three phases of ABC rotation and the same size in the neutral, in its own direction.
pub fn balanced(size: f64, degrees: f64) -> Channels {
    let at = |turn: f64| Complex::polar(size, degrees + turn);
    [at(0.0), at(-120.0), at(120.0), at(77.0)]
}

/// Three phases of these positive-, negative- and zero-sequence voltages (ABC rotation), and a neutral current.
pub fn of_sequences(positive: Complex, negative: Complex, zero: Complex, neutral: Complex) -> Channels {
    let a = Complex::polar(1.0, 120.0);
    let back = Complex::polar(1.0, -120.0);
    [
        zero + positive + negative,
        zero + back * positive + a * negative,
        zero + a * positive + back * negative,
        neutral,
    ]
}

impl Signal {
    /// A fundamental and nothing else.
    pub fn new(name: impl Into<String>, rated: RatedFrequency, hz: f64, fundamental: Channels) -> Self {
        Self {
            name: name.into(),
            rated,
            hz,
            ramp: None,
            harmonics: vec![(1, fundamental)],
            interharmonics: Vec::new(),
            noise: (0.0, 0),
            steps: Vec::new(),
            interval_s: 60,
        }
    }

    /// With a harmonic more.
    #[must_use]
    pub fn with(mut self, order: u16, channels: Channels) -> Self {
        self.harmonics.push((order, channels));
        self
    }

    /// What a logger is told of the bank: 12.47 kV, 600 kvar. 32 kV and 400 A at full scale leave room for 150 % with harmonics.
    pub fn settings(&self) -> Settings {
        let sensor = VoltageSensor::new(Location::Line, Voltage::quantise(32_000.0));
        Settings {
            nameplate: Nameplate {
                name: text("measurement"),
                connection: Connection::GroundedWye,
                rated_power: ReactivePower::quantise(600.0),
                system_voltage: Voltage::quantise(12_470.0),
                unit_voltage: Voltage::quantise(7200.0),
                frequency: self.rated,
                units_per_phase: 1,
                build: Build::DEFAULT,
            },
            sensors: Sensors::new([sensor; 3], Current::quantise(400.0)),
            limits: Limits::DEFAULT,
            interval_s: self.interval_s,
        }
    }

    /// Counts of the converter in one per unit, instantaneous, of a voltage and of the neutral current.
    pub fn counts_per_unit(&self) -> [f64; 4] {
        const COUNTS: f64 = 8_388_608.0;
        let voltage = DECLARED_V / 32_000.0 * COUNTS;
        [voltage, voltage, voltage, RATED_A / 400.0 * COUNTS]
    }

    /// Turns of the fundamental since time 0.
    pub fn turns(&self, t: f64) -> f64 {
        let ramped = self.ramp.map_or(0.0, |(from, slope)| {
            let since = if t > from { t - from } else { 0.0 };
            0.5 * slope * since * since
        });
        self.hz * t + ramped
    }

    /// Frequency of the fundamental at an instant, in Hz.
    pub fn frequency_at(&self, t: f64) -> f64 {
        let ramped = self.ramp.map_or(0.0, |(from, slope)| if t > from { slope * (t - from) } else { 0.0 });
        self.hz + ramped
    }

    /// What the steps multiply the channels by at an instant.
    pub fn factor_at(&self, t: f64) -> Channels {
        let mut factor = [Complex::ONE; 4];
        for step in self.steps.iter().filter(|step| step.at <= t && t < step.until) {
            for (factor, by) in factor.iter_mut().zip(step.factor) {
                *factor = *factor * by;
            }
        }
        factor
    }

    /// Instantaneous values at `t` s, without noise, per unit of the rms bases.
    pub fn at(&self, t: f64) -> [f64; 4] {
        let mut sum = [0.0; 4];
        let turns = self.turns(t);
        let z = unit(turns);
        let (mut power, mut reached) = (Complex::ONE, 0);
        for (order, channels) in &self.harmonics {
            // Upwards one by one, from the start for an order below the last.
            if *order < reached {
                (power, reached) = (Complex::ONE, 0);
            }
            while reached < *order {
                power = power * z;
                reached += 1;
            }
            // A direct component is what it is, not a rms phasor.
            let size = if *order == 0 { 1.0 } else { core::f64::consts::SQRT_2 };
            self.add(&mut sum, *order, channels, power.scaled(size), t);
        }
        for (hz, channels) in &self.interharmonics {
            self.add(&mut sum, 1, channels, unit(hz * t).scaled(core::f64::consts::SQRT_2), t);
        }
        sum
    }

    fn add(&self, sum: &mut [f64; 4], order: u16, channels: &Channels, turned: Complex, t: f64) {
        if self.steps.is_empty() {
            for (sum, channel) in sum.iter_mut().zip(channels) {
                *sum += channel.re * turned.re - channel.im * turned.im;
            }
            return;
        }
        for ((sum, channel), factor) in sum.iter_mut().zip(channels).zip(self.factor_at(t)) {
            let (size, angle) = (factor.abs(), factor.degrees() * f64::from(order));
            *sum += (*channel * turned * Complex::polar(size, angle)).re;
        }
    }

    /// The frames of the first `seconds`.
    ///
    /// # Panics
    /// The signal does not fit the converter.
    pub fn frames(&self, seconds: f64) -> impl Iterator<Item = Frame> + '_ {
        let scale = self.counts_per_unit();
        let (rms, seed) = self.noise;
        let mut noise = Pcg64::new(u128::from(seed).wrapping_mul(0x9e37_79b9_7f4a_7c15), 1);
        let count = libm::round(seconds * RATE) as u32;
        (0..count).map(move |n| {
            let values = self.at(f64::from(n) / RATE);
            let mut frame = Frame::default();
            for ((channel, value), scale) in frame.channels.iter_mut().zip(values).zip(scale) {
                let noise = if rms > 0.0 { rms * normal(&mut noise) } else { 0.0 };
                let count = libm::round((value + noise) * scale);
                assert!(count.abs() < f64::from(FULL_SCALE), "{}: {count} counts do not fit", self.name);
                *channel = count as i32;
            }
            frame
        })
    }

    /// The same as the inputs of a logger.
    pub fn inputs(&self, seconds: f64) -> impl Iterator<Item = Input> + '_ {
        self.frames(seconds).map(Input::Frame)
    }
}

/// Declared voltage, line to neutral, in V: 12.47 kV/√3.
pub const DECLARED_V: f64 = 7_199.557_856_794_634;

/// Rated current of a phase of the bank in A: 200 kvar/7200 V.
pub const RATED_A: f64 = 200_000.0 / 7200.0;

/// e^(j2π·turns).
fn unit(turns: f64) -> Complex {
    // Whole turns taken off first: what is left is exact.
    let (im, re) = libm::sincos(TAU * (turns - libm::floor(turns)));
    Complex::new(re, im)
}

/// Normal, mean 0, variance 1 (Box and Muller).
fn normal(random: &mut Pcg64) -> f64 {
    let uniform = |bits: u64| ((bits >> 11) as f64 + 0.5) / 9_007_199_254_740_992.0;
    let (a, b) = (uniform(random.next_u64()), uniform(random.next_u64()));
    libm::sqrt(-2.0 * libm::log(a)) * libm::cos(TAU * b)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_bases_are_those_of_the_settings() {
        let signal = Signal::new("", RatedFrequency::Hz60, 60.0, balanced(1.0, 0.0));
        let settings = signal.settings();
        let declared = settings.nameplate.system_voltage.value_f64().unwrap() / libm::sqrt(3.0);
        assert!((declared - DECLARED_V).abs() < 1e-9, "{declared}");
        let scaling = wyelog_firmware::frontend::Scaling::new(&settings);
        for (counts, scale) in signal.counts_per_unit()[..3].iter().zip(scaling.voltage) {
            assert!((counts * f64::from(scale) - 1.0).abs() < 3e-7);
        }
        assert!((signal.counts_per_unit()[3] * f64::from(scaling.neutral) - 1.0).abs() < 3e-7);
    }

    #[test]
    fn a_frame_is_the_formula() {
        let mut signal = Signal::new("", RatedFrequency::Hz60, 59.3, balanced(0.7, 20.0))
            .with(5, balanced(0.1, 200.0))
            .with(3, balanced(0.05, -50.0));
        signal.ramp = Some((0.5, 1.0));
        let frame = signal.frames(2.0).nth(7001).unwrap();
        let t = 7001.0 / 4800.0;
        let phase = TAU * (59.3 * t + 0.5 * (t - 0.5) * (t - 0.5));
        let of = |h: f64, size: f64, degrees: f64| {
            size * core::f64::consts::SQRT_2 * libm::cos(h * phase + degrees.to_radians())
        };
        let b = of(1.0, 0.7, -100.0) + of(5.0, 0.1, 80.0) + of(3.0, 0.05, -170.0);
        let counts = b * signal.counts_per_unit()[1];
        assert!((f64::from(frame.channels[1]) - counts).abs() <= 0.5 + 1e-6, "{frame:?} {counts}");
    }

    #[test]
    fn noise_has_the_rms_it_is_said_to_have() {
        let mut signal = Signal::new("", RatedFrequency::Hz60, 60.0, [Complex::ZERO; 4]);
        signal.noise = (0.01, 5);
        let (mut sum, mut count) = (0.0, 0.0);
        for frame in signal.frames(5.0) {
            for (value, scale) in frame.channels.into_iter().zip(signal.counts_per_unit()) {
                let value = f64::from(value) / scale;
                sum += value * value;
                count += 1.0;
            }
        }
        // Three standard errors of a rms from 96 000 values are 0.7 %.
        assert!((libm::sqrt(sum / count) / 0.01 - 1.0_f64).abs() < 0.007);
    }
}
