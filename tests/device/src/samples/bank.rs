//! What is known of the bank in every state and on every basis, and what its switch did.

use wyelog_protocol::quantity::{Current, PerUnit, Voltage};
use wyelog_protocol::record::{
    Action, BankRecord, BankState, BaselineReason, BaselineRecord, BaselineState, Basis, Moment, Operation,
    Quality, Record,
};

use super::STAMP;

pub(super) fn all() -> Vec<(&'static str, Record)> {
    use BaselineReason as Because;
    use BaselineState::{Confirmed, Invalid, Provisional, Refused};
    vec![
        ("operation_opened", Record::Operation(opened())),
        ("operation_closed_untold", Record::Operation(closed())),
        ("operation_without_contact", Record::Operation(Operation { told: None, ..opened() })),
        ("bank_closed", bank(BankState::Closed, Basis::Nameplate, [1.02, 0.667, 1.0])),
        ("bank_closed_learned", bank(BankState::Closed, Basis::Baseline, [1.0, 1.0, 1.0])),
        ("bank_closed_harmonics", bank(BankState::Closed, Basis::Harmonics, [0.98, 1.25, 0.99])),
        ("bank_open", bank(BankState::Open, Basis::Opening, [0.0, -0.0001, 0.0001])),
        ("bank_partly_closed", bank(BankState::PartlyClosed, Basis::Pole, [1.0, 0.0, 1.0])),
        ("bank_unknown", bank(BankState::Unknown, Basis::Nameplate, [f32::NAN; 3])),
        ("baseline_provisional", baseline(Provisional, Because::Sound)),
        ("baseline_confirmed", baseline(Confirmed, Because::Sound)),
        ("baseline_over_a_fault", baseline(Refused, Because::Fault)),
        ("baseline_not_identifiable", baseline(Refused, Because::NotIdentifiable)),
        ("baseline_unsteady", baseline(Refused, Because::Unsteady)),
        ("baseline_beyond_tolerance", baseline(Refused, Because::BeyondTolerance)),
        ("baseline_not_repeated", baseline(Refused, Because::NotRepeated)),
        ("baseline_link_replaced", baseline(Invalid, Because::LinkReplaced)),
        ("baseline_unit_replaced", baseline(Invalid, Because::UnitReplaced)),
        ("baseline_sensor_replaced", baseline(Invalid, Because::SensorReplaced)),
        ("baseline_repaired", baseline(Invalid, Because::Repaired)),
        ("baseline_settings_changed", baseline(Invalid, Because::SettingsChanged)),
    ]
}

/// The poles clear a sixth of a cycle apart (60 Hz: 2778 µs).
fn opened() -> Operation {
    Operation {
        stamp: STAMP,
        action: Action::Opened,
        told: Some(true),
        begin: Moment { frame: 1_439_000, utc_ms: Some(1_767_225_599_792) },
        poles_us: [Some(0), Some(5556), Some(2778)],
        neutral_peak: Current::quantise(39.284),
        voltage_step: PerUnit::quantise(-0.0135),
        since_opening_ms: Some(43_200_000),
    }
}

fn closed() -> Operation {
    Operation {
        action: Action::Closed,
        told: Some(false),
        begin: Moment { frame: 1_439_000, utc_ms: None },
        poles_us: [None, Some(u32::MAX), None],
        neutral_peak: Current::ABSENT,
        voltage_step: PerUnit::ABSENT,
        since_opening_ms: None,
        ..opened()
    }
}

fn bank(state: BankState, common_basis: Basis, connected: [f32; 3]) -> Record {
    // Nothing connected, nothing known of it.
    let sigma = |size: f32| PerUnit::quantise(if connected[0].is_nan() { f32::NAN } else { size });
    Record::Bank(BankRecord {
        stamp: STAMP,
        state,
        connected: connected.map(PerUnit::quantise),
        sigma: [0.0435, 0.0436, 0.0434].map(sigma),
        quality: Quality { difference_sigma: sigma(0.0015), common_sigma: sigma(0.0433), common_basis },
    })
}

/// One of every state, and between them every reason.
fn baseline(state: BaselineState, reason: BaselineReason) -> Record {
    Record::Baseline(BaselineRecord {
        stamp: STAMP,
        state,
        reason,
        connected: [1.0312, 1.0187, 1.0441].map(PerUnit::quantise),
        quality: Quality {
            difference_sigma: PerUnit::quantise(0.006),
            common_sigma: PerUnit::quantise(0.0105),
            common_basis: Basis::Opening,
        },
        change_sigma: PerUnit::quantise(0.004),
        lowest: Voltage::quantise(7051.5),
        highest: Voltage::quantise(7288.0),
        hours: 171,
        openings: 3,
        closings: 4,
        settings: 0xCBF4_3926,
    })
}
