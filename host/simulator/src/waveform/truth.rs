//! What really happens in a scenario, for studies to hold a verdict against.

use super::circuit::Circuit;
use super::mark::{Mark, What};
use crate::scenario::{BankEventKind, Channel, FeederEventKind, Phases, Scenario};

/// The truth about a scenario.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// What happens, in time order.
    pub events: Vec<TrueEvent>,
    /// `y` of the bank without any fault, at the start.
    healthy: [f64; 3],
    states: Vec<State>,
    told: Vec<(f64, bool)>,
}

/// Something that happens.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrueEvent {
    /// When, in s.
    pub at_s: f64,
    /// When it is over, in s; infinite for what stays, the same as `at_s` for what is of one moment.
    pub until_s: f64,
    /// What.
    pub what: Fact,
    /// In which phases; all three where that makes no sense.
    pub phases: Phases,
    /// How much `y` of these phases changes by it, seen across the pole: −1 a phase lost, +0.11 a section shorted.
    pub fraction: f64,
}

/// What happens.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fact {
    /// To a phase of the bank.
    Bank(What),
    /// The bank is told to close or to open, whether or not anything moves.
    Told {
        /// What it is told.
        closed: bool,
        /// Whether any pole obeys.
        obeyed: bool,
    },
    /// On the feeder.
    Feeder(FeederEventKind),
    /// The lead of a sensor is broken.
    LeadBroken(Channel),
    /// So much of the neutral current takes another path.
    SecondPath(f64),
}

/// The bank between two changes.
#[derive(Debug, Clone, Copy, PartialEq)]
struct State {
    at_s: f64,
    y: [f64; 3],
    closed: [bool; 3],
}

impl Scenario {
    /// Solves the scenario and says what really happens in it.
    pub fn truth(&self) -> Truth {
        Truth::new(self, &Circuit::solve(self))
    }
}

impl Truth {
    pub(super) fn new(scenario: &Scenario, circuit: &Circuit) -> Self {
        let mut states: Vec<State> = Vec::new();
        for segment in &circuit.segments {
            let state = State { at_s: segment.start_s, y: segment.y, closed: segment.closed };
            match states.last() {
                Some(last) if last.y == state.y && last.closed == state.closed => {}
                _ => states.push(state),
            }
        }
        let mut truth =
            Self { events: Vec::new(), healthy: circuit.healthy, states, told: circuit.contact.clone() };
        let mut events = truth.of_bank(circuit);
        events.extend(told(scenario));
        let lasting =
            |at_s, until_s, what| TrueEvent { at_s, until_s, what, phases: Phases::ALL, fraction: 0.0 };
        events.extend(scenario.feeder.events.iter().map(|event| TrueEvent {
            phases: of_feeder(event.kind),
            ..lasting(event.at_s, event.end_s(), Fact::Feeder(event.kind))
        }));
        let sensors = &scenario.sensors;
        let wires = sensors.broken_wires.iter();
        events.extend(wires.map(|wire| lasting(wire.at_s, wire.until_s, Fact::LeadBroken(wire.channel))));
        let paths = sensors.second_paths.iter();
        events.extend(paths.map(|path| lasting(path.at_s, f64::INFINITY, Fact::SecondPath(path.part))));
        events.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        truth.events = events;
        truth
    }

    fn of_bank(&self, circuit: &Circuit) -> Vec<TrueEvent> {
        let one = |mark: &Mark| {
            let index = mark.phase.index();
            let after = self.y(mark.at_s).get(index).copied().unwrap_or(0.0);
            let before = self.before(mark.at_s).get(index).copied().unwrap_or(0.0);
            TrueEvent {
                at_s: mark.at_s,
                until_s: mark.at_s,
                what: Fact::Bank(mark.what),
                phases: Phases::one(mark.phase),
                fraction: after - before,
            }
        };
        circuit.marks.iter().map(one).collect()
    }

    fn state(&self, at_s: f64) -> Option<&State> {
        let after = self.states.partition_point(|state| state.at_s <= at_s);
        self.states.get(after.saturating_sub(1))
    }

    /// `y` just before something that happens at this time; of healthy units before the start.
    fn before(&self, at_s: f64) -> [f64; 3] {
        let index = self.states.partition_point(|state| state.at_s < at_s);
        match index.checked_sub(1).and_then(|index| self.states.get(index)) {
            Some(state) => state.y,
            None => self.healthy,
        }
    }

    /// Capacitance of A, B, C behind the pole over the rated one, at this time: tolerance, temperature and every fault
    /// included, whatever the position of the pole. 0 behind a blown fuse and of a phase that the bank does not have.
    pub fn y(&self, at_s: f64) -> [f64; 3] {
        self.state(at_s).map_or([0.0; 3], |state| state.y)
    }

    /// Position of the poles of A, B, C: true is closed.
    pub fn closed(&self, at_s: f64) -> [bool; 3] {
        self.state(at_s).map_or([false; 3], |state| state.closed)
    }

    /// What the feeder sees of the bank: `y` where the pole is closed, 0 elsewhere.
    pub fn connected(&self, at_s: f64) -> [f64; 3] {
        let ([x, y, z], [a, b, c]) = (self.y(at_s), self.closed(at_s));
        [(x, a), (y, b), (z, c)].map(|(y, closed)| if closed { y } else { 0.0 })
    }

    /// What the bank was last told, whether or not the contact input is wired.
    pub fn told(&self, at_s: f64) -> bool {
        let after = self.told.partition_point(|(at, _)| *at <= at_s);
        self.told.get(after.saturating_sub(1)).is_some_and(|(_, closed)| *closed)
    }
}

fn told(scenario: &Scenario) -> impl Iterator<Item = TrueEvent> {
    scenario.bank.events.iter().filter_map(|event| {
        let (closed, obeyed, phases) = match event.kind {
            BankEventKind::Opens { phases, manner, .. } if manner.told => (false, true, phases),
            BankEventKind::Closes { phases, manner, .. } if manner.told => (true, true, phases),
            BankEventKind::FailsToOperate { closed } => (closed, false, Phases::ALL),
            _ => return None,
        };
        let what = Fact::Told { closed, obeyed };
        Some(TrueEvent { at_s: event.at_s, until_s: event.at_s, what, phases, fraction: 0.0 })
    })
}

fn of_feeder(kind: FeederEventKind) -> Phases {
    match kind {
        FeederEventKind::Interruption | FeederEventKind::Outage { .. } => Phases::ALL,
        FeederEventKind::Sag { phases, .. }
        | FeederEventKind::Swell { phases, .. }
        | FeederEventKind::LoadStep { phases, .. }
        | FeederEventKind::RegulatorStep { phases, .. } => phases,
        FeederEventKind::GroundFaultElsewhere { phase, .. }
        | FeederEventKind::SinglePhasing { phase, .. } => Phases::one(phase),
    }
}
