//! A proving page by hand.

use wyelog_protocol::condition::Condition;
use wyelog_protocol::quantity::{PerUnit, Voltage};
use wyelog_protocol::record::{
    BankState, BaselineReason, BaselineRecord, BaselineState, Interval, Quality, Record,
};

use super::*;
use crate::analysis::alarm_book::tests::{log, occurrence};
use crate::analysis::tests::{Desk, START_MS, stamp};
use crate::report::{certificate_html, certificate_text};

/// A minute's baseline of a bank that is 2 % above its rating.
fn baseline(minute: u64, state: BaselineState) -> Record {
    baseline_of(minute, state, 1.02)
}

fn baseline_of(minute: u64, state: BaselineState, connected: f32) -> Record {
    Record::Baseline(BaselineRecord {
        stamp: stamp(minute),
        state,
        reason: BaselineReason::Sound,
        connected: [PerUnit::quantise(connected); 3],
        quality: Quality::default(),
        change_sigma: PerUnit::quantise(0.004),
        lowest: Voltage::quantise(7000.0),
        highest: Voltage::quantise(7300.0),
        hours: 30,
        openings: 2,
        closings: 2,
        settings: 0,
    })
}

fn page(records: &[Record]) -> Certificate {
    let desk = Desk::new();
    desk.take("L1", records);
    certificate(&desk.store(), "Bank <1>", (None, None)).unwrap().unwrap()
}

#[test]
fn eight_days_with_a_confirmed_baseline_are_a_soak_and_a_blown_fuse_is_an_open_item() {
    let days = 8 * 1440;
    let mut records = log("Bank <1>", days, &[]);
    records.push(baseline(60, BaselineState::Provisional));
    records.push(baseline(2000, BaselineState::Confirmed));
    let sound = page(&records);
    let at = |minute: i64| Some(START_MS as i64 + minute * 60_000);
    assert_eq!(sound.commissioned_ms, at(60));
    let kept = sound.baseline.as_ref().unwrap();
    assert_eq!((kept.learned_ms, kept.confirmed_ms), (at(60), at(2000)));
    assert!(sound.soak.is_done(), "{:?}", sound.soak);
    assert!((sound.soak.hours.0 - 168.0).abs() < 0.1, "{:?}", sound.soak.hours);
    assert_eq!(sound.found.kvar, [Some(200.0); 3]);
    assert!(sound.open.is_empty() && sound.is_proven());
    assert_eq!(sound.headline(), "Bank <1>: proven, as far as records can prove it");
    // Even then there are things that no record proves.
    assert!(sound.not_proven.iter().any(|text| text.contains("on the phase it claims")));
    assert!(sound.not_proven.iter().any(|text| text.contains("no opening has been recorded")));
    let html = certificate_html(&sound);
    assert!(html.contains("Bank &lt;1&gt;") && !html.contains("Bank <1>"), "{html}");
    for word in ["http:", "https:", "<script", "src=", "url("] {
        assert!(!html.contains(word), "{word}");
    }
    assert!(certificate_text(&sound).contains("Confirmed: 2030-05-02 09:20 UTC"));

    records.extend(occurrence((1, Condition::BlownFuse, "B"), (3000.0, None), [7200.0; 3], 1.0));
    let blown = page(&records);
    assert_eq!((blown.open.len(), blown.is_proven()), (1, false));
    assert!(blown.open[0].contains("fuse of phase B most likely blown"), "{:?}", blown.open);
    assert_eq!(blown.soak.alarms.len(), 1);
    assert_eq!(blown.headline(), "Bank <1>: one item open");
}

#[test]
fn a_soak_of_which_too_little_is_known_is_not_done() {
    // The signal of the neutral current is lost after two days: the bank is closed, and nothing is known of it.
    let lost = |record: Record, from: u64, state: BankState| match record {
        Record::Interval(record) if record.stamp.frame > from * 288_000 => {
            Record::Interval(Interval { connected: [PerUnit::ABSENT; 3], state, ..record })
        }
        other => other,
    };
    let page_of = |from: u64, state| {
        let all = log("Bank <1>", 8 * 1440, &[]).into_iter();
        let mut records: Vec<Record> = all.map(|record| lost(record, from, state)).collect();
        records.push(baseline(60, BaselineState::Provisional));
        records.push(baseline(2000, BaselineState::Confirmed));
        page(&records)
    };
    let of = page_of(2880, BankState::Closed);
    assert!(of.soak.is_over() && !of.soak.is_done() && !of.is_proven(), "{:?}", of.soak);
    assert!(
        (of.soak.hours.0 - 168.0).abs() < 1e-6 && (of.soak.hours.1 - 168.0).abs() < 1e-6,
        "{:?}",
        of.soak
    );
    assert!((of.soak.values.closed_hours - 168.0).abs() < 1e-6, "{:?}", of.soak.values);
    // From minute 61 to 2880.
    assert!((of.soak.known_hours() - 47.0).abs() < 1e-6, "{:?}", of.soak.values);
    assert_eq!(of.headline(), "Bank <1>: too little known of the soak");
    assert!(
        of.not_proven.iter().any(|text| text.contains("of 168 hours 47.0 are known")),
        "{:?}",
        of.not_proven
    );
    let text = certificate_text(&of);
    for said in ["168.0 are recorded, 47.0 are known: not done", "95 % of seven days are known"] {
        assert!(text.split_whitespace().collect::<Vec<_>>().join(" ").contains(said), "{said}: {text}");
    }
    // The same with the bank open is known; but a bank that is out all week shows nothing.
    assert!(page_of(2880, BankState::Open).soak.is_done());
    let out = page_of(120, BankState::Open);
    assert!((out.soak.known_hours() - 168.0).abs() < 1e-6 && !out.soak.is_done(), "{:?}", out.soak.values);
}

#[test]
fn three_days_without_a_baseline_prove_little() {
    let page = page(&log("Bank <1>", 3 * 1440, &[]));
    assert!(!page.soak.is_done() && !page.has_commissioning);
    assert_eq!(page.headline(), "Bank <1>: soak not finished");
    for part in
        ["no baseline was ever learned", "there is no baseline", "the records have 3.0 of them", "nameplate"]
    {
        assert!(page.not_proven.iter().any(|text| text.contains(part)), "{part}: {:?}", page.not_proven);
    }
    let desk = Desk::new();
    desk.take("L1", &log("Bank 1", 10, &[]));
    assert!(certificate(&desk.store(), "Bank 2", (None, None)).unwrap().is_none());
}

/// A bank is upgraded, and again after two days with units of a higher voltage: one page each, and one as of a day.
#[test]
fn a_range_picks_one_upgrade_out_of_two() {
    let mut records = log("Bank <1>", 10 * 1440, &[]);
    let Record::Settings(mut second) = records[0].clone() else { panic!() };
    second.stamp = stamp(2870);
    second.settings.nameplate.unit_voltage = Voltage::quantise(7960.0);
    records.push(Record::Settings(second));
    records.push(baseline(60, BaselineState::Provisional));
    records.push(baseline(2000, BaselineState::Confirmed));
    records.push(baseline_of(2880, BaselineState::Provisional, 0.98));
    records.push(baseline_of(4000, BaselineState::Confirmed, 0.98));
    records.extend(occurrence((1, Condition::UnitOut, "A"), (100.0, None), [7200.0; 3], 0.1));
    let desk = Desk::new();
    desk.take("L1", &records);
    let at = |minute: i64| START_MS as i64 + minute * 60_000;
    let page = |from: Option<i64>, to: Option<i64>| {
        certificate(&desk.store(), "Bank <1>", (from.map(at), to.map(at))).unwrap().unwrap()
    };
    let learned = |page: &Certificate| page.baseline.as_ref().and_then(|baseline| baseline.learned_ms);

    let first = page(None, Some(2870));
    assert_eq!((first.commissioned_ms, learned(&first)), (Some(at(60)), Some(at(60))));
    assert_eq!((first.settings_records, first.changes.len()), (1, 0));
    // From minute 60 to 2869.
    assert!((first.soak.days - 2809.0 / 1440.0).abs() < 1e-6, "{:?}", first.soak);
    assert_eq!((first.row.last_ms, first.soak.alarms.len()), (Some(at(2869)), 1));

    let second = page(Some(2875), None);
    assert_eq!((second.commissioned_ms, learned(&second)), (Some(at(2880)), Some(at(2880))));
    // The settings that were in force when the range began.
    assert_eq!((second.settings_records, second.changes.len()), (1, 0));
    assert!(second.soak.is_done() && second.soak.alarms.is_empty(), "{:?}", second.soak);
    // It began long before, and goes on.
    assert_eq!((second.open.len(), second.is_proven()), (1, false));
    let both = page(None, None);
    assert_eq!((both.commissioned_ms, both.settings_records), (Some(at(2880)), 2));
    assert_eq!(both.changes.len(), 1, "{:?}", both.changes);

    // A range without a baseline of its own: the confirmed one is of something else.
    let late = page(Some(1000), Some(2875));
    assert_eq!((late.commissioned_ms, learned(&late)), (Some(at(1000)), Some(at(60))));
    assert!(late.has_older_baseline() && !late.is_proven());
    assert_eq!(late.changes.len(), 1);
    assert!(late.not_proven.iter().any(|text| text.contains("learned before the range")), "{late:?}");
    // 1000 to 2439: the first day; 1435 to 2874: the last one, flat as everything here.
    assert!((late.found.hours - 24.0).abs() < 0.1 && (late.left.hours - 24.0).abs() < 0.1, "{late:?}");
    let text = certificate_text(&late);
    assert!(text.contains("from 2030-05-01 16:40 UTC to just before 2030-05-02 23:55 UTC"), "{text}");
    // Shorter than a day: nothing from beside the range.
    let short = page(Some(1000), Some(1061));
    assert!((short.found.hours - 61.0 / 60.0).abs() < 1e-3 && short.found == short.left, "{short:?}");
    // A range without records is a page that proves nothing.
    let none = page(Some(20_000), None);
    assert!(none.commissioned_ms.is_none() && none.baseline.is_none() && !none.is_proven());
    assert!(none.not_proven[0].contains("no baseline was learned in the range"), "{:?}", none.not_proven);
    assert_eq!(frame(&none).unwrap().height(), 1);
}

#[test]
fn as_a_row_it_says_what_the_page_says() {
    let mut records = log("Bank <1>", 8 * 1440, &[]);
    records.push(baseline(60, BaselineState::Provisional));
    records.push(baseline(2000, BaselineState::Confirmed));
    let row = frame(&page(&records)).unwrap();
    let cells = Cells(&row);
    assert_eq!(cells.rows(), 1);
    assert!(cells.is_true("is_proven", 0) && cells.is_true("soak_is_done", 0));
    assert_eq!(cells.text("baseline_state", 0).as_deref(), Some("confirmed"));
    assert_eq!(cells.ms("baseline_confirmed_time", 0), Some(START_MS as i64 + 2000 * 60_000));
    let near = |name: &str, expected: f64| (cells.real(name, 0).unwrap() - expected).abs() < 1e-3;
    for (name, expected) in [
        ("soak_hours", 168.0),
        ("soak_passed_hours", 168.0),
        ("soak_known_hours", 168.0),
        ("soak_known_in_hours", 168.0),
        ("soak_closed_hours", 168.0),
        ("soak_open_hours", 0.0),
        ("soak_flagged_hours", 0.0),
        ("soak_openings", 0.0),
        ("soak_kvar_b", 200.0),
        ("found_kvar_a", 200.0),
        ("left_kvar_c", 200.0),
        ("baseline_watched_hours", 30.0),
    ] {
        assert!(near(name, expected), "{name}: {row:?}");
    }
    for name in ["found_neutral_a", "left_residual_pu", "soak_residual_pu", "soak_u2_percent"] {
        assert!(row.column(name).is_ok(), "{name}");
    }
    assert!(near("soak_days", 7.0) && near("baseline_connected_b", 1.02) && near("left_voltage_c_v", 7200.0));
    assert_eq!((cells.text("open", 0), cells.ms("range_from_time", 0)), (None, None));
    assert!(cells.text("not_proven", 0).unwrap().contains(". | That anything is dead"), "{row:?}");
}
