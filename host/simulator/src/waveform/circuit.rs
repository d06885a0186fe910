//! The circuit through time: segments between its changes, and the changes themselves.

use super::mark::{Mark, What};
use super::network::{Impedance, Shunt};
use super::phase::PhaseState;
use super::schedule::{Action, Contact, Todo, is_from_the_start, schedule};
use super::segment::{Angle, Decay, Segment, wave};
use super::source::{Source, Triple};
use super::transient::transient;
use crate::scenario::{BankEventKind, Phase, Scenario};

/// Units discharge to 50 V within this (IEEE 18, from memory).
const DISCHARGE_S: f64 = 300.0;
/// Capacitance is rated at this temperature (IEEE 18, from memory).
const RATED_CELSIUS: f64 = 25.0;

/// The solved scenario.
#[derive(Debug)]
pub(super) struct Circuit {
    pub orders: Vec<u32>,
    pub segments: Vec<Segment>,
    pub marks: Vec<Mark>,
    /// When the contact input changes, and to what.
    pub contact: Contact,
    pub angle: Angle,
    /// Capacitance over the rated one of a bank without any fault, at the start.
    pub healthy: [f64; 3],
}

struct Solver<'a> {
    scenario: &'a Scenario,
    source: Source,
    impedance: Impedance,
    angle: Angle,
    phases: [PhaseState; 3],
    total_units: f64,
    /// Rated capacitance of a phase.
    farads: f64,
    /// That of A, B, C, tolerance included.
    own_farads: [f64; 3],
    /// Rate of discharge of an open unit, in 1/s.
    discharge: f64,
    todo: Todo,
    /// Index of what comes next there.
    next: usize,
    segments: Vec<Segment>,
    marks: Vec<Mark>,
}

impl Circuit {
    pub fn solve(scenario: &Scenario) -> Self {
        let bank = &scenario.bank;
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
            phases: Phase::ALL.map(|phase| PhaseState::new(bank, phase)),
            total_units: f64::from(bank.nameplate.units_per_phase),
            farads,
            own_farads: bank.tolerance_percent.map(|percent| farads * (1.0 + percent / 100.0)),
            discharge: libm::log(unit_crest / 50.0) / DISCHARGE_S,
            todo,
            next: 0,
            segments: Vec::new(),
            marks: Vec::new(),
        };
        let healthy = solver.y(0.0);
        for event in bank.events.iter().filter(|event| is_from_the_start(event)) {
            solver.begin_with(event.kind);
        }
        solver.run();
        Self {
            orders: solver.source.orders,
            segments: solver.segments,
            marks: solver.marks,
            contact,
            angle,
            healthy,
        }
    }
}

impl Solver<'_> {
    fn run(&mut self) {
        self.begin_segment(0.0);
        loop {
            let now = self.segments.last().map_or(0.0, |segment| segment.start_s);
            let stated = self.todo.get(self.next).copied();
            let limit = stated.map_or(self.scenario.duration_s + 1.0, |(at, _)| at);
            if let Some((at, phase)) = self.next_zero(now, limit) {
                self.clear(phase, at);
                self.begin_segment(at);
                continue;
            }
            let Some((at, action)) = stated else { break };
            self.next += 1;
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
            Action::ArmUnits(phase, count) => {
                let armed = &mut self.state(phase).armed;
                armed.units = armed.units.saturating_add(count);
            }
            Action::ElementShort(phase, gain) => {
                self.state(phase).gain += gain;
                self.mark(at, phase, What::ElementShort);
            }
            Action::ArmDrop(phase) => self.state(phase).armed.contact = true,
            Action::Returns(phase) => {
                let state = self.state(phase);
                state.armed.contact = false;
                if core::mem::take(&mut state.dropped) {
                    self.mark(at, phase, What::Returns);
                }
            }
            Action::Repaired(phases) => {
                let units = self.scenario.bank.nameplate.units_per_phase;
                for phase in phases.iter() {
                    self.state(phase).repair(units, at);
                    self.mark(at, phase, What::Repaired);
                }
            }
            Action::ArmPole(phase, restrike) => {
                let state = self.state(phase);
                state.armed.pole = state.closed;
                state.restrike = restrike;
            }
            Action::Restrikes(phase) => {
                let state = self.state(phase);
                if !state.closed {
                    state.closed = true;
                    self.mark(at, phase, What::Restrikes);
                    // The arc lives through its own transient, and goes out at a zero of the feeder's current.
                    let half_cycle = 0.5 / self.angle.hz(at);
                    self.insert(at + half_cycle, Action::ArmPole(phase, None));
                }
            }
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

    /// A fault that was there before the scenario.
    fn begin_with(&mut self, fault: BankEventKind) {
        match fault {
            BankEventKind::FuseBlows { phase, .. } => self.state(phase).armed.fuse = true,
            BankEventKind::UnitOut { phase, count } => self.state(phase).armed.units = count,
            BankEventKind::ElementShort { phase, gain } => self.act(Action::ElementShort(phase, gain), 0.0),
            _ => {}
        }
        for phase in Phase::ALL {
            self.clear(phase, 0.0);
        }
    }

    fn insert(&mut self, at: f64, action: Action) {
        let left = self.todo.get(self.next..).unwrap_or_default();
        let place = self.next + left.partition_point(|(other, _)| *other <= at);
        self.todo.insert(place, (at, action));
    }

    /// Carries out what waited for the zero of this phase's current.
    fn clear(&mut self, phase: Phase, at: f64) {
        let state = self.state(phase);
        let armed = core::mem::take(&mut state.armed);
        let restrike = state.restrike.filter(|_| armed.pole && state.is_connected());
        state.restrike = state.restrike.filter(|_| !armed.pole);
        state.dropped |= armed.contact;
        state.closed &= !armed.pole;
        state.fused &= !armed.fuse;
        state.units = state.units.saturating_sub(armed.units);
        for (happened, what) in [
            (armed.fuse, What::FuseClears),
            (armed.pole, What::PoleClears),
            (armed.units > 0, What::UnitOut),
            (armed.contact, What::DropsOut),
        ] {
            if happened {
                self.mark(at, phase, what);
            }
        }
        if let Some(delay_s) = restrike {
            self.insert(at + delay_s, Action::Restrikes(phase));
        }
    }

    /// Change of every capacitance with the temperature of the air.
    fn thermal(&self, at: f64) -> f64 {
        self.scenario.air.map_or(1.0, |air| {
            let celsius = air.at(self.scenario.start_utc_s as f64 + at);
            1.0 + self.scenario.bank.percent_per_celsius / 100.0 * (celsius - RATED_CELSIUS)
        })
    }

    /// Capacitance that the units of a phase have left, in F.
    fn capacitance(&self, state: &PhaseState, own_farads: f64, at: f64) -> f64 {
        let units = own_farads * f64::from(state.units) / self.total_units;
        (units + self.farads * state.gain) * self.thermal(at)
    }

    fn shunt(&self, state: &PhaseState, own_farads: f64, at: f64) -> Shunt {
        if !state.is_connected() {
            Shunt::Open
        } else if state.faulted {
            Shunt::Fault
        } else {
            Shunt::Capacitor(self.capacitance(state, own_farads, at))
        }
    }

    /// Capacitance behind the poles over the rated one.
    fn y(&self, at: f64) -> [f64; 3] {
        let [a, b, c] = &self.phases;
        let [x, y, z] = self.own_farads;
        [(a, x), (b, y), (c, z)].map(|(state, own)| {
            if state.is_whole() { self.capacitance(state, own, at) / self.farads } else { 0.0 }
        })
    }

    fn shunts(&self, at: f64) -> [Shunt; 3] {
        let [a, b, c] = &self.phases;
        let [x, y, z] = self.own_farads;
        [self.shunt(a, x, at), self.shunt(b, y, at), self.shunt(c, z, at)]
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
        if segment.shunts.get(phase.index()) == Some(&Shunt::Open) || crest < 1e-9 {
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
        let shunts = self.shunts(start_s);
        for (state, ((volts, _), shunt)) in self.phases.iter_mut().zip(before.into_iter().zip(shunts)) {
            if shunt == Shunt::Open {
                state.trapped = (volts, start_s);
            }
        }
        let hz = self.angle.hz(start_s);
        let source = self.source.phasors(&self.scenario.feeder, start_s);
        let strength = self.source.strength(&self.scenario.feeder, &source);
        let orders = self.source.orders.iter().zip(source);
        let (volts, amps): (Vec<Triple>, Vec<Triple>) = orders
            .map(|(&order, emf)| {
                self.impedance.solve(emf, shunts, core::f64::consts::TAU * hz * f64::from(order))
            })
            .unzip();
        let decays = [Decay::default(); 3];
        let nodes = self.phases.map(|state| state.nodes(self.discharge));
        let y = self.y(start_s);
        self.segments.push(Segment {
            start_s,
            hz,
            shunts,
            volts,
            amps,
            volts_decay: decays,
            amps_decay: decays,
            behind_fuse: nodes.map(|(behind_fuse, _)| behind_fuse),
            at_capacitors: nodes.map(|(_, at_capacitors)| at_capacitors),
            strength,
            y,
            closed: self.phases.map(|state| state.closed),
        });
        if is_first {
            return;
        }
        for (phase, (shunt, (volts, amps))) in Phase::ALL.into_iter().zip(shunts.into_iter().zip(before)) {
            let volts_off = volts - self.volts(phase, start_s);
            let amps_off = amps - self.amps(phase, start_s);
            let (volts_decay, amps_decay) = transient(&self.impedance, shunt, volts_off, amps_off);
            if let Some(segment) = self.segments.last_mut()
                && let Some(slot) = segment.volts_decay.get_mut(phase.index())
                && let Some(other) = segment.amps_decay.get_mut(phase.index())
            {
                (*slot, *other) = (volts_decay, amps_decay);
            }
        }
    }
}
