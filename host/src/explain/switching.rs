//! Conditions of what the switch did.

use wyelog_protocol::cause::Cause;

use super::cautions::{AT_THE_BANK, BLOCK, CHARGED, NOT_ISOLATED, RECLOSE, STAY_CLEAR};
use super::words::Words;

pub(super) const CLOSED_WHILE_CHARGED: Words = Words {
    short: "bank closed while it could still be charged",
    happened: "The bank was closed again before its discharge resistors can have drained the charge of the last opening. \
        The inrush and the overvoltage of such a closing can be twice those of a discharged bank: units, fuses and \
        switch are stressed.",
    causes: &[Cause::ReclosedTooSoon, Cause::ControlHunting, Cause::OperatedByHand],
    also: &[],
    look: &[
        "What closed it: the control's re-close delay (five minutes and more for units above 600 V), a hand, a restoration \
         scheme.",
        "Fuses and units afterwards: does every phase still carry what it did?",
    ],
    bring: &["Fuse links of the bank's size and speed.", "A capacitance meter."],
    cautions: &[RECLOSE, CHARGED, BLOCK, NOT_ISOLATED, STAY_CLEAR],
};

pub(super) const RESTRIKE: Words = Words {
    short: "switch pole of {phases} restruck",
    happened: "While the bank opened, the pole of {phases} carried current again after it had cleared. Each restrike can \
        raise the voltage of the capacitor further: the interrupter there is at its end, or was never made for capacitors.",
    causes: &[Cause::PoleRestruck, Cause::LooseContact],
    also: &["A disturbance of the feeder at the same moment can look like a short restrike."],
    look: &[
        "The interrupter of that pole: vacuum, oil, contacts, counts of operations.",
        "Units and arresters: an overvoltage has passed over them.",
    ],
    bring: &["A spare switch or interrupter.", "A capacitance meter."],
    cautions: AT_THE_BANK,
};

pub(super) const UNEXPECTED_OPERATION: Words = Words {
    short: "bank operated without a command",
    happened: "The bank opened or closed and no command stands before it, as far as the contact input tells.",
    causes: &[Cause::OperatedByHand, Cause::ContactWrong, Cause::PoleOpened],
    also: &[
        "If all phases came or went with the feeder's voltage, that would be no operation of the switch.",
    ],
    look: &[
        "Who or what operates this bank: another control, a local handle, a scheme that this input does not show.",
        "The contact input and its wiring.",
    ],
    bring: &[],
    cautions: AT_THE_BANK,
};

pub(super) const FREQUENT_SWITCHING: Words = Words {
    short: "bank switched more often than its limit",
    happened: "The bank has operated more often within 24 hours than its limit: switch and fuses wear, and each closing \
        sends its inrush through them.",
    causes: &[Cause::ControlHunting, Cause::FeederVoltage, Cause::OperatedByHand],
    also: &[],
    look: &[
        "The control's set points: its band must be wider than the voltage step that the bank makes, and its delays longer \
         than those of the regulators upstream.",
    ],
    bring: &[],
    cautions: &[RECLOSE, BLOCK, NOT_ISOLATED],
};

pub(super) const ENERGISED_WITH_FEEDER: Words = Words {
    short: "bank came back with the feeder",
    happened: "All phases came back together with the feeder's voltage: the switch was closed all the time. This is no \
        operation of the bank.",
    causes: &[Cause::FeederDead, Cause::FeederDisturbed],
    also: &["A control that closes within a cycle of the feeder's return would look the same."],
    look: &["Whether every phase carries again: a fuse may have gone at the re-energisation."],
    bring: &[],
    cautions: &[super::cautions::COMES_BACK, CHARGED, NOT_ISOLATED],
};
