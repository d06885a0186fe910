//! Events: every condition, change and cause.

use wyelog_protocol::cause::Cause;
use wyelog_protocol::condition::{Change, Condition, Phases};
use wyelog_protocol::quantity::{Angle, Current, PerUnit, Voltage};
use wyelog_protocol::record::{Event, Evidence, Moment, Record};

use super::STAMP;

const A: u8 = 0b0001;
const B: u8 = 0b0010;
const C: u8 = 0b0100;
const N: u8 = 0b1000;
const ABC: u8 = A | B | C;

/// A fraction that means nothing.
const NONE: f32 = f32::NAN;

/// As many causes as there may be.
const FUSE: &[Cause] = &[Cause::FuseOperated, Cause::CutoutOpen, Cause::PoleOpened, Cause::UnitOpen];

/// Condition, change, phases, fraction, causes.
type Row = (Condition, Change, u8, f32, &'static [Cause]);

#[rustfmt::skip]
const ROWS: [Row; 27] = [
    (Condition::BlownFuse, Change::Detected, B, 1.0, FUSE),
    (Condition::BlownFuse, Change::Announced, B, 1.0, FUSE),
    (Condition::Interruption, Change::Ended, ABC, NONE, &[Cause::FeederDead]),
    (Condition::Sag, Change::Ended, A, NONE, &[Cause::FeederDisturbed]),
    (Condition::Swell, Change::Detected, C, NONE, &[]),
    (Condition::ElementShort, Change::Announced, A, -0.0909, &[Cause::SectionShorted, Cause::UnitsChanged]),
    (Condition::NeutralSignalLost, Change::Detected, N, NONE,
        &[Cause::NeutralLeadBroken, Cause::StarGroundOpen, Cause::BankOpen]),
    (Condition::PoleFailedToOpen, Change::Announced, C, NONE, &[Cause::PoleStuckClosed]),
    (Condition::IntermittentPhase, Change::Ended, B, 1.0, &[Cause::LooseContact]),
    (Condition::ClosedWhileCharged, Change::Detected, ABC, NONE, &[Cause::ReclosedTooSoon]),
    (Condition::Restrike, Change::Detected, A, NONE, &[Cause::PoleRestruck]),
    (Condition::PhaseMissingAtClose, Change::Announced, C, 1.0,
        &[Cause::PoleStuckOpen, Cause::FuseOpenBefore, Cause::CutoutOpen]),
    (Condition::FailedToOperate, Change::Detected, ABC, NONE, &[Cause::SwitchStuck, Cause::ContactWrong]),
    (Condition::ControlPowerLost, Change::Detected, A, NONE, &[Cause::PhaseOpenUpstream]),
    (Condition::UnitOut, Change::Announced, B, 0.3333, &[Cause::UnitOpen, Cause::FuseOperated]),
    (Condition::VoltageSignalLost, Change::Announced, B, NONE, &[Cause::VoltageLeadBroken]),
    (Condition::SecondNeutralPath, Change::Detected, ABC, 0.12, &[Cause::SecondGround, Cause::NameplateWrong]),
    (Condition::UnexpectedOperation, Change::Detected, ABC, NONE, &[Cause::OperatedByHand, Cause::ContactWrong]),
    (Condition::FrequentSwitching, Change::Announced, ABC, NONE, &[Cause::ControlHunting]),
    (Condition::Overvoltage, Change::Ended, C, NONE, &[Cause::FeederVoltage]),
    (Condition::CapacitorOverload, Change::Announced, ABC, NONE, &[Cause::Harmonics, Cause::FeederVoltage]),
    (Condition::PhaseRotationReversed, Change::Detected, ABC, NONE, &[Cause::PhasesSwapped]),
    (Condition::OpenPhaseUpstream, Change::Ended, A, NONE, &[Cause::PhaseOpenUpstream]),
    (Condition::Undervoltage, Change::Ended, A | B, NONE, &[Cause::FeederVoltage]),
    (Condition::VoltageUnbalance, Change::Announced, ABC, NONE, &[Cause::FeederUnbalance]),
    (Condition::EnergisedWithFeeder, Change::Detected, ABC, NONE, &[]),
    (Condition::SettingsMismatch, Change::Announced, ABC, NONE,
        &[Cause::LocationWrong, Cause::NameplateWrong, Cause::NeutralReversed, Cause::ConnectionWrong]),
];

pub(super) fn all() -> impl Iterator<Item = (String, Record)> {
    ROWS.into_iter().map(|row| {
        let (condition, change, ..) = row;
        (format!("event_{}_{}", condition.name(), change.name()), Record::Event(event(row)))
    })
}

fn event((condition, change, phases, fraction, causes): Row) -> Event {
    Event {
        stamp: STAMP,
        occurrence: 7,
        condition,
        change,
        phases: Phases::from_bits(phases),
        fraction: PerUnit::quantise(fraction),
        causes: causes.iter().copied().collect(),
        begin: Moment { frame: 1_420_800, utc_ms: Some(1_767_225_596_000) },
        end: (change == Change::Ended).then_some(Moment { frame: 1_430_400, utc_ms: None }),
        evidence: Evidence {
            voltage: [7210.0, 7195.5, 7200.1].map(Voltage::quantise),
            neutral: Current::quantise(27.5),
            residual: PerUnit::quantise(0.9985),
            residual_angle: Angle::quantise(-60.12),
            connected_before: [1.0, 1.01, 0.99].map(PerUnit::quantise),
            connected_after: [1.0, 0.0, f32::NAN].map(PerUnit::quantise),
        },
    }
}
