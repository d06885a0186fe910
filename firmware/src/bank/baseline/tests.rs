extern crate std;
use super::*;
use crate::testing::settings;
use std::vec::Vec;

const MINUTE: u64 = 60 * FRAMES_PER_SECOND as u64;
const VOLTS: f32 = 7200.0;

/// A bank that is looked at once a minute.
struct Bank {
    baseline: Baseline,
    now: u64,
    y: [f32; 3],
    state: BankState,
    is_healthy: bool,
    said: Vec<(BaselineState, BaselineReason)>,
}

impl Bank {
    fn new(settings: &Settings) -> Self {
        Self {
            baseline: Baseline::new(settings),
            now: 0,
            y: [1.03, 1.01, 1.05],
            state: BankState::Closed,
            is_healthy: true,
            said: Vec::new(),
        }
    }

    fn minutes(&mut self, minutes: u32, volts: f32) {
        let mut estimate = Estimate::default();
        (estimate.y, estimate.difference_sigma) = (self.y, 0.018);
        for _ in 0..minutes {
            self.now += MINUTE;
            let sight = Sight {
                now: self.now,
                state: self.state,
                is_identifiable: self.state == BankState::Closed,
                is_healthy: self.is_healthy,
                estimate: &estimate,
                voltage: volts,
            };
            if let Some(record) = self.baseline.window(&sight, Stamp::default()) {
                self.said.push((record.state, record.reason));
            }
        }
    }

    fn learn(&mut self) {
        self.baseline.order(Order::Learn, self.now);
        self.minutes(3, VOLTS);
    }

    fn operate(&mut self) {
        self.baseline.operated(Action::Opened);
        self.baseline.operated(Action::Closed);
    }

    /// What was said, once each.
    fn story(&self) -> Vec<(BaselineState, BaselineReason)> {
        let mut story = self.said.clone();
        story.dedup();
        story
    }
}

use BaselineReason as Because;
use BaselineState::{Confirmed, Invalid, Provisional, Refused};

#[test]
fn two_different_days_and_two_operations_confirm_it() {
    let mut bank = Bank::new(&settings());
    bank.learn();
    assert_eq!(bank.story(), [(Provisional, Because::Sound)]);
    assert_eq!(bank.baseline.known().unwrap().0, [1.03, 1.01, 1.05]);
    bank.operate();
    bank.minutes(1440, VOLTS);
    bank.minutes(1440 - 60, 1.012 * VOLTS);
    assert_eq!(bank.story(), [(Provisional, Because::Sound)], "two days are not over");
    bank.minutes(90, VOLTS);
    assert_eq!(bank.story(), [(Provisional, Because::Sound), (Confirmed, Because::Sound)]);
}

#[test]
fn a_week_has_light_and_heavy_days_though_a_regulator_hides_them() {
    let mut bank = Bank::new(&settings());
    bank.learn();
    bank.operate();
    bank.minutes(6 * 1440, VOLTS);
    assert_eq!(bank.story(), [(Provisional, Because::Sound)]);
    bank.minutes(1440 + 60, VOLTS);
    assert_eq!(bank.story().last(), Some(&(Confirmed, Because::Sound)));
}

#[test]
fn a_bank_that_was_not_operated_is_not_confirmed_unless_it_cannot_be() {
    let mut bank = Bank::new(&settings());
    bank.learn();
    bank.baseline.operated(Action::Opened);
    bank.minutes(8 * 1440, VOLTS);
    assert_eq!(bank.story(), [(Provisional, Because::Sound)]);
    let mut fixed = settings();
    fixed.nameplate.build.switching = Switching::None;
    let mut bank = Bank::new(&fixed);
    bank.learn();
    bank.minutes(8 * 1440, VOLTS);
    assert_eq!(bank.story().last(), Some(&(Confirmed, Because::Sound)));
}

#[test]
fn one_learned_over_a_fault_is_refused() {
    let mut bank = Bank::new(&settings());
    bank.is_healthy = false;
    bank.learn();
    assert_eq!(bank.story(), [(Refused, Because::Fault)]);
    assert!(bank.baseline.known().is_none());
    let mut bank = Bank::new(&settings());
    bank.state = BankState::Open;
    bank.learn();
    assert_eq!(bank.story(), [(Refused, Because::NotIdentifiable)]);
    let mut bank = Bank::new(&settings());
    bank.y = [1.03, 0.89, 1.05];
    bank.learn();
    assert_eq!(bank.story(), [(Refused, Because::BeyondTolerance)]);
}

#[test]
fn phases_that_move_while_it_is_learned_are_no_baseline() {
    let mut bank = Bank::new(&settings());
    bank.baseline.order(Order::Learn, bank.now);
    bank.minutes(1, VOLTS);
    bank.y[1] += 0.02;
    bank.minutes(2, VOLTS);
    assert_eq!(bank.story(), [(Refused, Because::Unsteady)]);
}

#[test]
fn a_feeder_that_was_dead_meanwhile_teaches_nothing() {
    let mut bank = Bank::new(&settings());
    bank.baseline.order(Order::Learn, bank.now);
    bank.minutes(1, VOLTS);
    bank.now += 30 * MINUTE;
    bank.minutes(2, VOLTS);
    assert_eq!(bank.story(), [], "two minutes of it were not seen in a row");
    bank.minutes(1, VOLTS);
    assert_eq!(bank.story(), [(Provisional, Because::Sound)]);
}

#[test]
fn a_bank_that_does_not_come_back_to_it_refuses_it() {
    let mut bank = Bank::new(&settings());
    bank.learn();
    // The same to all phases is temperature, and no difference.
    bank.y = bank.y.map(|y| y - 0.02);
    bank.minutes(60, VOLTS);
    assert_eq!(bank.story(), [(Provisional, Because::Sound)]);
    bank.y[2] += 0.04;
    bank.minutes(20, VOLTS);
    assert_eq!(bank.story().last(), Some(&(Refused, Because::NotRepeated)));
}

#[test]
fn whoever_replaces_a_part_invalidates_it() {
    for (replaced, reason) in [
        (Replaced::Link, Because::LinkReplaced),
        (Replaced::Unit, Because::UnitReplaced),
        (Replaced::Sensor, Because::SensorReplaced),
    ] {
        let mut bank = Bank::new(&settings());
        bank.baseline.order(Order::Discard(replaced), 0);
        bank.minutes(1, VOLTS);
        assert_eq!(bank.story(), [], "there was none");
        bank.learn();
        bank.baseline.order(Order::Discard(replaced), bank.now);
        bank.minutes(1, VOLTS);
        assert_eq!(bank.story(), [(Provisional, Because::Sound), (Invalid, reason)]);
        assert!(bank.baseline.known().is_none());
    }
}

#[test]
fn a_fault_that_lasted_and_is_gone_was_repaired_by_somebody() {
    let mut bank = Bank::new(&settings());
    bank.learn();
    bank.is_healthy = false;
    bank.minutes(1, VOLTS);
    bank.is_healthy = true;
    bank.minutes(10, VOLTS);
    assert_eq!(bank.story(), [(Provisional, Because::Sound)], "a minute is none");
    bank.is_healthy = false;
    bank.minutes(5, VOLTS);
    assert_eq!(bank.story(), [(Provisional, Because::Sound)], "it is what shows the fault");
    bank.is_healthy = true;
    bank.minutes(5, VOLTS);
    assert_eq!(bank.story().last(), Some(&(Invalid, Because::Repaired)));
}

#[test]
fn it_goes_on_across_starts_unless_the_settings_are_others() {
    let mut bank = Bank::new(&settings());
    bank.learn();
    bank.operate();
    bank.minutes(3 * 1440, VOLTS);
    let kept = bank.baseline.record.clone().unwrap();
    let mut again = Bank::new(&settings());
    again.baseline.resume(kept.clone());
    assert!(again.baseline.known().is_some());
    again.minutes(4 * 1440 + 60, VOLTS);
    assert_eq!(again.story().last(), Some(&(Confirmed, Because::Sound)));
    let mut other = settings();
    other.nameplate.units_per_phase += 1;
    let mut again = Bank::new(&other);
    again.baseline.resume(kept);
    assert!(again.baseline.known().is_none());
    again.minutes(1, VOLTS);
    assert_eq!(again.story(), [(Invalid, Because::SettingsChanged)]);
}
