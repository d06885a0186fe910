//! What is proven, since when, and where the differences go: hand-worked on a store of invented records.

use polars::prelude::DataFrame;
use wyelog_protocol::quantity::{PerUnit, Voltage};
use wyelog_protocol::record::{
    BankRecord, BankState, BaselineReason, BaselineRecord, BaselineState, Basis, Interval, Quality, Record,
};

use super::*;
use crate::analysis::tests::{Desk, HEALTHY, START_MS, interval, near, real, settings, stamp};
use wyelog_protocol::condition::Change;

const DAY: u64 = 1440;

fn quality(basis: Basis) -> Quality {
    Quality {
        difference_sigma: PerUnit::quantise(0.008),
        common_sigma: PerUnit::quantise(0.05),
        common_basis: basis,
    }
}

/// The minute that ends at `minute`, at rated voltage.
fn minute(minute: u64, connected: [f32; 3]) -> Record {
    let Record::Interval(record) = interval(minute, [7200.0; 3], connected, 1.0, 0) else { panic!() };
    Record::Interval(Interval { quality: quality(Basis::Nameplate), ..record })
}

/// Two hours of so many days; A gains 0.003 a day, so that it goes 0.002 from the mean and the others −0.001.
fn drifting(days: std::ops::Range<u64>) -> Vec<Record> {
    let day = |day: u64| {
        let a = 1.0 + 0.003 * day as f32;
        (1..=120).map(move |n| minute(day * DAY + n, [a, 1.0, 1.0]))
    };
    days.flat_map(day).collect()
}

fn baseline(minute: u64, state: BaselineState, connected: [f32; 3]) -> Record {
    Record::Baseline(BaselineRecord {
        stamp: stamp(minute),
        state,
        reason: BaselineReason::Sound,
        connected: connected.map(PerUnit::quantise),
        quality: quality(Basis::Nameplate),
        change_sigma: PerUnit::quantise(0.004),
        lowest: Voltage::quantise(7000.0),
        highest: Voltage::quantise(7300.0),
        hours: 1,
        openings: 0,
        closings: 0,
        settings: 0,
    })
}

fn ms(rows: &DataFrame, column: &str) -> Option<i64> {
    Cells(rows).ms(column, 0)
}

fn at(minute: u64) -> Option<i64> {
    Some(START_MS as i64 + minute as i64 * 60_000)
}

fn ask(records: Vec<Record>) -> DataFrame {
    let desk = Desk::new();
    desk.take("L1", &[vec![settings("Bank 1")], records].concat());
    kvar(&desk.store(), &Filter::default()).unwrap()
}

#[test]
fn a_drift_has_a_slope_and_a_date() {
    let rows = ask(drifting(0..10));
    near(&rows, "trend_days", 0, 10.0);
    assert_eq!(ms(&rows, "trend_from_time"), at(0));
    // Records have steps of 0.0001 pu.
    let close = |column: &str, expected: f64, off: f64| {
        let value = real(&rows, column, 0).unwrap();
        assert!((value - expected).abs() <= off, "{column}: {value}, not {expected}");
    };
    close("difference_slope_a_pu_per_year", 0.002 * 365.25, 1e-3);
    close("difference_slope_b_pu_per_year", -0.001 * 365.25, 1e-3);
    close("difference_a_pu", 0.018, 1e-5);
    close("difference_change_a_pu", 0.018, 1e-5);
    close("common_slope_pu_per_year", 0.001 * 365.25, 1e-3);
    // 0.04 at 0.002 a day: after 20 days.
    let crossing = ms(&rows, "crossing_time").unwrap() - at(20 * DAY).unwrap();
    assert!(crossing.abs() < 600_000, "{crossing} ms");
    let cells = Cells(&rows);
    assert_eq!(cells.text("crossing_phase", 0).as_deref(), Some("A"));
    assert_eq!(cells.text("change_since", 0).as_deref(), Some("trend"));
    assert_eq!(cells.text("common_note", 0).as_deref(), Some(UNCORRECTED));
    assert_eq!(cells.text("last_proven_by", 0), None);
    near(&rows, "difference_sigma_pu", 0, 0.008);
    near(&rows, "available_sigma_percent", 0, 5.0);
    near(&rows, "closed_hours", 0, 20.0);
    near(&rows, "open_hours", 0, 0.0);
}

#[test]
fn a_mean_is_of_the_known_hours_and_of_none_there_is_no_mean() {
    // An hour in, two out: then no capacitance can be told.
    let out = |n| {
        let Record::Interval(record) = minute(n, HEALTHY) else { panic!() };
        Record::Interval(Interval { state: BankState::Open, connected: [PerUnit::ABSENT; 3], ..record })
    };
    let mut records: Vec<Record> = (1..=60).map(|n| minute(n, HEALTHY)).collect();
    records.extend((61..=180).map(out));
    let rows = ask(records);
    near(&rows, "hours", 0, 3.0);
    near(&rows, "known_hours", 0, 1.0);
    near(&rows, "kvarh_a", 0, real(&rows, "kvar_a", 0).unwrap());
    assert!(real(&rows, "available_percent", 0).is_some());
    let rows = ask((1..=60).map(out).collect());
    near(&rows, "known_hours", 0, 0.0);
    for name in ["kvar_a", "kvar_b", "kvar_c", "available_percent"] {
        let column = rows.column(name).unwrap();
        assert_eq!(column.null_count(), 1, "{name}: {column:?}");
    }
}

#[test]
fn six_days_or_a_blown_fuse_are_no_trend() {
    assert_eq!(real(&ask(drifting(0..6)), "difference_slope_a_pu_per_year", 0), None);
    let mut records = drifting(0..10);
    let fuse = crate::analysis::tests::event(5 * DAY, Change::Detected, 5.0 * DAY as f64 - 1.0, None);
    records.push(fuse);
    let rows = ask(records);
    assert_eq!(real(&rows, "difference_slope_a_pu_per_year", 0), None);
}

#[test]
fn a_change_counts_from_the_baseline_while_it_holds() {
    let mut records = drifting(0..10);
    records.insert(0, baseline(0, BaselineState::Provisional, [1.0, 1.012, 1.0]));
    let rows = ask(records.clone());
    // Differences of the baseline: −0.004, 0.008, −0.004; of the last day 0.018, −0.009, −0.009.
    for (column, expected) in [
        ("difference_change_a_pu", 0.022),
        ("difference_change_b_pu", -0.017),
        ("difference_change_c_pu", -0.005),
    ] {
        let value = real(&rows, column, 0).unwrap();
        assert!((value - expected).abs() < 2e-4, "{column}: {value}");
    }
    assert_eq!(Cells(&rows).text("change_since", 0).as_deref(), Some("baseline"));
    records.push(baseline(10 * DAY, BaselineState::Invalid, [1.0, 1.012, 1.0]));
    assert_eq!(Cells(&ask(records)).text("change_since", 0).as_deref(), Some("trend"));
}

#[test]
fn proven_is_the_last_opening_or_the_day_a_baseline_was_decided() {
    let bank = |minute, state, basis| {
        Record::Bank(BankRecord {
            stamp: stamp(minute),
            state,
            connected: HEALTHY.map(PerUnit::quantise),
            sigma: [PerUnit::quantise(0.01); 3],
            quality: quality(basis),
        })
    };
    let mut records: Vec<Record> = (1..=60).map(|n| minute(n, HEALTHY)).collect();
    records.push(bank(20, BankState::Open, Basis::Nameplate));
    let proven = |records: &[Record]| {
        let rows = ask(records.to_vec());
        (ms(&rows, "last_proven_time"), Cells(&rows).text("last_proven_by", 0))
    };
    assert_eq!(proven(&records), (None, None));
    records.push(bank(30, BankState::Open, Basis::Opening));
    // Closed again it still rests on that opening, and is no new proof.
    records.push(bank(40, BankState::Closed, Basis::Opening));
    assert_eq!(proven(&records), (at(30), Some("opening".to_owned())));
    records.push(baseline(45, BaselineState::Provisional, HEALTHY));
    // A copy, as at each start.
    records.push(baseline(50, BaselineState::Provisional, HEALTHY));
    assert_eq!(proven(&records), (at(45), Some("baseline".to_owned())));
}
