//! From the circuit to what the sensors give, frame by frame.

use wyelog_firmware::measure::harmonics::HARMONICS;

use super::channel::ChannelState;
use super::circuit::Circuit;
use super::mark::Mark;
use crate::complex::Complex;
use crate::frames_per_second;
use crate::scenario::{Channel, Scenario};

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
        let next = circuit.segments.iter().skip(self.channels[0].segment() + 1).map(|next| next.start_s);
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
