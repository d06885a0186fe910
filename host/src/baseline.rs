//! What a baseline means, in words and as JSON.

use serde_json::{Value, json};
use wyelog_protocol::record::{BaselineReason, BaselineRecord, BaselineState};

/// What its state means for whoever asks.
pub const fn meaning(state: BaselineState) -> &'static str {
    match state {
        BaselineState::Provisional => {
            "learned; the bank is compared with it, until it has been seen on a light and a heavy day and behind an opening \
             and a closing"
        }
        BaselineState::Confirmed => "the bank came back to it on other days and behind operations",
        BaselineState::Refused => {
            "this is no healthy bank, or was not measured well enough; nothing is compared with it"
        }
        BaselineState::Invalid => {
            "the bank has been changed since; learn it anew once the bank is known to be healthy"
        }
    }
}

/// Why it is not to be trusted; `None` where nothing speaks against it.
pub const fn reason(reason: BaselineReason) -> Option<&'static str> {
    Some(match reason {
        BaselineReason::Sound => return None,
        BaselineReason::Fault => "a fault of the bank or of a sensor was there",
        BaselineReason::NotIdentifiable => {
            "what is connected could not be told: the bank must be closed, and all three voltages measured"
        }
        BaselineReason::Unsteady => "the phases moved against each other by more than 1 % in two minutes",
        BaselineReason::BeyondTolerance => {
            "the phases differ by more than units' tolerances and sensors' errors: a unit is missing, or the settings are wrong"
        }
        BaselineReason::NotRepeated => {
            "the bank did not come back to it on another day or behind an operation"
        }
        BaselineReason::LinkReplaced => "a fuse link was replaced",
        BaselineReason::UnitReplaced => "a capacitor unit was replaced",
        BaselineReason::SensorReplaced => "a sensor was replaced",
        BaselineReason::Repaired => "a fault of the bank has ended since",
        BaselineReason::SettingsChanged => "the logger's settings are others now",
    })
}

/// As JSON: per unit, V, hours.
pub fn to_json(baseline: &BaselineRecord) -> Value {
    json!({
        "type": "baseline",
        "state": baseline.state.name(),
        "reason": baseline.reason.name(),
        "y": baseline.connected.map(|y| y.value_f64()),
        "difference_sigma": baseline.quality.difference_sigma.value_f64(),
        "common_sigma": baseline.quality.common_sigma.value_f64(),
        "common_basis": baseline.quality.common_basis.name(),
        "change_sigma": baseline.change_sigma.value_f64(),
        "lowest_v": baseline.lowest.value_f64(),
        "highest_v": baseline.highest.value_f64(),
        "hours": baseline.hours,
        "openings": baseline.openings,
        "closings": baseline.closings,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_reason_but_soundness_has_words() {
        for one in BaselineReason::ALL {
            assert_eq!(reason(one).is_none(), one == BaselineReason::Sound, "{}", one.name());
        }
        for state in BaselineState::ALL {
            assert!(meaning(state).len() > 20);
        }
    }
}
