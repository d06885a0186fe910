//! Conditions of the feeder.

use wyelog_protocol::cause::Cause;

use super::cautions::{AT_THE_FEEDER, BACKFED, CHARGED, COMES_BACK, NOT_ISOLATED, SECONDARIES, STAY_CLEAR};
use super::words::Words;

const COMPARE: &str = "The feeder's own records; nothing is wrong with the bank by this alone.";

pub(super) const INTERRUPTION: Words = Words {
    short: "feeder dead",
    happened: "The voltages of all phases fell below the interruption threshold (IEC 61000-4-30): the feeder is dead here, \
        or was.",
    causes: &[Cause::FeederDead, Cause::VoltageLeadBroken, Cause::PhaseOpenUpstream],
    also: &["Sensors behind a device that opened go dead while the feeder itself stays alive."],
    look: &[COMPARE],
    bring: &[],
    cautions: &[COMES_BACK, CHARGED, NOT_ISOLATED],
};

pub(super) const SAG: Words = Words {
    short: "voltage sag, {phases}",
    happened: "The voltage of {phases} fell below the sag threshold (IEC 61000-4-30, which calls it a dip): most often a \
        fault or a large motor start elsewhere. The neutral current of a healthy bank moves with it.",
    causes: &[Cause::FeederDisturbed, Cause::VoltageLeadBroken],
    also: &["Within an interruption the voltages fall through the sag threshold too: both are listed."],
    look: &[COMPARE],
    bring: &[],
    cautions: AT_THE_FEEDER,
};

pub(super) const SWELL: Words = Words {
    short: "voltage swell, {phases}",
    happened: "The voltage of {phases} rose above the swell threshold (IEC 61000-4-30): most often the healthy phases \
        beside an earth fault, or load that was dropped.",
    causes: &[Cause::FeederDisturbed, Cause::FeederVoltage, Cause::NameplateWrong],
    also: &["A wrong ratio or rated voltage in the settings would show a swell that never ends."],
    look: &[
        "If it lasted: what the units stand, 110 % of their rated voltage for long, more only for short times (IEEE 18).",
    ],
    bring: &[],
    cautions: &[STAY_CLEAR],
};

pub(super) const OVERVOLTAGE: Words = Words {
    short: "voltage of {phases} too high for the units",
    happened: "The voltage of {phases} has been above what the units stand for long (110 % of their rated voltage, IEEE \
        18) for ten minutes. Units age quickly at it.",
    causes: &[Cause::FeederVoltage, Cause::NameplateWrong, Cause::ControlHunting],
    also: &["The bank itself raises the voltage: at light load it may have to be open."],
    look: &[
        "Regulator and control settings on the feeder; the ratio of the sensor and the units' rated voltage in the settings.",
    ],
    bring: &[],
    cautions: &[STAY_CLEAR, NOT_ISOLATED],
};

pub(super) const CAPACITOR_OVERLOAD: Words = Words {
    short: "units of {phases} overloaded",
    happened: "Voltage and harmonics of {phases} load its units beyond what they withstand for long: 135 % of the rated \
        current or kvar, or 120 % of the rated crest voltage (IEEE 18). Fuses blow and units fail at it.",
    causes: &[Cause::Harmonics, Cause::FeederVoltage, Cause::NameplateWrong],
    also: &[],
    look: &[
        "The spectrum in the records: which order, and since which change on the feeder (a new drive, another bank).",
        "Whether opening this or a neighbouring bank moves the resonance: an engineer's decision.",
    ],
    bring: &[],
    cautions: &[STAY_CLEAR, CHARGED],
};

pub(super) const PHASE_ROTATION_REVERSED: Words = Words {
    short: "phases follow each other in the other order",
    happened: "The phases follow each other in the other order than before. Somebody has swapped two phases of the feeder, \
        or the leads of two sensors: the letters of later alarms may mean other phases.",
    causes: &[Cause::PhasesSwapped, Cause::FeederDisturbed],
    also: &[],
    look: &[
        "What work was done upstream or at the sensors at that time; customers' motors would run backwards.",
    ],
    bring: &[],
    cautions: &[NOT_ISOLATED, SECONDARIES],
};

pub(super) const OPEN_PHASE_UPSTREAM: Words = Words {
    short: "{phases} of the feeder open upstream",
    happened: "The voltage of {phases} is not what a source drives: it is low or turned, and fed back through loads and the \
        bank. The feeder's conductor or a fuse of that phase is most likely open upstream (single phasing).",
    causes: &[Cause::PhaseOpenUpstream, Cause::VoltageLeadBroken, Cause::FuseOperated],
    also: &["Where the sensors sit behind the bank's fuse, a blown fuse leaves a clean zero instead."],
    look: &["Upstream fuses, reclosers and jumpers; the neighbours on that phase."],
    bring: &[],
    cautions: &[BACKFED, CHARGED, NOT_ISOLATED],
};

pub(super) const UNDERVOLTAGE: Words = Words {
    short: "undervoltage, {phases}",
    happened: "The voltage of {phases} has been below the undervoltage limit for more than a minute (IEEE 1159).",
    causes: &[Cause::FeederVoltage, Cause::VoltageLeadBroken, Cause::NameplateWrong],
    also: &[],
    look: &[COMPARE],
    bring: &[],
    cautions: AT_THE_FEEDER,
};

pub(super) const VOLTAGE_UNBALANCE: Words = Words {
    short: "voltages unbalanced",
    happened: "The negative-sequence voltage is above its limit: loads or lines of the feeder are unbalanced, or a bank on \
        it has lost a phase. Motors heat at it.",
    causes: &[Cause::FeederUnbalance, Cause::PhaseOpenUpstream, Cause::FuseOperated],
    also: &["A wrong ratio of one voltage sensor shows an unbalance that never changes."],
    look: &["Whether this bank's phases all carry; then the other banks and the loads of the feeder."],
    bring: &[],
    cautions: AT_THE_FEEDER,
};
