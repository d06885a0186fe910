//! Conditions of capacitors, fuses, switch poles and settings.

use wyelog_protocol::cause::Cause;

use super::cautions::{AT_THE_FUSE, RECLOSE, SECONDARIES, STAR_GROUND, THREE_WIRE};
use super::words::Words;

const POLARITY: &str = "If the polarity of the neutral current sensor was never proven, another phase may be meant: \
    reversed, one lost phase looks like the two others lost.";

pub(super) const BLOWN_FUSE: Words = Words {
    short: "fuse of {phases} most likely blown",
    happened: "{phases} carried capacitor current and then stopped while the bank stayed closed: the fuse there has \
        most likely blown. The bank goes on with what is left, gives the feeder that much less kvar, and makes its \
        voltages less balanced.",
    causes: &[Cause::FuseOperated, Cause::CutoutOpen, Cause::PoleOpened],
    also: &[POLARITY],
    look: &[
        "The fuse tube or link: hanging, or burnt inside. A fuse goes for a reason, most often a failed unit: look for \
         a bulged tank, a cracked bushing, a flashover mark, an animal.",
        "The capacitance of each unit of that phase, isolated, discharged and grounded first.",
    ],
    bring: &[
        "Fuse links of the bank's size and speed.",
        "A capacitance meter.",
        "A spare unit of the same rating.",
    ],
    cautions: AT_THE_FUSE,
};

pub(super) const ELEMENT_SHORT: Words = Words {
    short: "units of {phases} failing inside",
    happened: "{phases} has gained capacitance: a series section inside a unit is most likely shorted. The sections that \
        are left carry more voltage than they were made for, and the next may follow, with the fuse or with the tank.",
    causes: &[Cause::SectionShorted, Cause::UnitsChanged],
    also: &["A voltage sensor whose ratio drifts looks alike, but slowly, and without a step."],
    look: &[
        "A unit that is bulged, leaking or warmer than its neighbours: from a distance, before anyone goes near.",
        "The capacitance of each unit of that phase against its nameplate: the failed one is high.",
    ],
    bring: &["A capacitance meter.", "A spare unit of the same rating.", "Fuse links.", "A thermal camera."],
    cautions: AT_THE_FUSE,
};

pub(super) const POLE_FAILED_TO_OPEN: Words = Words {
    short: "{phases} did not open",
    happened: "The bank was opened and {phases} still carries capacitor current: the switch pole there is stuck closed. \
        The capacitors of that phase are energised, whatever the switch shows.",
    causes: &[Cause::PoleStuckClosed, Cause::SwitchStuck],
    also: &[],
    look: &[
        "The position of each pole, one by one; welded contacts, a broken rod or shaft.",
        "A second command may free it or burn it: by the utility's rule, not by this tool.",
    ],
    bring: &["A spare switch or pole.", "What is needed to isolate the bank upstream (cutouts, hot stick)."],
    cautions: &[super::cautions::NOT_ISOLATED, super::cautions::CHARGED, super::cautions::BLOCK, STAR_GROUND],
};

pub(super) const INTERMITTENT_PHASE: Words = Words {
    short: "{phases} comes and goes",
    happened: "{phases} dropped out and came back three times within ten minutes: something there makes and breaks \
        contact under load. Each time the capacitor is switched, perhaps onto its own charge.",
    causes: &[Cause::LooseContact, Cause::PoleRestruck, Cause::VoltageLeadBroken],
    also: &["A neutral sensor's lead with a loose contact would take away all phases at once, not one."],
    look: &[
        "Burn marks or noise at the fuse holder, the cutout's hinge and the jumpers; a link that is not tight.",
        "Contacts of the switch pole.",
    ],
    bring: &["A fuse holder and links.", "Connectors and jumper wire.", "A thermal camera."],
    cautions: AT_THE_FUSE,
};

pub(super) const PHASE_MISSING_AT_CLOSE: Words = Words {
    short: "{phases} did not come in when the bank closed",
    happened: "The bank closed and {phases} did not begin to carry capacitor current. What opened it happened before or \
        during the closing; whether it carried before the last opening is in the records.",
    causes: &[Cause::PoleStuckOpen, Cause::FuseOpenBefore, Cause::CutoutOpen],
    also: &[POLARITY],
    look: &[
        "The position of the switch pole, then the fuse, the cutout and the jumpers of that phase.",
        "If the fuse is blown: the capacitance of each unit of that phase before re-fusing.",
    ],
    bring: &["Fuse links of the bank's size and speed.", "A capacitance meter.", "A spare switch or pole."],
    cautions: AT_THE_FUSE,
};

pub(super) const FAILED_TO_OPERATE: Words = Words {
    short: "bank did not follow its command",
    happened: "The bank was told to operate and within the time allowed no phase changed: neither the neutral current nor \
        the voltages show that anything moved.",
    causes: &[Cause::SwitchStuck, Cause::ContactWrong, Cause::StarGroundOpen],
    also: &["A drive without supply does nothing either: see whether its control power is there."],
    look: &[
        "The switch's position marks against the command; drive, linkage, fuse and supply of the control.",
        "The contact input: does it read what the control says?",
    ],
    bring: &["A spare switch or drive.", "Control fuses.", "A voltmeter for the control circuit."],
    cautions: &[
        super::cautions::BLOCK,
        super::cautions::NOT_ISOLATED,
        super::cautions::CHARGED,
        STAR_GROUND,
        super::cautions::BENCH_SUPPLY,
    ],
};

pub(super) const UNIT_OUT: Words = Words {
    short: "unit of {phases} out",
    happened: "{phases} has lost about what one unit or several of those in parallel make: a unit has failed open, or its \
        own fuse or lead has opened. The rest of the phase goes on.",
    causes: &[Cause::UnitOpen, Cause::UnitsChanged, Cause::CutoutOpen],
    also: &[POLARITY],
    look: &[
        "A unit whose own fuse has operated or whose lead hangs loose.",
        "The capacitance of each unit of that phase against its nameplate.",
    ],
    bring: &[
        "A capacitance meter.",
        "A spare unit of the same rating.",
        "Links for the units' own fuses, if it has them.",
    ],
    cautions: AT_THE_FUSE,
};

pub(super) const SECOND_NEUTRAL_PATH: Words = Words {
    short: "part of the neutral current passes by its sensor",
    happened: "All phases seem low by the same part: some of the neutral current most likely reaches ground by another \
        path than through the sensor, such as a rack that is bonded beside it.",
    causes: &[Cause::SecondGround, Cause::NameplateWrong],
    also: &[
        "All three phases losing the same part at once would look alike; that is rare but for a second step that was \
         taken out.",
    ],
    look: &[
        "A bond from rack or tank to ground beside the neutral conductor that the sensor surrounds.",
        "The ratio and the burden of the neutral sensor, and the nameplate in the settings.",
    ],
    bring: &["Insulating parts for the rack's mounting.", "A clamp meter for the star-point ground."],
    cautions: &[
        STAR_GROUND,
        SECONDARIES,
        super::cautions::CHARGED,
        super::cautions::BLOCK,
        super::cautions::NOT_ISOLATED,
    ],
};

pub(super) const SETTINGS_MISMATCH: Words = Words {
    short: "bank is not what the settings say",
    happened: "What is measured fits no bank that the settings describe, healthy or damaged, but one that differs in a \
        setting: rating, ratio, polarity, phases, frequency, connection or place of a sensor. Until it is put right, \
        nothing that is said of the bank can be trusted.",
    causes: &[Cause::NameplateWrong, Cause::NeutralReversed, Cause::PhasesSwapped, Cause::LocationWrong],
    also: &[
        "An ungrounded wye or a delta that is entered as a grounded wye carries no neutral current that answers to the \
         voltages.",
    ],
    look: &[
        "The settings beside the nameplates, the sensors' papers and the wiring: kvar of all phases, kV of units and of \
         the system, ratios, arrow of the neutral sensor, phase letters, frequency.",
    ],
    bring: &["The bank's papers.", "A clamp meter.", "A phasing tester."],
    cautions: &[THREE_WIRE, SECONDARIES, STAR_GROUND, RECLOSE, super::cautions::NOT_ISOLATED],
};
