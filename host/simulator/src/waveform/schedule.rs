//! What the scenario states a time for, in time order.

use super::noise::Noise;
use super::source::DAILY_REFRESH_S;
use crate::scenario::{BankEventKind, Phase, Scenario};

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
    /// The pole has parted: it clears at the next zero.
    ArmPole(Phase),
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
        todo.push((event.at_s + event.duration_s, Action::Source));
    }
    let mut refresh = |every_s: f64| {
        let count = libm::floor(scenario.duration_s / every_s) as u32;
        todo.extend((1..=count).map(|k| (f64::from(k) * every_s, Action::Source)));
    };
    if scenario.feeder.frequency_drift_hz_per_s != 0.0 {
        refresh(REFRESH_S);
    } else if scenario.feeder.daily.is_some() {
        refresh(DAILY_REFRESH_S);
    }
    for event in &scenario.bank.events {
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
            BankEventKind::Opens { phases, delay_s } => {
                contact.push((event.at_s, false));
                for phase in Phase::ALL.into_iter().filter(|&phase| phases.contains(phase)) {
                    todo.push((event.at_s + delay_s, Action::ArmPole(phase)));
                }
            }
            BankEventKind::Closes { phases, delay_s, spread_s } => {
                contact.push((event.at_s, true));
                for phase in Phase::ALL.into_iter().filter(|&phase| phases.contains(phase)) {
                    let lag = spread_s * noise.uniform();
                    todo.push((event.at_s + delay_s + lag, Action::PoleMakes(phase)));
                }
            }
        }
    }
    // Stable: what stands first in the file happens first.
    todo.sort_by(|a, b| a.0.total_cmp(&b.0));
    (todo, contact)
}
