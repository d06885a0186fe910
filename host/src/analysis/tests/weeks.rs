//! Ten-minute values and weeks, by hand.

use super::*;
use crate::analysis::unbalance::unbalance_by_weeks;

/// Settings with intervals of ten minutes.
pub fn settings_of_ten_minutes(name: &str) -> Record {
    let Record::Settings(mut told) = settings(name) else { panic!() };
    told.settings.interval_s = 600;
    Record::Settings(told)
}

/// The ten minutes that end at `10·number` minutes.
pub fn ten(number: u64, volts: [f32; 3], u2: f32, flagged: u16) -> Record {
    let Record::Interval(minute) = interval(10 * number, volts, HEALTHY, u2, flagged) else { panic!() };
    Record::Interval(Interval { windows: 3000, ..minute })
}

fn time(frame: &DataFrame, column: &str, row: usize) -> i64 {
    frame.column(column).unwrap().datetime().unwrap().physical().get(row).unwrap()
}

fn whole(frame: &DataFrame, column: &str, row: usize) -> u32 {
    frame.column(column).unwrap().u32().unwrap().get(row).unwrap()
}

#[test]
fn minutes_make_ten_minutes_of_the_clock() {
    let desk = Desk::new();
    let mut records = vec![settings("Bank 1")];
    // Nine minutes of 1 % and one of 3 %: √((9·1 + 9)/10) = √1.8 %.
    records.extend((1..=10).map(|n| interval(n, [7200.0; 3], HEALTHY, if n == 4 { 3.0 } else { 1.0 }, 0)));
    // One flagged minute flags the ten.
    records.extend((11..=20).map(|n| interval(n, [7200.0; 3], HEALTHY, 9.0, u16::from(n == 20))));
    // Two minutes of the next ten: 1 %.
    records.extend((21..=22).map(|n| interval(n, [7200.0; 3], HEALTHY, 1.0, 0)));
    desk.take("L1", &records);
    let of = |limit: f64| unbalance_by_weeks(&desk.store(), &Filter::default(), limit).unwrap();
    for (limit, hours, percent) in [(1.341, 10.0 / 60.0, 50.0), (1.342, 0.0, 0.0), (0.9, 12.0 / 60.0, 100.0)]
    {
        let rows = of(limit);
        near(&rows, "u2_over_hours", 0, hours);
        near(&rows, "u2_over_percent", 0, percent);
        near(&rows, "limit_percent", 0, limit);
    }
    let rows = of(2.0);
    assert_eq!((whole(&rows, "ten_minute_values", 0), whole(&rows, "flagged_ten_minute_values", 0)), (2, 1));
    // Three ten minutes are no week, and u0 was not measured.
    assert_eq!((whole(&rows, "weeks", 0), real(&rows, "u2_week_p95_percent", 0)), (0, None));
    assert_eq!(real(&rows, "u0_over_percent", 0), None);
}

#[test]
fn the_worst_week_and_the_latest() {
    let desk = Desk::new();
    // 1 May 2030 is a Wednesday: 720 values to Monday, then a whole week, then 100 more, which are none.
    let u2 = |n: u64| match n {
        649..=720 => 3.0,
        721..=760 => 2.5,
        1729.. => 5.0,
        _ => 1.0,
    };
    let records = (1..=1828).map(|n| ten(n, [7200.0; 3], u2(n), 0));
    desk.take("L1", &std::iter::once(settings_of_ten_minutes("Bank 1")).chain(records).collect::<Vec<_>>());
    let rows = unbalance_by_weeks(&desk.store(), &Filter::default(), 2.0).unwrap();
    assert_eq!((whole(&rows, "ten_minute_values", 0), whole(&rows, "weeks", 0)), (1828, 2));
    // A tenth of the first week is above; a twenty-fifth of the second.
    near(&rows, "u2_week_p95_percent", 0, 3.0);
    near(&rows, "u2_last_week_p95_percent", 0, 1.0);
    let monday = START_MS as i64 - 2 * 86_400_000;
    assert_eq!(time(&rows, "u2_week_begin", 0), monday);
    assert_eq!(time(&rows, "last_week_begin", 0), monday + 7 * 86_400_000);
    near(&rows, "u2_over_hours", 0, 212.0 / 6.0);
    near(&rows, "u2_over_percent", 0, 100.0 * 212.0 / 1828.0);
}
