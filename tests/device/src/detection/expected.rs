//! What a logger should say of a scenario, from the truth about it.

use wyelog_protocol::cause::Cause;
use wyelog_protocol::condition::{Condition, Phases};
use wyelog_simulator::scenario::{Channel, FeederEventKind};
use wyelog_simulator::waveform::{Fact, TrueEvent, Truth, What};

/// A condition that should be found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Expected {
    /// Which.
    pub condition: Condition,
    /// In which phases; `None` where that makes no sense.
    pub phases: Option<Phases>,
    /// When it begins, in s.
    pub begin_s: f64,
    /// When what leads to it begins, in s: the fault current before a fuse clears.
    pub earliest_s: f64,
    /// Part of the phase's rated capacitance that it takes away; NaN where that makes no sense.
    pub fraction: f64,
    /// Whether an operation of the switch comes with it.
    pub at_operation: bool,
}

/// Poles and contacts have settled so long after a command, in s.
const SETTLED_S: f64 = 2.5;
/// Capacitors are discharged so long after an opening (IEEE 18, from memory), in s.
const DISCHARGED_S: f64 = 300.0;

/// What should be found in a scenario of this truth, in time order.
pub fn expected(truth: &Truth) -> Vec<Expected> {
    let mut found = Vec::new();
    let mut drops = [0_u32; 3];
    let mut untold = false;
    for event in &truth.events {
        let new = |condition, phases| Expected {
            condition,
            phases,
            begin_s: event.at_s,
            earliest_s: event.at_s,
            fraction: f64::NAN,
            at_operation: false,
        };
        let own = Some(set(event.phases));
        match event.what {
            Fact::Bank(what) => {
                let is_told = match what {
                    What::PoleClears => !truth.told(event.at_s),
                    What::PoleMakes => truth.told(event.at_s),
                    _ => true,
                };
                if !is_told && !core::mem::replace(&mut untold, true) {
                    let at_operation = true;
                    found.push(Expected { at_operation, ..new(Condition::UnexpectedOperation, None) });
                }
                found.extend(to_a_phase(truth, event, what, &mut drops, new));
            }
            Fact::Told { obeyed: false, .. } => {
                found.push(Expected { at_operation: true, ..new(Condition::FailedToOperate, None) });
            }
            Fact::Told { closed, .. } => found.extend(by_operation(truth, event, closed, new)),
            Fact::Feeder(FeederEventKind::SinglePhasing { .. }) => {
                found.push(new(Condition::OpenPhaseUpstream, own));
            }
            Fact::Feeder(_) => {}
            Fact::LeadBroken(Channel::N) => found.push(new(Condition::NeutralSignalLost, None)),
            Fact::LeadBroken(channel) => {
                found.push(new(Condition::VoltageSignalLost, Some(Phases::single(channel.index()))));
            }
            Fact::SecondPath(_) => found.push(new(Condition::SecondNeutralPath, None)),
        }
    }
    found
}

fn set(phases: wyelog_simulator::scenario::Phases) -> Phases {
    let bits = phases.iter().map(|phase| 1 << phase.index()).sum();
    Phases::from_bits(bits)
}

fn to_a_phase(
    truth: &Truth,
    event: &TrueEvent,
    what: What,
    drops: &mut [u32; 3],
    new: impl Fn(Condition, Option<Phases>) -> Expected,
) -> Option<Expected> {
    let own = set(event.phases);
    let index = own.bits().trailing_zeros() as usize;
    match what {
        What::FuseClears => {
            // Behind an open pole it shows at the next closing only.
            if !truth.closed(event.at_s)[index] {
                return None;
            }
            let begins = |other: &&TrueEvent| {
                other.what == Fact::Bank(What::FaultBegins) && other.phases == event.phases
            };
            let fault = truth.events.iter().find(begins).map_or(event.at_s, |fault| fault.at_s);
            Some(Expected { earliest_s: fault, fraction: 1.0, ..new(Condition::BlownFuse, Some(own)) })
        }
        What::UnitOut => Some(Expected { fraction: -event.fraction, ..new(Condition::UnitOut, Some(own)) }),
        What::ElementShort => {
            Some(Expected { fraction: -event.fraction, ..new(Condition::ElementShort, Some(own)) })
        }
        What::DropsOut => {
            drops[index] += 1;
            (drops[index] == 3).then(|| new(Condition::IntermittentPhase, Some(own)))
        }
        What::Restrikes => Some(Expected { at_operation: true, ..new(Condition::Restrike, Some(own)) }),
        _ => None,
    }
}

fn by_operation(
    truth: &Truth,
    event: &TrueEvent,
    closed: bool,
    new: impl Fn(Condition, Option<Phases>) -> Expected,
) -> Vec<Expected> {
    let after = event.at_s + SETTLED_S;
    let is = |other: &&TrueEvent, what| other.what == Fact::Bank(what);
    let moves = if closed { What::PoleMakes } else { What::PoleClears };
    let first = truth.events.iter().find(|other| is(other, moves) && other.at_s >= event.at_s);
    let begin_s = first.map_or(event.at_s, |first| first.at_s);
    let which = |is_wrong: &dyn Fn(usize) -> bool| {
        Phases::from_bits((0..3).filter(|phase| is_wrong(*phase)).map(|phase| 1 << phase).sum())
    };
    let wrong = if closed {
        let connected = truth.connected(after);
        (Condition::PhaseMissingAtClose, which(&|phase| connected[phase] == 0.0))
    } else {
        let closed = truth.closed(after);
        (Condition::PoleFailedToOpen, which(&|phase| closed[phase]))
    };
    let mut found = Vec::new();
    let at = |condition, phases| Expected {
        begin_s,
        earliest_s: event.at_s,
        at_operation: true,
        ..new(condition, phases)
    };
    if wrong.1 != Phases::NONE {
        found.push(at(wrong.0, Some(wrong.1)));
    }
    let opened = truth.events.iter().rfind(|other| is(other, What::PoleClears) && other.at_s < begin_s);
    if closed && opened.is_some_and(|opened| begin_s < opened.at_s + DISCHARGED_S) {
        found.push(at(Condition::ClosedWhileCharged, None));
    }
    found
}

/// Causes that name this condition where another one was said.
pub const fn causes(condition: Condition) -> &'static [Cause] {
    match condition {
        Condition::BlownFuse => &[Cause::FuseOperated, Cause::FuseOpenBefore],
        Condition::PhaseMissingAtClose => &[Cause::PoleStuckOpen, Cause::FuseOpenBefore, Cause::CutoutOpen],
        Condition::PoleFailedToOpen => &[Cause::PoleStuckClosed],
        _ => &[],
    }
}
