//! One channel: the place its sensor sits at, and what the sensor makes of it.

use wyelog_firmware::measure::harmonics::HARMONICS;
use wyelog_protocol::bank::Location;

use super::circuit::Circuit;
use super::noise::Noise;
use super::segment::{Decay, Node, Segment};
use super::sensor::SteadyChannel;
use crate::complex::Complex;
use crate::scenario::{BrokenWire, Channel, Phase, Scenario, SecondPath, SensorError};

/// A channel and its sensor.
#[derive(Debug)]
pub(super) struct ChannelState {
    channel: Channel,
    is_present: bool,
    /// The phase that it is wired to (not of the neutral), and the place there.
    phase: Phase,
    location: Location,
    error: SensorError,
    /// How much later than the frame the circuit is looked at: the sensor's phase lead, in s.
    lead_s: f64,
    gain: f64,
    offset: f64,
    noise_size: f64,
    clip: Option<f64>,
    noise: Noise,
    /// Breaks of the lead. What is picked up then is V per V, or A per V for the neutral.
    breaks: Vec<BrokenWire>,
    second_paths: Vec<SecondPath>,
    /// Currents that are not the bank's, A peak: fundamental and third.
    stray: [(u32, Complex); 2],
    segment: usize,
    entered: Option<Seen>,
    phasors: Vec<Complex>,
    decays: [Decay; 3],
    /// The charge that the capacitors keep, where the sensor sees it.
    held: Decay,
    start_s: f64,
}

/// What decides on the phasors: the segment, the break that is on, the other path that is there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Seen {
    segment: usize,
    broken: Option<usize>,
    second_path: Option<usize>,
}

impl ChannelState {
    pub fn new(scenario: &Scenario, channel: Channel, circuit: &Circuit) -> Self {
        let bank = &scenario.bank.nameplate;
        let sensors = &scenario.sensors;
        let rated = if channel == Channel::N { bank.rated_amps() } else { bank.system_volts() };
        let error = sensors.errors.get(channel.index()).copied().unwrap_or_default();
        let per_volt = if channel == Channel::N { bank.rated_amps() / bank.system_volts() } else { 1.0 };
        let wires = sensors.broken_wires.iter().filter(|wire| wire.channel == channel);
        let crest = libm::sqrt(2.0) * rated;
        let start = scenario.feeder.sequence.v1_angle_deg;
        let stray = [(1, error.stray), (3, error.stray_third)].map(|(order, (percent, degrees))| {
            (order, Complex::polar(crest * percent / 100.0, f64::from(order) * start + degrees))
        });
        let is_neutral = channel == Channel::N;
        Self {
            channel,
            is_present: sensors.present.get(channel.index()).is_none_or(|present| *present),
            phase: sensors.wiring.get(channel.index()).copied().unwrap_or(Phase::A),
            location: sensors.location.get(channel.index()).copied().unwrap_or(Location::Line),
            error,
            lead_s: error.angle_deg / 360.0 / f64::from(bank.frequency.hz()),
            gain: 1.0 + error.gain_percent / 100.0,
            offset: rated * error.offset_percent / 100.0,
            noise_size: rated * error.noise_percent / 100.0,
            clip: error.clip_pu.map(|clip| clip * libm::sqrt(2.0) * rated),
            noise: Noise::new(scenario.seed, channel as u32),
            breaks: wires.map(|wire| BrokenWire { pickup: wire.pickup * per_volt, ..*wire }).collect(),
            second_paths: if is_neutral { sensors.second_paths.clone() } else { Vec::new() },
            stray,
            segment: 0,
            entered: None,
            phasors: vec![Complex::ZERO; circuit.orders.len()],
            decays: [Decay::default(); 3],
            held: Decay::default(),
            start_s: 0.0,
        }
    }

    /// Index of the segment that it stands in.
    pub fn segment(&self) -> usize {
        self.segment
    }

    pub fn next(&mut self, circuit: &Circuit, frame_s: f64, powers: &[Complex]) -> f64 {
        let t = self.locate(circuit, frame_s);
        if !self.is_present {
            return 0.0;
        }
        let mut value = 0.0;
        for (phasor, power) in self.phasors.iter().zip(powers) {
            value += phasor.re * power.re - phasor.im * power.im;
        }
        for decay in &self.decays {
            value += decay.at(t - self.start_s);
        }
        value += self.held.at(t - self.start_s);
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
        let seen = Seen {
            segment: self.segment,
            broken: self.breaks.iter().position(|wire| wire.at_s <= frame_s && frame_s < wire.until_s),
            second_path: self.second_paths.iter().rposition(|path| path.at_s <= frame_s),
        };
        if self.entered != Some(seen) {
            self.entered = Some(seen);
            if let Some(segment) = circuit.segments.get(self.segment) {
                self.enter(&circuit.orders, segment, seen);
            }
        }
        t
    }

    pub fn steady(&mut self, circuit: &Circuit, frame_s: f64) -> SteadyChannel {
        let t = self.locate(circuit, frame_s);
        let mut harmonics = [0.0; HARMONICS];
        if !self.is_present {
            let fundamental = Complex::ZERO;
            return SteadyChannel { rms: 0.0, harmonics, peak: 0.0, fundamental, is_clipped: false };
        }
        let crest: f64 = self.phasors.iter().map(|phasor| phasor.abs()).sum();
        let squares: f64 = self.phasors.iter().map(|phasor| 0.5 * phasor.abs() * phasor.abs()).sum();
        let constant = self.offset + self.gain * self.held.at(t - self.start_s);
        let square =
            squares * self.gain * self.gain + constant * constant + self.noise_size * self.noise_size;
        // Frequency drift aside, the angle stands still from one window of whole cycles to the next.
        let fundamental = self.phasors.first().copied().unwrap_or(Complex::ZERO);
        let size = libm::fabs(self.gain);
        for (phasor, &order) in self.phasors.iter().zip(&circuit.orders) {
            if let Some(slot) = harmonics.get_mut((order as usize).wrapping_sub(1)) {
                *slot = phasor.abs() * size * core::f64::consts::FRAC_1_SQRT_2;
            }
        }
        let peak = crest * size + libm::fabs(constant);
        SteadyChannel {
            rms: libm::sqrt(square),
            harmonics,
            peak,
            fundamental: fundamental.scaled(self.gain * core::f64::consts::FRAC_1_SQRT_2),
            is_clipped: self.clip.is_some_and(|clip| peak >= clip),
        }
    }

    /// Takes over the phasors and transients that this channel sees in `segment`, turned by its lead.
    fn enter(&mut self, orders: &[u32], segment: &Segment, seen: Seen) {
        self.start_s = segment.start_s;
        self.held = Decay::default();
        let broken = seen.broken.and_then(|index| self.breaks.get(index)).map(|wire| wire.pickup);
        let second = seen.second_path.and_then(|index| self.second_paths.get(index)).map(|path| path.part);
        let part = broken.unwrap_or_else(|| 1.0 - second.unwrap_or(0.0));
        // A broken lead picks up the next phase, that of the neutral phase A.
        let of = match (self.channel, broken) {
            (Channel::N, None) => None,
            (Channel::N, Some(_)) => Some(0),
            (_, None) => Some(self.phase.index()),
            (_, Some(_)) => Some((self.phase.index() + 1) % 3),
        };
        let place = match (of, broken, self.location) {
            (Some(of), None, Location::FuseSwitch) => segment.behind_fuse.get(of),
            (Some(of), None, Location::Capacitor) => segment.at_capacitors.get(of),
            _ => None,
        };
        let factor = match place {
            None | Some(Node::Line) => part,
            Some(Node::Dead) => 0.0,
            Some(Node::Held(decay)) => {
                self.held = *decay;
                0.0
            }
        };
        let triples = if of.is_none() { &segment.amps } else { &segment.volts };
        for ((slot, &order), triple) in self.phasors.iter_mut().zip(orders).zip(triples) {
            let [a, b, c] = *triple;
            let phasor = of.and_then(|of| triple.get(of).copied()).unwrap_or(a + b + c);
            let lead = 360.0 * f64::from(order) * segment.hz * self.lead_s;
            *slot = phasor.scaled(factor) * Complex::polar(1.0, lead);
        }
        self.decays = match of {
            None => segment.amps_decay,
            Some(of) => {
                [segment.volts_decay.get(of).copied().unwrap_or_default(), Decay::default(), Decay::default()]
            }
        };
        for decay in &mut self.decays {
            decay.cos *= factor;
            decay.sin *= factor;
        }
        self.err(orders, segment, broken.is_some());
    }

    /// What the sensor adds, and does to the harmonics alone.
    fn err(&mut self, orders: &[u32], segment: &Segment, is_broken: bool) {
        if !is_broken {
            for (of, current) in self.stray {
                let slots = self.phasors.iter_mut().zip(orders);
                for (slot, _) in slots.filter(|(_, order)| **order == of) {
                    *slot += current.scaled(segment.strength);
                }
            }
        }
        let SensorError { slope_deg_per_order, harmonic_ratio_percent, third: (third, third_deg), .. } =
            self.error;
        let fundamental = self.phasors.first().copied().unwrap_or_default();
        if slope_deg_per_order != 0.0 || harmonic_ratio_percent != 0.0 {
            for (slot, &order) in self.phasors.iter_mut().zip(orders).skip(1) {
                let lead = slope_deg_per_order * (f64::from(order) - 1.0);
                *slot = *slot * Complex::polar(1.0 + harmonic_ratio_percent / 100.0, lead);
            }
        }
        if third > 0.0 && !is_broken {
            let made =
                Complex::polar(fundamental.abs() * third / 100.0, 3.0 * fundamental.degrees() + third_deg);
            let slots = self.phasors.iter_mut().zip(orders);
            for (slot, _) in slots.filter(|(_, order)| **order == 3) {
                *slot += made;
            }
        }
    }
}
