//! The circuit through time: segments between its changes, and the changes themselves.

use super::network::{FAULT_OHM, Impedance, Shunt};
use super::schedule::{Action, Contact, Todo, schedule};
use super::segment::{Angle, Decay, Segment, wave};
use super::source::{Source, Triple};
use crate::scenario::{Phase, Scenario};

/// Something that happened to a phase of the bank, as the simulator knows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mark {
    /// When, in s.
    pub at_s: f64,
    /// In which phase.
    pub phase: Phase,
    /// What.
    pub what: What,
}

/// What happened to a phase.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum What {
    /// A unit failed to a short.
    FaultBegins,
    /// The fuse cleared, at a zero of its current.
    FuseClears,
    /// A unit was disconnected.
    UnitOut,
    /// A pole of the switch cleared, at a zero of its current.
    PoleClears,
    /// A pole of the switch made.
    PoleMakes,
}

/// Added damping of a transient by the feeder's loads, in 1/s: gone after some two cycles (common practice, no
/// source).
const LOAD_DAMPING: f64 = 100.0;
/// Transients above this are removed by the logger's front end.
const HIGHEST_TRANSIENT_HZ: f64 = 2_000.0;
/// Units discharge to 50 V within this (IEEE 18, from memory).
const DISCHARGE_S: f64 = 300.0;

/// What waits for the next zero of a phase's current.
#[derive(Debug, Clone, Copy, Default)]
struct Armed {
    fuse: bool,
    pole: bool,
    units: u8,
}

impl Armed {
    fn any(self) -> bool {
        self.fuse || self.pole || self.units > 0
    }
}

#[derive(Debug, Clone, Copy)]
struct PhaseState {
    closed: bool,
    fused: bool,
    faulted: bool,
    units: u8,
    armed: Armed,
    /// Voltage left on the open capacitor, and since when.
    trapped: (f64, f64),
}

/// The solved scenario.
#[derive(Debug)]
pub(super) struct Circuit {
    pub orders: Vec<u32>,
    pub segments: Vec<Segment>,
    pub marks: Vec<Mark>,
    /// When the contact input changes, and to what.
    pub contact: Contact,
    pub angle: Angle,
}

struct Solver<'a> {
    scenario: &'a Scenario,
    source: Source,
    impedance: Impedance,
    angle: Angle,
    phases: [PhaseState; 3],
    rated_farads: [f64; 3],
    /// Rate of discharge of an open unit, in 1/s.
    discharge: f64,
    todo: Todo,
    segments: Vec<Segment>,
    marks: Vec<Mark>,
}

impl Circuit {
    pub fn solve(scenario: &Scenario) -> Self {
        let bank = &scenario.bank;
        let state = PhaseState {
            closed: bank.closed_at_start,
            fused: true,
            faulted: false,
            units: bank.nameplate.units_per_phase,
            armed: Armed::default(),
            trapped: (0.0, 0.0),
        };
        let farads = bank.nameplate.rated_farads();
        let angle =
            Angle { hz: scenario.feeder.frequency_hz, hz_per_s: scenario.feeder.frequency_drift_hz_per_s };
        let unit_crest = libm::sqrt(2.0) * bank.nameplate.unit_kv * 1000.0;
        let (todo, contact) = schedule(scenario);
        let mut solver = Solver {
            scenario,
            source: Source::new(scenario),
            impedance: Impedance::new(&scenario.feeder, f64::from(bank.nameplate.frequency.hz())),
            angle,
            phases: [state; 3],
            rated_farads: bank.tolerance_percent.map(|percent| farads * (1.0 + percent / 100.0)),
            discharge: libm::log(unit_crest / 50.0) / DISCHARGE_S,
            todo,
            segments: Vec::new(),
            marks: Vec::new(),
        };
        solver.run();
        Self { orders: solver.source.orders, segments: solver.segments, marks: solver.marks, contact, angle }
    }
}

impl Solver<'_> {
    fn run(&mut self) {
        self.begin_segment(0.0);
        let mut next = 0;
        loop {
            let now = self.segments.last().map_or(0.0, |segment| segment.start_s);
            let stated = self.todo.get(next).copied();
            let limit = stated.map_or(self.scenario.duration_s + 1.0, |(at, _)| at);
            if let Some((at, phase)) = self.next_zero(now, limit) {
                self.clear(phase, at);
                self.begin_segment(at);
                continue;
            }
            let Some((at, action)) = stated else { break };
            next += 1;
            self.act(action, at);
            self.begin_segment(at);
        }
    }

    fn state(&mut self, phase: Phase) -> &mut PhaseState {
        let [a, b, c] = &mut self.phases;
        match phase {
            Phase::A => a,
            Phase::B => b,
            Phase::C => c,
        }
    }

    fn mark(&mut self, at_s: f64, phase: Phase, what: What) {
        self.marks.push(Mark { at_s, phase, what });
    }

    fn act(&mut self, action: Action, at: f64) {
        match action {
            Action::Source => {}
            Action::FaultBegins(phase) => {
                let state = self.state(phase);
                if state.closed && state.fused {
                    state.faulted = true;
                    self.mark(at, phase, What::FaultBegins);
                }
            }
            Action::ArmFuse(phase) => self.state(phase).armed.fuse = true,
            Action::ArmUnits(phase, count) => self.state(phase).armed.units += count,
            Action::ArmPole(phase) => self.state(phase).armed.pole = self.state(phase).closed,
            Action::PoleMakes(phase) => {
                let state = self.state(phase);
                state.armed.pole = false;
                if !state.closed {
                    state.closed = true;
                    self.mark(at, phase, What::PoleMakes);
                }
            }
        }
    }

    /// Carries out what waited for the zero of this phase's current.
    fn clear(&mut self, phase: Phase, at: f64) {
        let state = self.state(phase);
        let armed = core::mem::take(&mut state.armed);
        state.closed &= !armed.pole;
        state.fused &= !armed.fuse;
        state.units = state.units.saturating_sub(armed.units);
        for (happened, what) in
            [(armed.fuse, What::FuseClears), (armed.pole, What::PoleClears), (armed.units > 0, What::UnitOut)]
        {
            if happened {
                self.mark(at, phase, what);
            }
        }
    }

    fn shunt(&self, phase: Phase) -> Shunt {
        let [a, b, c] = &self.phases;
        let [x, y, z] = self.rated_farads;
        let (state, farads) = match phase {
            Phase::A => (a, x),
            Phase::B => (b, y),
            Phase::C => (c, z),
        };
        let total = self.scenario.bank.nameplate.units_per_phase;
        if !state.closed || !state.fused || state.units == 0 {
            Shunt::Open
        } else if state.faulted {
            Shunt::Fault
        } else {
            Shunt::Capacitor(farads * f64::from(state.units) / f64::from(total))
        }
    }

    /// The earliest zero, before `limit`, of the current of a phase for which something is armed.
    fn next_zero(&self, now: f64, limit: f64) -> Option<(f64, Phase)> {
        let armed = Phase::ALL.into_iter().zip(&self.phases).filter(|(_, state)| state.armed.any());
        let zeros = armed.filter_map(|(phase, _)| Some((self.zero(phase, now, limit)?, phase)));
        zeros.min_by(|a, b| a.0.total_cmp(&b.0))
    }

    fn zero(&self, phase: Phase, now: f64, limit: f64) -> Option<f64> {
        let segment = self.segments.last()?;
        let crest: f64 =
            segment.amps.iter().filter_map(|triple| triple.get(phase.index())).map(|i| i.abs()).sum();
        if self.shunt(phase) == Shunt::Open || crest < 1e-9 {
            return Some(now);
        }
        // Finer than the highest transient that is kept.
        let step = 1.0 / (128.0 * segment.hz);
        let (mut before, mut t) = (self.amps(phase, now), now);
        while t < limit {
            let after = self.amps(phase, t + step);
            // A phase that just cleared a fault stands at zero: only a change of sign counts.
            if before * after < 0.0 {
                let (mut low, mut high) = (t, t + step);
                for _ in 0..40 {
                    let middle = 0.5 * (low + high);
                    if self.amps(phase, middle) * before > 0.0 { low = middle } else { high = middle }
                }
                return (high < limit).then_some(high);
            }
            if after != 0.0 {
                before = after;
            }
            t += step;
        }
        None
    }

    /// Current of a phase by the last segment.
    fn amps(&self, phase: Phase, t: f64) -> f64 {
        self.value(phase, t, |segment| (&segment.amps, &segment.amps_decay))
    }

    /// Voltage at the bank by the last segment.
    fn volts(&self, phase: Phase, t: f64) -> f64 {
        self.value(phase, t, |segment| (&segment.volts, &segment.volts_decay))
    }

    fn value(&self, phase: Phase, t: f64, part: impl Fn(&Segment) -> (&Vec<Triple>, &[Decay; 3])) -> f64 {
        let Some(segment) = self.segments.last() else { return 0.0 };
        let (phasors, decays) = part(segment);
        let index = phase.index();
        let phasors = phasors.iter().map(|triple| triple.get(index).copied().unwrap_or_default());
        wave(&self.source.orders, phasors, self.angle.unit(t))
            + decays.get(index).map_or(0.0, |decay| decay.at(t - segment.start_s))
    }

    /// Voltage on a phase's capacitor just before `t`.
    fn capacitor_volts(&self, phase: Phase, t: f64) -> f64 {
        match self.segments.last().and_then(|segment| segment.shunts.get(phase.index())) {
            None | Some(Shunt::Fault) => 0.0,
            Some(Shunt::Capacitor(_)) => self.volts(phase, t),
            Some(Shunt::Open) => {
                let (volts, since) = self.phases.get(phase.index()).map_or((0.0, 0.0), |state| state.trapped);
                volts * libm::exp(-self.discharge * (t - since))
            }
        }
    }

    /// Solves the circuit as it now stands and joins it to what was before.
    fn begin_segment(&mut self, start_s: f64) {
        let is_first = self.segments.is_empty();
        let before =
            Phase::ALL.map(|phase| (self.capacitor_volts(phase, start_s), self.amps(phase, start_s)));
        let shunts = Phase::ALL.map(|phase| self.shunt(phase));
        for (state, ((volts, _), shunt)) in self.phases.iter_mut().zip(before.into_iter().zip(shunts)) {
            if shunt == Shunt::Open {
                state.trapped = (volts, start_s);
            }
        }
        let hz = self.angle.hz(start_s);
        let source = self.source.phasors(&self.scenario.feeder, start_s);
        let orders = self.source.orders.iter().zip(source);
        let (volts, amps): (Vec<Triple>, Vec<Triple>) = orders
            .map(|(&order, emf)| {
                self.impedance.solve(emf, shunts, core::f64::consts::TAU * hz * f64::from(order))
            })
            .unzip();
        let decays = [Decay::default(); 3];
        let segment = Segment { start_s, hz, shunts, volts, amps, volts_decay: decays, amps_decay: decays };
        self.segments.push(segment);
        if is_first {
            return;
        }
        for (phase, (shunt, (volts, amps))) in Phase::ALL.into_iter().zip(shunts.into_iter().zip(before)) {
            let volts_off = volts - self.volts(phase, start_s);
            let amps_off = amps - self.amps(phase, start_s);
            let (volts_decay, amps_decay) = self.transient(shunt, volts_off, amps_off);
            if let Some(segment) = self.segments.last_mut()
                && let Some(slot) = segment.volts_decay.get_mut(phase.index())
                && let Some(other) = segment.amps_decay.get_mut(phase.index())
            {
                (*slot, *other) = (volts_decay, amps_decay);
            }
        }
    }

    /// The free response of a phase whose capacitor voltage and source current are off the new steady state by
    /// this much: R, L and C in series.
    fn transient(&self, shunt: Shunt, volts_off: f64, amps_off: f64) -> (Decay, Decay) {
        let none = Decay::default();
        let (ohm, henry) = (self.impedance.self_ohm, self.impedance.self_henry);
        if henry == 0.0 {
            return (none, none);
        }
        match shunt {
            Shunt::Open => (none, none),
            Shunt::Fault => {
                (none, Decay { rate: (ohm + FAULT_OHM) / henry, omega: 0.0, cos: amps_off, sin: 0.0 })
            }
            Shunt::Capacitor(farads) => {
                let rate = ohm / (2.0 * henry) + LOAD_DAMPING;
                let squared = 1.0 / (henry * farads) - rate * rate;
                let omega = if squared > 0.0 { libm::sqrt(squared) } else { 0.0 };
                if omega == 0.0 || omega > core::f64::consts::TAU * HIGHEST_TRANSIENT_HZ {
                    return (none, none);
                }
                let (a, b) = (volts_off, (amps_off / farads + rate * volts_off) / omega);
                let volts = Decay { rate, omega, cos: a, sin: b };
                let amps = Decay {
                    rate,
                    omega,
                    cos: farads * (omega * b - rate * a),
                    sin: -farads * (rate * b + omega * a),
                };
                (volts, amps)
            }
        }
    }
}
