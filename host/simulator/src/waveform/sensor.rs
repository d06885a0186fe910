//! From the circuit to what the sensors give, frame by frame.

use wyelog_firmware::measure::harmonics::HARMONICS;

use super::circuit::{Circuit, Mark};
use super::noise::Noise;
use super::segment::{Decay, Segment};
use crate::complex::Complex;
use crate::frames_per_second;
use crate::scenario::{Channel, Scenario, SensorError};

/// One simultaneous sample: what the four sensors give, in primary units, and the contact input.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Frame {
    /// Voltages to ground of A, B, C, in V.
    pub volts: [f64; 3],
    /// Neutral current in A, arrow from star to ground.
    pub neutral_amps: f64,
    /// Told to be closed; `None` if the input is not wired.
    pub closed: Option<bool>,
}

/// The frames of a scenario, 4800 a second, computed one by one and kept nowhere.
///
/// The same scenario gives the same frames, to the last bit, on every machine.
#[derive(Debug)]
pub struct Waveform {
    circuit: Circuit,
    channels: [ChannelState; 4],
    index: u64,
    count: u64,
    has_contact: bool,
    contact: usize,
}

impl Waveform {
    /// Solves the circuit of `scenario` and stands before its first frame.
    pub fn new(scenario: &Scenario) -> Self {
        let circuit = Circuit::solve(scenario);
        let channels = Channel::ALL.map(|channel| ChannelState::new(scenario, channel, &circuit));
        Self {
            circuit,
            channels,
            index: 0,
            count: libm::round(scenario.duration_s * frames_per_second()) as u64,
            has_contact: scenario.has_contact,
            contact: 0,
        }
    }

    /// What happened to the bank and exactly when, for tests to hold a verdict against.
    pub fn marks(&self) -> &[Mark] {
        &self.circuit.marks
    }

    /// Index of the frame that comes next.
    pub fn index(&self) -> u64 {
        self.index
    }

    /// Goes forward to frame `index`; what lies between is left out.
    pub fn skip_to(&mut self, index: u64) {
        self.index = index.max(self.index);
    }

    /// What the frames from the next one on have in common until the circuit changes, transients and noise aside: the
    /// steady state that the sensors see.
    pub fn steady(&mut self) -> Steady {
        let t = self.index as f64 / frames_per_second();
        let circuit = &self.circuit;
        let channels = self.channels.each_mut().map(|channel| channel.steady(circuit, t));
        let next = circuit.segments.iter().skip(self.channels[0].segment + 1).map(|next| next.start_s);
        let until_s = next.clone().next().unwrap_or(f64::INFINITY);
        let until = libm::floor(until_s * frames_per_second()) as u64;
        let hz = circuit.angle.hz(t);
        Steady { channels, hz, until: until.min(self.count) }
    }

    fn contact(&mut self, t: f64) -> bool {
        while self.circuit.contact.get(self.contact + 1).is_some_and(|(at, _)| *at <= t) {
            self.contact += 1;
        }
        self.circuit.contact.get(self.contact).is_some_and(|(_, closed)| *closed)
    }
}

impl Iterator for Waveform {
    type Item = Frame;

    fn next(&mut self) -> Option<Frame> {
        if self.index >= self.count {
            return None;
        }
        let t = self.index as f64 / frames_per_second();
        self.index += 1;
        // Powers of the rotation once for all channels.
        let unit = self.circuit.angle.unit(t);
        let mut powers = [Complex::ONE; MAX_ORDERS];
        let (mut power, mut reached) = (unit, 1);
        for (slot, &order) in powers.iter_mut().zip(&self.circuit.orders) {
            while reached < order {
                power = power * unit;
                reached += 1;
            }
            *slot = power;
        }
        let circuit = &self.circuit;
        let [a, b, c, neutral_amps] =
            self.channels.each_mut().map(|channel| channel.next(circuit, t, &powers));
        let closed = self.contact(t);
        Some(Frame { volts: [a, b, c], neutral_amps, closed: self.has_contact.then_some(closed) })
    }

    fn size_hint(&self) -> (usize, Option<usize>) {
        let left = (self.count - self.index) as usize;
        (left, Some(left))
    }
}

impl ExactSizeIterator for Waveform {}

/// A steady state as the sensors see it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Steady {
    /// Of A, B, C in V and of the neutral current in A.
    pub channels: [SteadyChannel; 4],
    /// Frequency in Hz.
    pub hz: f64,
    /// First frame of which it is not true any more.
    pub until: u64,
}

/// A channel in a steady state.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SteadyChannel {
    /// True rms, noise and offset included.
    pub rms: f64,
    /// Fundamental, rms, against an angle that all channels share.
    pub fundamental: Complex,
    /// Harmonics, rms, the fundamental first.
    pub harmonics: [f64; HARMONICS],
    /// Largest instantaneous value if all harmonics peak together: an upper bound.
    pub peak: f64,
    /// Whether the sensor may clip.
    pub is_clipped: bool,
}

/// The fundamental and the harmonics 2…40.
const MAX_ORDERS: usize = 40;

/// A channel and its sensor.
#[derive(Debug)]
struct ChannelState {
    channel: Channel,
    /// How much later than the frame the circuit is looked at: the sensor's phase lead, in s.
    lead_s: f64,
    gain: f64,
    offset: f64,
    noise_size: f64,
    clip: Option<f64>,
    noise: Noise,
    /// When the lead breaks, and what is picked up then (V per V, or A per V for the neutral).
    breaks: Option<(f64, f64)>,
    segment: usize,
    entered: Option<(usize, bool)>,
    phasors: Vec<Complex>,
    decays: [Decay; 3],
    start_s: f64,
}

impl ChannelState {
    fn new(scenario: &Scenario, channel: Channel, circuit: &Circuit) -> Self {
        let bank = &scenario.bank.nameplate;
        let rated = if channel == Channel::N { bank.rated_amps() } else { bank.system_volts() };
        let none = SensorError::default();
        let error = scenario.sensors.errors.get(channel.index()).unwrap_or(&none);
        let wire = scenario.sensors.broken_wires.iter().find(|wire| wire.channel == channel);
        let per_volt = if channel == Channel::N { bank.rated_amps() / bank.system_volts() } else { 1.0 };
        Self {
            channel,
            lead_s: error.angle_deg / 360.0 / f64::from(bank.frequency.hz()),
            gain: 1.0 + error.gain_percent / 100.0,
            offset: rated * error.offset_percent / 100.0,
            noise_size: rated * error.noise_percent / 100.0,
            clip: error.clip_pu.map(|clip| clip * libm::sqrt(2.0) * rated),
            noise: Noise::new(scenario.seed, channel as u32),
            breaks: wire.map(|wire| (wire.at_s, wire.pickup * per_volt)),
            segment: 0,
            entered: None,
            phasors: vec![Complex::ZERO; circuit.orders.len()],
            decays: [Decay::default(); 3],
            start_s: 0.0,
        }
    }

    fn next(&mut self, circuit: &Circuit, frame_s: f64, powers: &[Complex]) -> f64 {
        let t = self.locate(circuit, frame_s);
        let mut value = 0.0;
        for (phasor, power) in self.phasors.iter().zip(powers) {
            value += phasor.re * power.re - phasor.im * power.im;
        }
        for decay in &self.decays {
            value += decay.at(t - self.start_s);
        }
        value = value * self.gain + self.offset;
        if self.noise_size > 0.0 {
            value += self.noise_size * self.noise.normal();
        }
        match self.clip {
            Some(clip) if value > clip => clip,
            Some(clip) if value < -clip => -clip,
            _ => value,
        }
    }

    /// Looks at the circuit as it stands at this frame. Returns when that is for this channel.
    fn locate(&mut self, circuit: &Circuit, frame_s: f64) -> f64 {
        let t = frame_s + self.lead_s;
        while circuit.segments.get(self.segment + 1).is_some_and(|next| next.start_s <= t) {
            self.segment += 1;
        }
        let broken = self.breaks.is_some_and(|(at, _)| at <= frame_s);
        if self.entered != Some((self.segment, broken)) {
            self.entered = Some((self.segment, broken));
            if let Some(segment) = circuit.segments.get(self.segment) {
                self.enter(&circuit.orders, segment, broken);
            }
        }
        t
    }

    fn steady(&mut self, circuit: &Circuit, frame_s: f64) -> SteadyChannel {
        self.locate(circuit, frame_s);
        let crest: f64 = self.phasors.iter().map(|phasor| phasor.abs()).sum();
        let squares: f64 = self.phasors.iter().map(|phasor| 0.5 * phasor.abs() * phasor.abs()).sum();
        let square =
            squares * self.gain * self.gain + self.offset * self.offset + self.noise_size * self.noise_size;
        // Frequency drift aside, the angle stands still from one window of whole cycles to the next.
        let fundamental = self.phasors.first().copied().unwrap_or(Complex::ZERO);
        let mut harmonics = [0.0; HARMONICS];
        for (phasor, &order) in self.phasors.iter().zip(&circuit.orders) {
            if let Some(slot) = harmonics.get_mut((order as usize).wrapping_sub(1)) {
                *slot = phasor.abs() * self.gain * core::f64::consts::FRAC_1_SQRT_2;
            }
        }
        let peak = crest * self.gain + libm::fabs(self.offset);
        SteadyChannel {
            rms: libm::sqrt(square),
            harmonics,
            peak,
            fundamental: fundamental.scaled(self.gain * core::f64::consts::FRAC_1_SQRT_2),
            is_clipped: self.clip.is_some_and(|clip| peak >= clip),
        }
    }

    /// Takes over the phasors and transients that this channel sees in `segment`, turned by its lead.
    fn enter(&mut self, orders: &[u32], segment: &Segment, broken: bool) {
        self.start_s = segment.start_s;
        let factor = if broken { self.breaks.map_or(0.0, |(_, pickup)| pickup) } else { 1.0 };
        let seen = match (self.channel, broken) {
            (Channel::A, false) | (Channel::C | Channel::N, true) => 0,
            (Channel::B, false) | (Channel::A, true) => 1,
            (Channel::C, false) | (Channel::B, true) => 2,
            (Channel::N, false) => 3,
        };
        let triples = if seen == 3 { &segment.amps } else { &segment.volts };
        for ((slot, &order), triple) in self.phasors.iter_mut().zip(orders).zip(triples) {
            let [a, b, c] = *triple;
            let phasor = triple.get(seen).copied().unwrap_or(a + b + c);
            let lead = 360.0 * f64::from(order) * segment.hz * self.lead_s;
            *slot = phasor.scaled(factor) * Complex::polar(1.0, lead);
        }
        self.decays = match seen {
            3 => segment.amps_decay,
            _ => [
                segment.volts_decay.get(seen).copied().unwrap_or_default(),
                Decay::default(),
                Decay::default(),
            ],
        };
        for decay in &mut self.decays {
            decay.cos *= factor;
            decay.sin *= factor;
        }
    }
}
