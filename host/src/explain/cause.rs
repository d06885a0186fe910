//! The causes in words: what each is, and why it stands behind a likelier one.

use wyelog_protocol::cause::Cause;

/// What a cause is, as a clause without a full stop.
pub const fn what(cause: Cause) -> &'static str {
    match cause {
        Cause::FuseOperated => "the fuse of the phase has operated",
        Cause::CutoutOpen => "a cutout or a jumper of the phase is open",
        Cause::FuseOpenBefore => "the fuse had been open before",
        Cause::PoleStuckOpen => "the switch pole of the phase did not close",
        Cause::PoleStuckClosed => "the switch pole of the phase did not open",
        Cause::PoleOpened => "the switch pole of the phase opened on its own",
        Cause::UnitOpen => "a unit has failed open, or its own fuse or lead has opened",
        Cause::SectionShorted => "a series section inside a unit is shorted",
        Cause::UnitsChanged => "units were replaced, added or taken out",
        Cause::LooseContact => "a fuse holder, jumper or switch pole makes and breaks contact",
        Cause::NeutralLeadBroken => "the lead of the neutral current sensor is broken or unplugged",
        Cause::StarGroundOpen => "the ground of the star point is broken or stolen",
        Cause::SecondGround => {
            "a second path to ground (rack, tank, shield wire) takes part of the neutral current"
        }
        Cause::VoltageLeadBroken => "the lead or the divider of a voltage sensor is broken",
        Cause::PhaseOpenUpstream => "a phase of the feeder is open upstream",
        Cause::FeederDead => "the feeder is dead",
        Cause::FeederDisturbed => "the feeder is disturbed by a fault elsewhere or by switching",
        Cause::BankOpen => "the bank's switch is open",
        Cause::SwitchStuck => "the switch or its drive did not follow the command",
        Cause::ContactWrong => "the contact input, its wiring or its sense is wrong",
        Cause::OperatedByHand => "somebody or another control operated the switch",
        Cause::PoleRestruck => "a switch pole carried current again after it had cleared",
        Cause::ReclosedTooSoon => "the bank was closed again before its charge had gone",
        Cause::ControlHunting => "the control switches to and fro",
        Cause::FeederVoltage => "the voltage of the feeder itself is too high or too low",
        Cause::Harmonics => "harmonics of the feeder load the capacitors, perhaps in resonance with the bank",
        Cause::FeederUnbalance => "loads or lines of the feeder are unbalanced",
        Cause::PhasesSwapped => "two phases, or the leads of two sensors, are swapped",
        Cause::NeutralReversed => "the neutral current sensor is turned round",
        Cause::NameplateWrong => "the nameplate or a sensor's ratio in the settings is wrong",
        Cause::LocationWrong => "a voltage sensor does not sit where the settings say",
        Cause::ConnectionWrong => "the bank is not connected as the settings say",
    }
}

/// Why a cause stands behind a likelier one, or what would tell it from that one; a sentence.
pub const fn why_lower(cause: Cause) -> &'static str {
    match cause {
        Cause::FuseOperated => {
            "A fuse goes while it carries; what was seen first fits something else better."
        }
        Cause::CutoutOpen => {
            "The logger sees the same, but a cutout or jumper seldom opens under load without anyone there."
        }
        Cause::FuseOpenBefore => "The phase carried before the last opening, as far as the records go back.",
        Cause::PoleStuckOpen => {
            "It shows at a closing only, and a phase whose fuse was open already looks the same."
        }
        Cause::PoleStuckClosed => {
            "It shows at an opening only: the phase would carry on while the others stop."
        }
        Cause::PoleOpened => "Poles part on a command, together; one alone without a command is rare.",
        Cause::UnitOpen => {
            "It takes away a whole unit's part; the size of the change fits another cause better."
        }
        Cause::SectionShorted => {
            "It adds capacitance, 4 to 33 % of the phase; the size or direction of the change fits less well."
        }
        Cause::UnitsChanged => {
            "Somebody would have opened the bank for it; no opening stands before the change."
        }
        Cause::LooseContact => "It comes and goes within seconds or minutes; what was seen stays.",
        Cause::NeutralLeadBroken => {
            "The signal alone cannot tell it from a broken ground: until the ground has been seen whole, take the \
             dangerous one."
        }
        Cause::StarGroundOpen => "The current would be gone wholly, and the star's voltage would rise.",
        Cause::SecondGround => {
            "All three phases would seem low alike, by the same part, for as long as it is there."
        }
        Cause::VoltageLeadBroken => {
            "One voltage alone would change, to some 2 to 40 % of a neighbour's, while the bank's current stayed."
        }
        Cause::PhaseOpenUpstream => {
            "A phase open upstream is fed back: a distorted voltage at a foreign angle, not a clean zero; and the other \
             two phases move the other way."
        }
        Cause::FeederDead => "All voltages would be gone with the current.",
        Cause::FeederDisturbed => "It passes; what is announced has outlasted it.",
        Cause::BankOpen => {
            "Contact input, voltage step or history speak against it, or there was none to ask."
        }
        Cause::SwitchStuck => "Nothing at all would change on any phase after the command.",
        Cause::ContactWrong => "It shows the same every time: compare with the switch's own position mark.",
        Cause::OperatedByHand => "It leaves no trace that the logger could see: ask who was there.",
        Cause::PoleRestruck => {
            "It shows within a cycle of the clearing, as a burst of current at the phase's crest."
        }
        Cause::ReclosedTooSoon => "The time since the last opening speaks for or against it.",
        Cause::ControlHunting => {
            "The operations would follow each other in the rhythm of the control's delays."
        }
        Cause::FeederVoltage => "It would move all phases alike, and the neighbours' banks see it too.",
        Cause::Harmonics => {
            "It shows in the spectrum: one order stands out, most often the 5th, 7th or 11th."
        }
        Cause::FeederUnbalance => {
            "It changes with the load of the day, and the bank's neutral current follows it."
        }
        Cause::PhasesSwapped => "It would have been there from the first day or since the last work.",
        Cause::NeutralReversed => {
            "All capacitances would come out negative, and one lost phase would look like two: it would have been there \
             from the first day."
        }
        Cause::NameplateWrong => {
            "All phases would be off by one factor, such as 2 or 1.73, from the first day."
        }
        Cause::LocationWrong => {
            "It shows only when the bank is open or a fuse is gone: the voltage is then there or not, against what the \
             settings say."
        }
        Cause::ConnectionWrong => {
            "The neutral current would not answer to the voltages at all, from the first day."
        }
    }
}
