//! What a bank's settings let a logger find, in plain words: the table itself is the firmware's.

use serde_json::{Value, json};
use wyelog_firmware::capability::{Capability, Reason, of};
use wyelog_protocol::bank::Settings;
use wyelog_protocol::condition::Condition;

/// How well each condition can be found, the most urgent first.
pub fn table(settings: &Settings) -> Vec<(Condition, Capability)> {
    let mut conditions = Condition::ALL;
    conditions.sort_by_key(|condition| condition.route());
    conditions.map(|condition| (condition, of(settings, condition))).to_vec()
}

/// "full", "limited", "unavailable".
pub const fn name(capability: Capability) -> &'static str {
    match capability {
        Capability::Full => "full",
        Capability::Limited(_) => "limited",
        Capability::Unavailable(_) => "unavailable",
    }
}

/// What stands in its way.
pub const fn reason(capability: Capability) -> Option<Reason> {
    match capability {
        Capability::Full => None,
        Capability::Limited(reason) | Capability::Unavailable(reason) => Some(reason),
    }
}

/// A reason in plain words.
pub const fn words(reason: Reason) -> &'static str {
    match reason {
        Reason::NoFuse => "the bank has no fuses",
        Reason::FusedByUnit => "each unit has a fuse of its own: one that operates shows as unit_out",
        Reason::BehindTheFuse => {
            "a voltage sensor behind the fuse goes dead with the current: a blown fuse and an open phase upstream are told \
             apart by the other voltages, else both are named"
        }
        Reason::OnePhaseOnly => "the bank has one phase: without its current it looks like an open bank",
        Reason::OtherPhasesUnseen => "phases without a voltage sensor are not seen",
        Reason::OnlyWhileClosed => "sensors behind the switch see the feeder only while the bank is closed",
        Reason::VoltageAssumed => "one voltage is not measured and has to be concluded from the others",
        Reason::TooFewVoltages => "it takes more measured voltages to say what should be there",
        Reason::StepBelowLimit => "the change that it makes is below the least that counts (least_change_pu)",
        Reason::OneUnit => "a phase has one unit: to lose it is to lose the phase, which is found",
        Reason::OneSection => "a unit has one series section: when that shorts, the fuse goes",
        Reason::NoContact => "no contact input says what the switch was told, or whether it is closed",
        Reason::NotSwitched => "the bank is not switched",
        Reason::ControlPhaseUnknown => {
            "the settings do not say which phase feeds the controls (control_power)"
        }
        Reason::NoSensorThere => "the phase that feeds the controls has no voltage sensor",
    }
}

/// A row of the table for programs.
pub fn to_json(condition: Condition, capability: Capability) -> Value {
    json!({
        "type": "capability",
        "condition": condition.name(),
        "route": condition.route().name(),
        "capability": name(capability),
        "reason": reason(capability).map(Reason::name),
        "words": reason(capability).map(words),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use wyelog_simulator::scenario::BankFile;

    const BANK: &str = "[bank]\nconnection = \"grounded_wye\"\nrated_kvar = 600\nrated_kv_ll = 12.47\n\
        frequency_hz = 60\nunits_per_phase = 2\n[contact]\npresent = true\n";

    fn found(more: &str, wanted: Condition) -> (&'static str, Option<Reason>) {
        let file = BankFile::parse("b.toml", &format!("{BANK}{more}")).unwrap();
        let table = table(&file.settings());
        let (_, capability) = table.into_iter().find(|(condition, _)| *condition == wanted).unwrap();
        (name(capability), reason(capability))
    }

    #[test]
    fn a_bank_file_comes_to_a_table_with_a_row_a_condition() {
        let file = BankFile::parse("b.toml", BANK).unwrap();
        let rows = table(&file.settings());
        assert_eq!(rows.len(), Condition::ALL.len());
        assert!(rows.is_sorted_by_key(|(condition, _)| condition.route()));
        let one = "[sensors.B]\npresent = false\n[sensors.C]\npresent = false\n";
        assert_eq!(found("", Condition::UnitOut), ("full", None));
        assert_eq!(found(one, Condition::UnitOut), ("unavailable", Some(Reason::TooFewVoltages)));
        assert_eq!(found(one, Condition::BlownFuse), ("full", None));
        let behind = "[sensors]\nlocation = \"fuse_switch\"\n";
        assert_eq!(found(behind, Condition::BlownFuse), ("limited", Some(Reason::BehindTheFuse)));
    }

    #[test]
    fn every_reason_has_words_of_its_own() {
        for (index, reason) in Reason::ALL.into_iter().enumerate() {
            assert!(words(reason).len() > 15 && !words(reason).ends_with('.'), "{}", reason.name());
            assert!(Reason::ALL.into_iter().skip(index + 1).all(|other| words(other) != words(reason)));
        }
    }
}
