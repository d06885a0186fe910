//! Use by hand.

use wyelog_protocol::record::{
    BaselineReason, BaselineRecord, BaselineState, ClockSource, Status, StatusRecord,
};

use super::stress::in_state;
use super::switching::{of_condition, operation};
use super::weeks::{settings_of_ten_minutes, ten};
use super::*;
use crate::analysis::usage::{Levels, usage};

fn text(frame: &DataFrame, column: &str, row: usize) -> Option<String> {
    frame.column(column).unwrap().str().unwrap().get(row).map(str::to_owned)
}

fn minutes(frame: &DataFrame, column: &str, row: usize) -> Option<i64> {
    let ms = frame.column(column).unwrap().datetime().unwrap().physical().get(row)?;
    Some((ms - START_MS as i64) / 60_000)
}

#[test]
fn hours_in_and_out_beside_the_voltages_and_left_open_since_the_visit() {
    let desk = Desk::new();
    let mut records = vec![settings_of_ten_minutes("Bank 1")];
    // The rated voltage is 12 470/√3 = 7199.6 V: 7000 and 6900 V are low, 7700 V is high.
    for n in 1..=72 {
        let (state, volts) = match n {
            ..=30 => (BankState::Closed, 7000.0),
            31..=36 => (BankState::Unknown, 7000.0),
            37..=48 => (BankState::Open, 6900.0),
            61..=66 => (BankState::Open, 7700.0),
            // A sag is no need.
            70 => (BankState::Open, 6000.0),
            _ => (BankState::Open, 7200.0),
        };
        records.push(in_state(ten(n, [volts; 3], 1.0, u16::from(n == 70)), state));
        if n == 36 {
            let after_ms = START_MS + 365 * 60_000;
            let status = Status::ClockSet { before_ms: None, after_ms, source: ClockSource::Host };
            records.push(Record::Status(StatusRecord { stamp: stamp(365), status }));
        }
    }
    records.push(operation(301, Action::Opened, Some(false), [None; 3], 1.0, None));
    records.push(operation(302, Action::Opened, Some(true), [None; 3], 1.0, None));
    for (minute, condition) in [(11, Condition::FailedToOperate), (12, Condition::FrequentSwitching)] {
        let begin = minute as f64 - 0.5;
        records.push(of_condition(event(minute, Change::Detected, begin, None), condition));
        records.push(of_condition(event(minute + 20, Change::Ended, begin, Some(begin)), condition));
    }
    desk.take("L1", &records);
    let rows = usage(&desk.store(), &Filter::default(), Levels::default()).unwrap();
    let hours = |name: &str, expected: f64| near(&rows, &format!("{name}_hours"), 0, expected);
    for (name, expected) in [("closed", 5.0), ("open", 6.0), ("unknown", 1.0), ("partly_closed", 0.0)] {
        hours(name, expected);
    }
    hours("low_closed", 5.0);
    hours("low_open", 2.0);
    hours("high_closed", 0.0);
    hours("high_open", 1.0);
    near(&rows, "in_when_low_percent", 0, 500.0 / 7.0);
    near(&rows, "in_when_high_percent", 0, 0.0);
    let count = |name: &str| rows.column(name).unwrap().u32().unwrap().get(0).unwrap();
    let counts =
        ["operations", "untold_operations", "failed_operations", "stuck_poles", "hunting"].map(count);
    assert_eq!(counts, [2, 1, 1, 0, 1]);
    assert_eq!(
        (text(&rows, "visit", 0).as_deref(), minutes(&rows, "visit_time", 0)),
        (Some("clock_set"), Some(365))
    );
    assert_eq!(
        (text(&rows, "use", 0).as_deref(), minutes(&rows, "last_closed_time", 0)),
        (Some("left_open"), Some(300))
    );
    hours("left_open", 355.0 / 60.0);
    // By other levels none is low.
    let levels = Levels { low_percent: 90.0, high_percent: 105.0 };
    let rows = usage(&desk.store(), &Filter::default(), levels).unwrap();
    near(&rows, "low_open_hours", 0, 0.0);
    assert_eq!(real(&rows, "in_when_low_percent", 0), None);
}

#[test]
fn visits_are_what_somebody_did_and_no_restart() {
    let desk = Desk::new();
    let told = |minute: u64, kvar: f32| {
        let Record::Settings(mut told) = settings_of_ten_minutes("Bank 1") else { panic!() };
        told.stamp = stamp(minute);
        told.settings.nameplate.rated_power = ReactivePower::quantise(kvar);
        Record::Settings(told)
    };
    // The same settings again are a restart's; others are somebody's.
    let closed = |n| ten(n, [7200.0; 3], 1.0, 0);
    desk.take(
        "L1",
        &[told(0, 600.0), closed(1), told(15, 600.0), closed(2), told(25, 300.0), closed(3), told(35, 300.0)],
    );
    let baseline = |minute: u64, state, reason| {
        Record::Baseline(BaselineRecord {
            stamp: stamp(minute),
            state,
            reason,
            connected: [PerUnit::quantise(1.0); 3],
            quality: Quality::default(),
            change_sigma: PerUnit::quantise(0.01),
            lowest: Voltage::ABSENT,
            highest: Voltage::ABSENT,
            hours: 0,
            openings: 0,
            closings: 0,
            settings: 0,
        })
    };
    let mut records = vec![settings_of_ten_minutes("Bank 2")];
    records.push(baseline(20, BaselineState::Provisional, BaselineReason::Sound));
    records.push(baseline(30, BaselineState::Provisional, BaselineReason::Sound));
    records.extend((1..=9).map(|n| in_state(ten(n, [7200.0; 3], 1.0, 0), BankState::Open)));
    desk.take("L2", &records);
    let all = [&records[..], &[baseline(80, BaselineState::Invalid, BaselineReason::LinkReplaced)]].concat();
    let all: Vec<Record> =
        std::iter::once(settings_of_ten_minutes("Bank 3")).chain(all.into_iter().skip(1)).collect();
    desk.take("L3", &all);
    let rows = usage(&desk.store(), &Filter::default(), Levels::default()).unwrap();
    let bank = rows.column("bank").unwrap().str().unwrap();
    let of = |name: &str| {
        let row = (0..3).find(|row| bank.get(*row) == Some(name)).unwrap();
        (
            text(&rows, "use", row).unwrap(),
            text(&rows, "visit", row).unwrap(),
            minutes(&rows, "visit_time", row),
        )
    };
    let expected = |usage: &str, visit: &str, minute| (usage.to_owned(), visit.to_owned(), Some(minute));
    assert_eq!(of("Bank 1"), expected("always_in", "settings_changed", 25));
    assert_eq!(of("Bank 2"), expected("never_in", "baseline_learned", 20));
    assert_eq!(of("Bank 3"), expected("never_in", "baseline_discarded", 80));
    // The least used first; a visit after the range is none.
    assert_eq!(bank.get(2), Some("Bank 1"));
    let early = Filter { to_ms: Some(START_MS as i64 + 50 * 60_000), ..Filter::default() };
    let rows = usage(&desk.store(), &early, Levels::default()).unwrap();
    assert_eq!(minutes(&rows, "visit_time", 1), Some(20));
}
