//! What is known of the bank, and what its switch did, as objects.

use serde_json::{Value, json};
use wyelog::time::frames_to_seconds;
use wyelog_protocol::bank::Settings;
use wyelog_protocol::condition::Phases;
use wyelog_protocol::quantity::{Quantity, Scale};
use wyelog_protocol::record::{BankRecord, BankState, Operation};

/// The phases that the bank has.
pub fn present(settings: &Settings) -> Phases {
    settings.nameplate.build.phases
}

/// What is known of the bank; `None`: nothing. `y` is the connected over the rated capacitance of A, B, C, `y_sigma` the standard
/// deviation of each. `difference_sigma` is that of the difference of a phase from what all have in common, `common_sigma` that
/// of what they have in common, `common_basis` what the latter rests on, if there is one. `identifiable`: each phase the bank has has both a value
/// and its deviation.
pub fn state(bank: Option<&BankRecord>, present: Phases, t_s: f64) -> Value {
    let y = bank.map_or([None; 3], |bank| bank.connected.map(number));
    let y_sigma = bank.map_or([None; 3], |bank| bank.sigma.map(number));
    let is_known = |phase: usize, part: &[Option<f64>; 3]| part.get(phase).is_some_and(Option::is_some);
    let identifiable = present != Phases::NONE
        && (0..3).all(|phase| !present.contains(phase) || (is_known(phase, &y) && is_known(phase, &y_sigma)));
    json!({
        "type": "state",
        "t_s": t_s,
        "bank": bank.map_or(BankState::Unknown, |bank| bank.state).name(),
        "y": y,
        "y_sigma": y_sigma,
        "difference_sigma": bank.and_then(|bank| number(bank.quality.difference_sigma)),
        "common_sigma": bank.and_then(|bank| number(bank.quality.common_sigma)),
        "common_basis": bank.and_then(|bank| {
            bank.quality.common_sigma.value().map(|_| bank.quality.common_basis.name())
        }),
        "identifiable": identifiable,
    })
}

/// An operation as currents and voltages show it. `poles_us` are the current zeros at which the poles of A, B, C cleared, from
/// `begin_s` on, not the parting of contacts; `neutral_peak_a` is in the band of the sampling, the crest of an inrush is higher.
pub fn operation(operation: &Operation) -> Value {
    json!({
        "type": "operation",
        "seen_by": "signals",
        "t_s": frames_to_seconds(operation.stamp.frame),
        "action": operation.action.name(),
        "told": operation.told,
        "begin_s": frames_to_seconds(operation.begin.frame),
        "poles_us": operation.poles_us,
        "neutral_peak_a": number(operation.neutral_peak),
        "voltage_step": number(operation.voltage_step),
        "since_opening_s": operation.since_opening_ms.map(|ms| ms as f64 / 1000.0),
    })
}

fn number<S: Scale>(quantity: Quantity<S>) -> Option<f64> {
    quantity.value_f64()
}

#[cfg(test)]
mod tests {
    use super::*;
    use wyelog_protocol::quantity::{Current, PerUnit};
    use wyelog_protocol::record::{Action, Basis, Moment, Quality, Stamp};

    fn record() -> BankRecord {
        BankRecord {
            stamp: Stamp { boot: 1, frame: 9600, utc_ms: None },
            state: BankState::Closed,
            connected: [1.01, 0.0, 0.99].map(PerUnit::quantise),
            sigma: [0.02; 3].map(PerUnit::quantise),
            quality: Quality {
                difference_sigma: PerUnit::quantise(0.01),
                common_sigma: PerUnit::quantise(0.0123),
                common_basis: Basis::Opening,
            },
        }
    }

    #[test]
    fn a_state_is_identifiable_when_the_phases_it_has_are() {
        let whole = state(Some(&record()), Phases::ABC, 2.0);
        assert_eq!(
            whole,
            json!({
                "type": "state", "t_s": 2.0, "bank": "closed", "y": [1.01, 0.0, 0.99], "y_sigma": [0.02, 0.02, 0.02],
                "difference_sigma": 0.01, "common_sigma": 0.0123, "common_basis": "opening", "identifiable": true,
            })
        );
        let mut one = record();
        one.sigma[2] = PerUnit::ABSENT;
        assert_eq!(state(Some(&one), Phases::ABC, 2.0)["identifiable"], false);
        assert_eq!(state(Some(&one), Phases::from_bits(0b011), 2.0)["identifiable"], true);
        one.connected[0] = PerUnit::ABSENT;
        let one = state(Some(&one), Phases::from_bits(0b011), 2.0);
        assert_eq!((&one["identifiable"], &one["y"]), (&json!(false), &json!([null, 0.0, 0.99])));
        let nothing = state(None, Phases::ABC, 9.5);
        assert_eq!((&nothing["bank"], &nothing["t_s"]), (&json!("unknown"), &json!(9.5)));
        assert_eq!((&nothing["y"], &nothing["identifiable"]), (&json!([null, null, null]), &json!(false)));
        assert!(nothing["common_basis"].is_null() && nothing["difference_sigma"].is_null());
    }

    #[test]
    fn an_operation_says_what_was_seen() {
        let object = operation(&Operation {
            stamp: Stamp { boot: 1, frame: 9600, utc_ms: None },
            action: Action::Opened,
            told: Some(true),
            begin: Moment { frame: 4800, utc_ms: None },
            poles_us: [Some(0), Some(2778), None],
            neutral_peak: Current::quantise(41.5),
            voltage_step: PerUnit::quantise(-0.0062),
            since_opening_ms: Some(300_500),
        });
        assert_eq!(
            object,
            json!({
                "type": "operation", "seen_by": "signals", "t_s": 2.0, "action": "opened", "told": true,
                "begin_s": 1.0, "poles_us": [0, 2778, null], "neutral_peak_a": 41.5, "voltage_step": -0.0062,
                "since_opening_s": 300.5,
            })
        );
    }
}
