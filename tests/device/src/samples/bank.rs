//! What is known of the bank in every state and on every basis, and what its switch did.

use wyelog_protocol::quantity::{Current, PerUnit};
use wyelog_protocol::record::{Action, BankRecord, BankState, Basis, Moment, Operation, Quality, Record};

use super::STAMP;

pub(super) fn all() -> Vec<(&'static str, Record)> {
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
