//! Conditions of sensors, their leads, and what feeds the controls.

use wyelog_protocol::cause::Cause;

use super::cautions::{AT_THE_SENSOR, BENCH_SUPPLY, BLOCK, CHARGED, NOT_ISOLATED};
use super::words::Words;

pub(super) const NEUTRAL_SIGNAL_LOST: Words = Words {
    short: "neutral current no longer reaches the logger",
    happened: "The bank is closed and the neutral current that its voltages must drive no longer reaches the logger. Either \
        the sensor's lead is broken, or the ground of the star point is broken or stolen: then star, rack and tanks are \
        energised. Nothing more can be said of the bank until it is found.",
    causes: &[Cause::StarGroundOpen, Cause::NeutralLeadBroken, Cause::BankOpen],
    also: &[],
    look: &[
        "From a distance: is the conductor from star to ground there, whole, down to the rod? Copper is stolen.",
        "Then, with the bank isolated, tested and grounded by its own rules: the sensor's lead and plug.",
    ],
    bring: &[
        "Conductor, connectors and a rod for the star-point ground.",
        "A spare lead for the neutral sensor.",
        "A rated voltage tester: treat the star as energised.",
    ],
    cautions: AT_THE_SENSOR,
};

pub(super) const CONTROL_POWER_LOST: Words = Words {
    short: "control power lost",
    happened: "{phases} feeds the controls and is dead while the others are alive: the control can no longer operate the \
        switch, and the logger runs on what it has stored.",
    causes: &[Cause::FuseOperated, Cause::PhaseOpenUpstream, Cause::VoltageLeadBroken],
    also: &[],
    look: &[
        "The fuse and the transformer of the control power, and its tap on the line.",
        "Whether that phase of the feeder is open upstream: customers there would know.",
    ],
    bring: &["Control fuses.", "A spare control-power transformer.", "A voltmeter."],
    cautions: &[BENCH_SUPPLY, BLOCK, NOT_ISOLATED, CHARGED],
};

pub(super) const VOLTAGE_SIGNAL_LOST: Words = Words {
    short: "voltage signal of {phases} lost",
    happened: "The voltage sensor of {phases} shows nothing that the phase could be, while the bank's current says that the \
        phase is alive: its lead or divider is most likely broken and picks up a neighbour. Less can be told of the bank \
        until it is repaired.",
    causes: &[Cause::VoltageLeadBroken, Cause::LooseContact, Cause::LocationWrong],
    also: &[],
    look: &["Lead, plug and ground of that sensor; moisture in the divider."],
    bring: &[
        "A spare lead and sensor of the same ratio.",
        "The sensor's papers: a new ratio must go into the settings.",
    ],
    cautions: AT_THE_SENSOR,
};
