//! What a condition means, in words: what probably happened, what else it could be, what to do, what to beware of.

use wyelog_protocol::condition::{Condition, Phases};

use super::{Alarm, phases_text};

/// A condition in words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Explanation {
    /// What probably happened.
    pub happened: String,
    /// What else looks the same to the logger, or may be behind it.
    pub otherwise: Vec<&'static str>,
    /// What to do about it.
    pub todo: Vec<&'static str>,
    /// What to beware of.
    pub cautions: Vec<&'static str>,
}

/// For every condition: the tool's own limits.
const INFORMS: &str = "This tool informs. It protects nothing, operates nothing and never proves a line dead; local \
    codes, the utility's rules and licensed practice come first.";
const CHARGED: &str = "Every capacitor is charged until it is shorted. Five minutes after opening (units above 600 V, \
    IEEE 18) is a minimum before testing and grounding, not a proof; ground each unit, terminal to terminal and to \
    case.";
const BLOCK: &str = "Before anyone goes up: remote and automatic operation blocked and tagged, reclosing per local \
    rule. The bank may close by itself.";
const TEST_BEFORE_REFUSING: &str = "A blown link is a failed unit until its capacitance has been measured: test before \
    re-fusing. While re-fusing and at the first energisation after it nobody is on the pole or below.";
const STAR_GROUND: &str = "Never open the star-point ground of an energised bank. Zero neutral current proves nothing: \
    star, rack and tanks may be energised when that ground is broken or stolen.";
const STAY_CLEAR: &str = "A bulged, leaking or hot unit: stay clear. Old units may contain PCB.";
const NOT_ISOLATED: &str = "What a screen says is no isolation: stuck poles, backfeed and line-side sensors stay live. \
    Visible break, rated tester, grounds.";
const COMES_BACK: &str = "The feeder comes back without warning, and the bank with it.";

/// A condition in half a sentence: "fuse of phase B most likely blown".
pub fn in_short(condition: Condition, phases: Phases) -> String {
    let phases = phases_text(phases);
    match condition {
        Condition::BlownFuse => format!("fuse of phase {phases} most likely blown"),
        Condition::Interruption => "feeder dead".to_owned(),
        Condition::Sag => format!("voltage sag, phase {phases}"),
        Condition::Swell => format!("voltage swell, phase {phases}"),
    }
}

/// The words for an alarm.
pub fn explain(alarm: &Alarm) -> Explanation {
    match alarm.condition {
        Condition::BlownFuse => blown_fuse(alarm),
        Condition::Interruption => interruption(alarm),
        Condition::Sag => sag(alarm),
        Condition::Swell => swell(alarm),
    }
}

fn blown_fuse(alarm: &Alarm) -> Explanation {
    let phase = phases_text(alarm.phases);
    Explanation {
        happened: format!(
            "Phase {phase} carried capacitor current and then stopped, while its voltage stayed: its fuse has most \
             likely blown. The bank goes on with the other phases, gives the feeder that much less kvar, and makes \
             its voltages less balanced."
        ),
        otherwise: vec![
            "A jumper or connection of that phase came off, or its switch pole opened alone: the logger sees the same.",
            "If the polarity of the neutral current sensor was never proven, another phase may be meant: reversed, one \
             lost phase looks like the two others lost.",
        ],
        todo: vec![
            "Send a crew with fuse links of the bank's size and a capacitance meter: a fuse blows for a reason, most \
             often a failed unit.",
        ],
        cautions: vec![CHARGED, BLOCK, TEST_BEFORE_REFUSING, STAR_GROUND, STAY_CLEAR, NOT_ISOLATED, INFORMS],
    }
}

fn interruption(alarm: &Alarm) -> Explanation {
    let goes_on = if alarm.end.is_some() { "was" } else { "is" };
    Explanation {
        happened: format!(
            "The voltages of all phases fell below the interruption threshold (IEC 61000-4-30): the feeder {goes_on} \
             dead here."
        ),
        otherwise: vec![
            "All voltage sensors lost their common ground or connector at once.",
            "The sensors sit behind a device that opened, and the feeder itself stayed alive.",
        ],
        todo: vec!["Compare with the feeder's own records; nothing is wrong with the bank by this alone."],
        cautions: vec![COMES_BACK, CHARGED, NOT_ISOLATED, INFORMS],
    }
}

fn sag(alarm: &Alarm) -> Explanation {
    Explanation {
        happened: format!(
            "The voltage of phase {} fell below the sag threshold (IEC 61000-4-30, which calls it a dip): most often a fault \
             or a large motor start elsewhere. The neutral current of a healthy bank moves with it.",
            phases_text(alarm.phases)
        ),
        otherwise: vec![
            "Within an interruption the voltages fall through the sag threshold too: both are listed.",
            "A voltage sensor or its lead with a loose contact looks the same on its one phase.",
        ],
        todo: vec!["Compare with the feeder's own records; nothing is wrong with the bank by this alone."],
        cautions: vec![INFORMS],
    }
}

fn swell(alarm: &Alarm) -> Explanation {
    Explanation {
        happened: format!(
            "The voltage of phase {} rose above the swell threshold (IEC 61000-4-30): most often the healthy phases beside \
             an earth fault, or load that was dropped.",
            phases_text(alarm.phases)
        ),
        otherwise: vec![
            "A wrong sensor ratio or rated voltage in the settings would show a swell that never ends.",
        ],
        todo: vec![
            "If it lasted, compare with what the units stand: 110 % of their rated voltage for long, more only for short times \
             (IEEE 18).",
        ],
        cautions: vec![STAY_CLEAR, INFORMS],
    }
}
