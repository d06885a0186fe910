//! Operations by hand.

use super::weeks::{settings_of_ten_minutes, ten};
use super::*;
use crate::analysis::switching::switching;

const DAY: u64 = 1440;

/// An operation that begins at `minute`; current zeros in µs, inrush in A, seconds since the last opening.
pub fn operation(
    minute: u64,
    action: Action,
    told: Option<bool>,
    poles_us: [Option<u32>; 3],
    peak: f32,
    since_opening_ms: Option<u64>,
) -> Record {
    Record::Operation(Operation {
        stamp: stamp(minute),
        action,
        told,
        begin: moment(minute as f64),
        poles_us,
        neutral_peak: Current::quantise(peak),
        voltage_step: PerUnit::quantise(-0.0062),
        since_opening_ms,
    })
}

/// The same event of another condition.
pub fn of_condition(record: Record, condition: Condition) -> Record {
    let Record::Event(event) = record else { panic!() };
    Record::Event(Event { condition, ..event })
}

fn count(frame: &DataFrame, column: &str) -> u32 {
    frame.column(column).unwrap().u32().unwrap().get(0).unwrap()
}

#[test]
fn operations_are_counted_and_their_trends_are_lines() {
    let desk = Desk::new();
    let mut records = vec![settings_of_ten_minutes("Bank 1")];
    records.extend((1..=1440).map(|n| ten(n, [7200.0; 3], 1.0, 0)));
    let open = |day: u64, told, last_us| {
        operation(day * DAY, Action::Opened, told, [Some(0), Some(2700), Some(last_us)], 41.0, None)
    };
    let close = |day: u64, peak, since| {
        operation(day * DAY + 600, Action::Closed, Some(true), [None; 3], peak, Some(since))
    };
    records.extend([open(0, Some(true), 5000), close(0, 100.0, 300_500), open(100, Some(false), 5200)]);
    records.extend([close(100, 110.0, 299_000), open(200, None, 5100), close(200, 90.0, 40_000)]);
    records.extend([open(300, Some(true), 5300), close(300, 100.0, 36_000_000)]);
    // A pole that nobody saw clear makes no spacing.
    records.push(operation(301 * DAY, Action::Opened, None, [Some(0), None, None], 1.0, None));
    records.push(of_condition(event(11, Change::Detected, 10.5, None), Condition::ClosedWhileCharged));
    records.push(of_condition(event(12, Change::Ended, 10.5, Some(10.5)), Condition::ClosedWhileCharged));
    records.push(event(13, Change::Detected, 12.5, None));
    desk.take("L1", &records);
    desk.take("L2", &[settings("Bank 2"), interval(1, [7200.0; 3], HEALTHY, 1.0, 0)]);
    let rows = switching(&desk.store(), &Filter::default(), Some(2500)).unwrap();
    // The busier one first; one without an operation is there.
    assert_eq!(rows.column("bank").unwrap().str().unwrap().get(1), Some("Bank 2"));
    assert_eq!(rows.column("operations").unwrap().u32().unwrap().get(1), Some(0));
    assert_eq!(["operations", "openings", "closings"].map(|name| count(&rows, name)), [9, 5, 4]);
    assert_eq!(["told", "untold", "told_unknown"].map(|name| count(&rows, name)), [6, 1, 2]);
    assert_eq!(
        ["early_closings", "charged_closings", "zero_spread_openings"].map(|n| count(&rows, n)),
        [2, 1, 4]
    );
    near(&rows, "watched_days", 0, 10.0);
    near(&rows, "operations_per_day", 0, 0.9);
    near(&rows, "shortest_open_s", 0, 40.0);
    near(&rows, "zero_spread_median_ms", 0, 5.15);
    near(&rows, "zero_spread_max_ms", 0, 5.3);
    near(&rows, "zero_spread_last_ms", 0, 5.3);
    // 0, 1, 2, 3 hundred days: slope 0.4/5, left over 0.05 − 0.08·0.4 = 0.018, σ = √(0.018/2/5) per hundred days.
    near(&rows, "zero_spread_slope_ms_per_year", 0, 0.08 * 3.6525);
    near(&rows, "zero_spread_slope_sigma", 0, 0.042_426_406_9 * 3.6525);
    // From the mean of the three: A −u, B 2.7 − u, C 2u − 2.7, with u a third of 7.7, 7.9, 7.8, 8.0 ms.
    assert_eq!(count(&rows, "pole_openings"), 4);
    for (pole, late, part) in [("a", -7.85 / 3.0, -1.0), ("b", 0.25 / 3.0, -1.0), ("c", 7.6 / 3.0, 2.0)] {
        near(&rows, &format!("pole_{pole}_late_ms"), 0, late);
        // The thirds are off their mean by −0.15, 0.05, −0.05, 0.15 of a third: √(0.05/9/3/4).
        let sigma = (0.05_f64 / 9.0 / 3.0 / 4.0).sqrt() * f64::abs(part);
        near(&rows, &format!("pole_{pole}_late_sigma_ms"), 0, sigma);
        near(&rows, &format!("pole_{pole}_late_slope_ms_per_year"), 0, part * 0.08 * 3.6525 / 3.0);
        near(
            &rows,
            &format!("pole_{pole}_late_slope_sigma"),
            0,
            f64::abs(part) * 0.042_426_406_9 * 3.6525 / 3.0,
        );
    }
    near(&rows, "inrush_median_a", 0, 100.0);
    near(&rows, "inrush_max_a", 0, 110.0);
    // 100, 110, 90, 100: slope −10/5, left over 200 − 2·10 = 180, σ = √(180/2/5).
    near(&rows, "inrush_slope_a_per_year", 0, -2.0 * 3.6525);
    near(&rows, "inrush_slope_sigma", 0, 18.0_f64.sqrt() * 3.6525);
    // 2491 are left: at 0.9 a day 2767.777… days from the last interval on.
    assert_eq!(rows.column("operations_left").unwrap().i64().unwrap().get(0), Some(2491));
    let due = rows.column("maintenance_time").unwrap().datetime().unwrap().physical().get(0).unwrap();
    let expected = START_MS as f64 + (10.0 + 2491.0 / 0.9) * 86_400_000.0;
    assert!((due as f64 - expected).abs() < 2.0, "{due} {expected}");
    // Five operations were reached on day 200: that is recorded. The ninth is the last one there is.
    for (maintenance, left, day) in [(5, -4, 200), (9, 0, 301)] {
        let rows = switching(&desk.store(), &Filter::default(), Some(maintenance)).unwrap();
        assert_eq!(rows.column("operations_left").unwrap().i64().unwrap().get(0), Some(left));
        let at = rows.column("maintenance_time").unwrap().datetime().unwrap().physical().get(0).unwrap();
        assert_eq!(at, START_MS as i64 + day * 86_400_000, "{maintenance}");
        assert!(rows.column("maintenance_time").unwrap().get(1).unwrap().is_null());
    }
    let without = switching(&desk.store(), &Filter::default(), None).unwrap();
    assert!(without.column("operations_left").unwrap().get(0).unwrap().is_null());
    // From day 150 on: two openings with a spacing make no line.
    let late = Filter { from_ms: Some(START_MS as i64 + 150 * 86_400_000), ..Filter::default() };
    let rows = switching(&desk.store(), &late, None).unwrap();
    assert_eq!((count(&rows, "operations"), real(&rows, "zero_spread_slope_ms_per_year", 0)), (5, None));
}
