//! What goes on by hand, and the two answers that ask for it beside each other.

use std::collections::BTreeMap;

use wyelog_protocol::record::{Interval, Record, Stamp};

use super::*;
use crate::analysis::Filter;
use crate::analysis::alarm_book::tests::occurrence;
use crate::analysis::alarm_history::alarm_history;
use crate::analysis::cells::Cells;
use crate::analysis::fleet::fleet;
use crate::analysis::tests::{Desk, HEALTHY, interval, settings, stamp};

#[test]
fn by_hand() {
    use Condition::{BlownFuse, ElementShort, PhaseMissingAtClose, Sag, UnitOut};
    const WHOLE: [Option<f64>; 3] = [Some(1.0); 3];
    const NO_B: [Option<f64>; 3] = [Some(1.0), Some(0.0), Some(1.0)];
    const HALF_B: [Option<f64>; 3] = [Some(1.0), Some(0.5), Some(1.0)];
    const UNKNOWN: [Option<f64>; 3] = [None; 3];
    // Condition, phases, ended, its start, last start, connected; whether it goes on, whether that depends on the latter.
    for (condition, letters, has_ended, boot, last_boot, connected, goes_on, depends) in [
        // An end is an end.
        (Some(BlownFuse), "B", true, 1, 1, NO_B, false, false),
        (Some(BlownFuse), "B", true, 1, 2, NO_B, false, false),
        // Without a restart nothing is over before its end, whatever is connected.
        (Some(BlownFuse), "B", false, 1, 1, WHOLE, true, false),
        (Some(Sag), "ABC", false, 3, 3, WHOLE, true, false),
        // A start without intervals is later than any that has some; or none has any.
        (Some(Sag), "ABC", false, 3, 2, WHOLE, true, false),
        (Some(Sag), "ABC", false, 1, 0, UNKNOWN, true, false),
        // After a restart: the feeder's are over, the bank's go on.
        (Some(Sag), "ABC", false, 1, 2, WHOLE, false, false),
        (Some(ElementShort), "B", false, 1, 2, WHOLE, true, false),
        (Some(UnitOut), "B", false, 1, 2, WHOLE, true, false),
        (None, "B", false, 1, 2, WHOLE, true, false),
        // A lost phase is back if it carries more than half; all of its phases have to.
        (Some(BlownFuse), "B", false, 1, 2, NO_B, true, true),
        (Some(BlownFuse), "B", false, 1, 2, HALF_B, true, true),
        (Some(BlownFuse), "B", false, 1, 2, WHOLE, false, true),
        (Some(BlownFuse), "AC", false, 1, 2, NO_B, false, true),
        (Some(PhaseMissingAtClose), "AB", false, 1, 2, NO_B, true, true),
        (Some(PhaseMissingAtClose), "B", false, 2, 5, UNKNOWN, true, true),
    ] {
        let standing = Standing { condition, phases: phases(letters), has_ended, boot, last_boot };
        assert_eq!(standing.goes_on(connected), goes_on, "{standing:?} {connected:?}");
        assert_eq!(standing.depends_on_connected(), depends, "{standing:?}");
    }
}

/// An hour of one start, in which three alarms begin, then two days of the next with these connected capacitances.
fn restarted(bank: &str, first_day: [f32; 3], second_day: [f32; 3]) -> Vec<Record> {
    let mut records = vec![settings(bank)];
    records.extend((1..=60).map(|minute| interval(minute, [7200.0; 3], HEALTHY, 1.0, 0)));
    records.extend(occurrence((1, Condition::BlownFuse, "B"), (30.0, None), [7200.0; 3], 1.0));
    records.extend(occurrence((2, Condition::Sag, "ABC"), (40.0, None), [720.0; 3], f32::NAN));
    records.extend(occurrence((3, Condition::ElementShort, "A"), (50.0, None), [7200.0; 3], -0.1));
    records.extend((1..=2880).map(|minute| {
        let connected = if minute <= 1440 { first_day } else { second_day };
        // One minute in ten is flagged, and says something else.
        let is_flagged = minute % 10 == 0;
        let connected = if is_flagged { [0.0; 3] } else { connected };
        let Record::Interval(told) = interval(100 + minute, [7200.0; 3], connected, 1.0, is_flagged.into())
        else {
            panic!()
        };
        let stamp = Stamp { boot: 2, frame: minute * 288_000, ..stamp(100 + minute) };
        Record::Interval(Interval { stamp, ..told })
    }));
    records
}

#[test]
fn the_history_and_the_fleet_say_the_same_after_a_restart() {
    const BLOWN: [f32; 3] = [1.0, 0.0, 1.0];
    let desk = Desk::new();
    desk.take("L1", &restarted("Repaired", BLOWN, HEALTHY));
    desk.take("L2", &restarted("Blown", HEALTHY, BLOWN));
    let mut never = vec![settings("Never")];
    never.extend((1..=60).map(|minute| interval(minute, [7200.0; 3], HEALTHY, 1.0, 0)));
    never.extend(occurrence((1, Condition::BlownFuse, "B"), (30.0, None), [7200.0; 3], 1.0));
    desk.take("L3", &never);
    let store = desk.store();
    let history = alarm_history(&store, &Filter::default()).unwrap();
    let cells = Cells(&history);
    let mut open: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for row in (0..cells.rows()).filter(|row| cells.is_true("is_open", *row)) {
        let [bank, condition] = ["bank", "condition"].map(|name| cells.text(name, row).unwrap());
        open.entry(bank).or_default().push(condition);
    }
    open.values_mut().for_each(|conditions| conditions.sort());
    let expected = [
        ("Blown", vec!["blown_fuse", "element_short"]),
        ("Never", vec!["blown_fuse"]),
        ("Repaired", vec!["element_short"]),
    ];
    assert_eq!(open.len(), expected.len(), "{open:?}");
    for (bank, conditions) in expected {
        assert_eq!(open[bank], conditions, "{bank}");
    }
    for row in fleet(&store, &Filter::default()).unwrap() {
        let mut conditions: Vec<String> = row.open().iter().map(|alarm| alarm.name.clone()).collect();
        conditions.sort();
        assert_eq!(open[&row.bank], conditions, "{}", row.bank);
    }
}

#[test]
fn the_phases_of_a_condition_are_read_from_their_letters() {
    assert_eq!(phases("AC"), Phases::from_bits(5));
    assert_eq!(phases(""), Phases::NONE);
}
