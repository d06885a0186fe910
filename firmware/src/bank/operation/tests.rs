use super::*;

fn seen() -> Seen {
    Seen {
        action: Action::Opened,
        told: Some(true),
        begin: 48_000,
        poles: [0.0, 13.333, f32::NAN],
        peak: 1.5,
        voltage_step: -0.0125,
        opened: Some(24_000),
    }
}

#[test]
fn frames_and_per_unit_become_a_record() {
    let clock = Clock::new(3);
    let record = seen().record(48_960, &clock, 27.78);
    assert_eq!((record.action, record.told), (Action::Opened, Some(true)));
    assert_eq!((record.stamp.frame, record.begin.frame), (48_960, 48_000));
    // 13.333 frames of 208⅓ µs; a pole that was not seen has no time.
    assert_eq!(record.poles_us, [Some(0), Some(2778), None]);
    assert!((record.neutral_peak.value().unwrap() - 41.67).abs() < 0.01);
    assert!((record.voltage_step.value().unwrap() + 0.0125).abs() < 1e-4);
    assert_eq!(record.since_opening_ms, Some(5000));
}

#[test]
fn what_is_not_known_is_absent() {
    let seen = Seen {
        poles: [f32::NAN, -1.0, f32::INFINITY],
        peak: f32::NAN,
        voltage_step: f32::NAN,
        opened: None,
        ..seen()
    };
    let record = seen.record(48_960, &Clock::new(3), 27.78);
    assert_eq!([record.poles_us[0], record.poles_us[1]], [None, None]);
    assert_eq!(record.neutral_peak.value(), None);
    assert_eq!(record.voltage_step.value(), None);
    assert_eq!(record.since_opening_ms, None);
}

#[test]
fn the_longest_time_does_not_overflow() {
    let seen = Seen { begin: u64::MAX, opened: Some(0), ..seen() };
    assert!(seen.record(u64::MAX, &Clock::new(0), 1.0).since_opening_ms.is_some());
    // An opening behind the beginning is no time ago.
    let seen = Seen { begin: 0, opened: Some(u64::MAX), ..seen };
    assert_eq!(seen.record(0, &Clock::new(0), 1.0).since_opening_ms, Some(0));
}
