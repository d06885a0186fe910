//! A proving page by hand.

use wyelog_protocol::condition::Condition;
use wyelog_protocol::quantity::{PerUnit, Voltage};
use wyelog_protocol::record::{BaselineReason, BaselineRecord, BaselineState, Quality, Record};

use super::*;
use crate::analysis::alarm_book::tests::{log, occurrence};
use crate::analysis::tests::{Desk, START_MS, stamp};
use crate::report::{certificate_html, certificate_text};

/// A minute's baseline of a bank that is 2 % above its rating.
fn baseline(minute: u64, state: BaselineState) -> Record {
    Record::Baseline(BaselineRecord {
        stamp: stamp(minute),
        state,
        reason: BaselineReason::Sound,
        connected: [PerUnit::quantise(1.02); 3],
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
    certificate(&desk.store(), "Bank <1>").unwrap().unwrap()
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
    assert!(certificate(&desk.store(), "Bank 2").unwrap().is_none());
}
