//! What is known of the bank, and what its switch did.

use proptest::option;
use proptest::prelude::*;
use proptest::sample::select;
use wyelog_protocol::record::{
    Action, BankRecord, BankState, BaselineReason, BaselineRecord, BaselineState, Basis, Operation, Quality,
};

use super::{abc, moment, quantity, stamp};

/// Any state of the bank.
pub(super) fn state() -> impl Strategy<Value = BankState> {
    select(BankState::ALL.to_vec())
}

/// Any standard deviations, on any basis.
pub(super) fn quality() -> impl Strategy<Value = Quality> {
    (quantity(), quantity(), select(Basis::ALL.to_vec())).prop_map(
        |(difference_sigma, common_sigma, common_basis)| Quality {
            difference_sigma,
            common_sigma,
            common_basis,
        },
    )
}

/// Any record of the bank.
pub fn bank_record() -> BoxedStrategy<BankRecord> {
    (stamp(), state(), abc(quantity()), abc(quantity()), quality())
        .prop_map(|(stamp, state, connected, sigma, quality)| BankRecord {
            stamp,
            state,
            connected,
            sigma,
            quality,
        })
        .boxed()
}

/// Any baseline.
pub fn baseline() -> BoxedStrategy<BaselineRecord> {
    (
        (stamp(), select(BaselineState::ALL.to_vec()), select(BaselineReason::ALL.to_vec())),
        (abc(quantity()), quality(), quantity(), quantity(), quantity()),
        (any::<u16>(), any::<u8>(), any::<u8>(), any::<u32>()),
    )
        .prop_map(|((stamp, state, reason), values, (hours, openings, closings, settings))| {
            let (connected, quality, change_sigma, lowest, highest) = values;
            BaselineRecord {
                stamp,
                state,
                reason,
                connected,
                quality,
                change_sigma,
                lowest,
                highest,
                hours,
                openings,
                closings,
                settings,
            }
        })
        .boxed()
}

/// Any operation.
pub fn operation() -> BoxedStrategy<Operation> {
    (
        (stamp(), select(vec![Action::Opened, Action::Closed]), any::<Option<bool>>(), moment()),
        (abc(any::<Option<u32>>()), quantity(), quantity(), option::of(any::<u64>())),
    )
        .prop_map(
            |((stamp, action, told, begin), (poles_us, neutral_peak, voltage_step, since_opening_ms))| {
                Operation {
                    stamp,
                    action,
                    told,
                    begin,
                    poles_us,
                    neutral_peak,
                    voltage_step,
                    since_opening_ms,
                }
            },
        )
        .boxed()
}
