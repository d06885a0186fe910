//! What the scenario states a time for, in time order.

use super::noise::Noise;
use super::source::{DAILY_REFRESH_S, ramp_steps};
use crate::scenario::{BankEvent, BankEventKind, FeederEventKind, Manner, Phase, Phases, Scenario};

/// With a drifting frequency the steady state is solved anew after this long.
const REFRESH_S: f64 = 1.0;

/// A change that happens, or begins to wait for a zero of the current, at a stated time.
#[derive(Debug, Clone, Copy)]
pub(super) enum Action {
    /// The source changes, or the frequency has drifted.
    Source,
    /// A unit fails to a short.
    FaultBegins(Phase),
    /// The fuse has melted: it clears at the next zero.
    ArmFuse(Phase),
    /// So many units leave at the next zero.
    ArmUnits(Phase, u8),
    /// A section is shorted: so much of the rated capacitance comes to the phase.
    ElementShort(Phase, f64),
    /// The contact at the cutout has parted: it clears at the next zero.
    ArmDrop(Phase),
    /// The contact at the cutout makes again.
    Returns(Phase),
    /// Everything behind the switch is as new.
    Repaired(Phases),
    /// The pole has parted: it clears at the next zero, and so long after that it re-ignites if it does.
    ArmPole(Phase, Option<f64>),
    /// The pole re-ignites.
    Restrikes(Phase),
    /// The pole touches.
    PoleMakes(Phase),
}

/// Actions in time order, each with its time in s.
pub(super) type Todo = Vec<(f64, Action)>;
/// When the contact input changes, in s, and to what.
pub(super) type Contact = Vec<(f64, bool)>;

/// Everything that the scenario states a time for, and the changes of the contact input.
pub(super) fn schedule(scenario: &Scenario) -> (Todo, Contact) {
    let mut todo = Vec::new();
    let mut contact = vec![(0.0, scenario.bank.closed_at_start)];
    let mut noise = Noise::new(scenario.seed, 100);
    let hz = scenario.feeder.frequency_hz;
    for event in &scenario.feeder.events {
        todo.push((event.at_s, Action::Source));
        if event.duration_s.is_finite() {
            todo.push((event.at_s + event.duration_s, Action::Source));
        }
        if let FeederEventKind::Outage { ramp_s } = event.kind {
            let steps = ramp_steps(ramp_s);
            let at = |step: u32| event.at_s + event.duration_s + ramp_s * f64::from(step) / f64::from(steps);
            todo.extend((1..=steps).map(|step| (at(step), Action::Source)));
        }
    }
    let mut refresh = |every_s: f64| {
        let count = libm::floor(scenario.duration_s / every_s) as u32;
        todo.extend((1..=count).map(|k| (f64::from(k) * every_s, Action::Source)));
    };
    if scenario.feeder.frequency_drift_hz_per_s != 0.0 {
        refresh(REFRESH_S);
    } else if scenario.feeder.daily.is_some() || scenario.air.is_some_and(|air| air.swings()) {
        refresh(DAILY_REFRESH_S);
    }
    for event in scenario.bank.events.iter().filter(|event| !is_from_the_start(event)) {
        match event.kind {
            BankEventKind::FuseBlows { phase, fault_cycles } => {
                if fault_cycles > 0.0 {
                    todo.push((event.at_s, Action::FaultBegins(phase)));
                }
                todo.push((event.at_s + fault_cycles / hz, Action::ArmFuse(phase)));
            }
            BankEventKind::UnitOut { phase, count } => {
                todo.push((event.at_s, Action::ArmUnits(phase, count)))
            }
            BankEventKind::ElementShort { phase, gain } => {
                todo.push((event.at_s, Action::ElementShort(phase, gain)));
            }
            BankEventKind::DropsOut { phase, duration_s } => {
                todo.push((event.at_s, Action::ArmDrop(phase)));
                todo.push((event.at_s + duration_s, Action::Returns(phase)));
            }
            BankEventKind::Repaired { phases } => todo.push((event.at_s, Action::Repaired(phases))),
            BankEventKind::Opens { phases, delay_s, manner, restrikes, restrike_s } => {
                if manner.told {
                    contact.push((event.at_s, false));
                }
                for phase in phases.iter() {
                    let random = if manner.spread_s > 0.0 { noise.uniform() } else { 0.0 };
                    let restrike = restrikes.filter(|poles| poles.contains(phase)).map(|_| restrike_s);
                    let at_s = event.at_s + delay_s + lag_s(&manner, phase, random);
                    todo.push((at_s, Action::ArmPole(phase, restrike)));
                }
            }
            BankEventKind::Closes { phases, delay_s, manner } => {
                if manner.told {
                    contact.push((event.at_s, true));
                }
                for phase in phases.iter() {
                    let at_s = event.at_s + delay_s + lag_s(&manner, phase, noise.uniform());
                    todo.push((at_s, Action::PoleMakes(phase)));
                }
            }
            BankEventKind::FailsToOperate { closed } => contact.push((event.at_s, closed)),
        }
    }
    // Stable: what stands first in the file happens first.
    todo.sort_by(|a, b| a.0.total_cmp(&b.0));
    (todo, contact)
}

/// Whether this was so before the scenario began.
pub(super) fn is_from_the_start(event: &BankEvent) -> bool {
    let is_fault = match event.kind {
        BankEventKind::FuseBlows { fault_cycles, .. } => fault_cycles == 0.0,
        BankEventKind::UnitOut { .. } | BankEventKind::ElementShort { .. } => true,
        _ => false,
    };
    is_fault && event.at_s == 0.0
}

fn lag_s(manner: &Manner, phase: Phase, random: f64) -> f64 {
    let [a, b, c] = manner.lag_s;
    let own = match phase {
        Phase::A => a,
        Phase::B => b,
        Phase::C => c,
    };
    manner.spread_s * random + own
}
