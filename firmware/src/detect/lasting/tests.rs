use proptest::prelude::*;
use wyelog_electrical::Phasor;
use wyelog_electrical::capacitor::Loading;
use wyelog_protocol::quantity::Percent;

use super::*;
use crate::testing::{settings, voltages};

/// A window of 200 ms, ending at second `end`, of these rms voltages.
fn window(end: f64, rms: [f32; 3]) -> Measured {
    let end = (end * 4800.0) as u64;
    let balanced = voltages(1.0, (0.0, 0.0), (0.0, 0.0));
    let mut voltage = balanced;
    for (v, rms) in voltage.iter_mut().zip(rms) {
        *v = v.scale(rms);
    }
    Measured {
        begin: end.saturating_sub(960),
        end,
        fraction: 0,
        flagged: false,
        in_doubt: false,
        gap: false,
        overlaps: false,
        frequency: 60.0,
        voltage_rms: rms,
        neutral_rms: 0.0,
        voltage_peak: rms.map(|rms| rms * core::f32::consts::SQRT_2),
        voltage_harmonics: [[0.0; 25]; 3],
        neutral_harmonics: [0.0; 25],
        thd: [0.0; 3],
        loading: rms.map(|rms| Loading::of([(1, rms)], 1.0, 1.0)),
        voltage_mean: [0.0; 3],
        frequency_is_foreign: false,
        fundamental: Some(Fundamental {
            rotation: Rotation::Abc,
            voltage,
            neutral: Phasor::ZERO,
            third_voltage: [Phasor::ZERO; 3],
            third: Phasor::ZERO,
            u2: Some(0.5),
            u0: Some(0.5),
            nema: Some(0.5),
        }),
    }
}

fn limited() -> Limited {
    Limited::new(&settings(), 1.0)
}

/// Plays windows of 200 ms up to second `until`; each finding with the second at which it was first there.
fn first(limited: &mut Limited, until: f64, of: impl Fn(f64) -> Measured) -> Option<(Finding, f64)> {
    let mut n = 1_u32;
    loop {
        let end = f64::from(n) * 0.2;
        if end > until {
            return None;
        }
        let mut findings = Findings::new();
        limited.window(&of(end), 0b111, 0, &mut findings);
        if let Some(finding) = findings.first() {
            assert_eq!(findings.len(), 1, "{findings:?}");
            return Some((*finding, end));
        }
        n += 1;
    }
}

fn expect(of: impl Fn(f64) -> Measured, condition: Condition, phases: u8, seconds: f64) {
    let (finding, at) = first(&mut limited(), 700.0, of).expect("a finding");
    assert_eq!((finding.condition, finding.phases.bits(), finding.begin), (condition, phases, 0));
    assert!((at - seconds).abs() <= 0.21, "{condition:?} after {at} s");
}

#[test]
fn ordinary_voltages_are_nothing() {
    // 90 to 110 % is what a feeder may have.
    for rms in [[1.0; 3], [0.91, 0.95, 1.0], [1.09, 1.05, 1.0]] {
        assert!(first(&mut limited(), 700.0, |end| window(end, rms)).is_none(), "{rms:?}");
    }
}

/// More than 110 % for ten minutes.
#[test]
fn an_overvoltage_of_ten_minutes() {
    expect(|end| window(end, [1.0, 1.11, 1.09]), Condition::Overvoltage, 0b010, 600.0);
    // A window below it, a minute before, and it begins anew.
    let dip = |end: f64| window(end, if (end - 540.0).abs() < 0.1 { [1.0; 3] } else { [1.11; 3] });
    let mut limited = limited();
    assert!(first(&mut limited, 700.0, dip).is_none());
}

#[test]
fn an_undervoltage_of_a_minute() {
    expect(|end| window(end, [0.89, 1.0, 0.8]), Condition::Undervoltage, 0b101, 60.0);
    // A phase that is dead is an interruption or an open phase, not an undervoltage.
    assert!(first(&mut limited(), 700.0, |end| window(end, [0.05, 1.0, 1.0])).is_none());
}

#[test]
fn unbalance_of_ten_minutes() {
    let of = |u2: f32| {
        move |end: f64| {
            let mut window = window(end, [1.0; 3]);
            if let Some(fundamental) = &mut window.fundamental {
                fundamental.u2 = Some(u2);
            }
            window
        }
    };
    expect(of(3.1), Condition::VoltageUnbalance, 0b111, 600.0);
    assert!(first(&mut limited(), 700.0, of(2.9)).is_none());
}

/// 135 % of current or kvar, 120 % of peak (IEEE Std 18, IEEE 1036).
#[test]
fn an_overload_of_ten_minutes() {
    // 110 % and a fifth of 15.65247 %: current 1.35 (derived); kvar 1.3325, below the limit.
    let loaded = |fifth: f32| {
        move |end: f64| {
            let mut window = window(end, [1.05; 3]);
            window.loading[2] = Loading::of([(1, 1.1), (5, fifth)], 1.0, 1.0);
            window
        }
    };
    expect(loaded(0.157), Condition::CapacitorOverload, 0b100, 600.0);
    assert!(first(&mut limited(), 700.0, loaded(0.156)).is_none());
    let crest = |pu: f32| {
        move |end: f64| {
            let mut window = window(end, [1.05; 3]);
            window.voltage_peak[0] = pu * core::f32::consts::SQRT_2;
            window
        }
    };
    expect(crest(1.21), Condition::CapacitorOverload, 0b001, 600.0);
    assert!(first(&mut limited(), 700.0, crest(1.19)).is_none());
    // A bank that is open carries nothing.
    let mut limited = limited();
    for n in 1..3500_u32 {
        let mut findings = Findings::new();
        limited.window(&loaded(0.2)(f64::from(n) * 0.2), 0, 0, &mut findings);
        assert!(findings.is_empty(), "{findings:?}");
    }
}

#[test]
fn swapped_phases() {
    let reversed = |end: f64| {
        let mut window = window(end, [1.0; 3]);
        if let Some(fundamental) = &mut window.fundamental {
            fundamental.rotation = Rotation::Acb;
        }
        window
    };
    let (finding, at) = first(&mut limited(), 60.0, reversed).expect("a finding");
    assert_eq!(finding.condition, Condition::PhaseRotationReversed);
    assert!(at <= 10.0);
    assert_eq!(finding.causes, [Cause::PhasesSwapped]);
}

/// A ratio off by √3, and 50 Hz set on a 60 Hz feeder: said in words, and not as an overvoltage or undervoltage.
#[test]
fn settings_that_cannot_be() {
    for factor in [1.732_05_f32, 0.577_35] {
        let (finding, at) = first(&mut limited(), 700.0, |end| window(end, [factor; 3])).expect("a finding");
        assert_eq!(
            (finding.condition, finding.causes[0]),
            (Condition::SettingsMismatch, Cause::NameplateWrong)
        );
        assert!(at <= 10.0, "{at}");
    }
    let foreign = |end: f64| Measured { frequency_is_foreign: true, ..window(end, [1.0; 3]) };
    let (finding, _) = first(&mut limited(), 60.0, foreign).expect("a finding");
    assert_eq!(finding.condition, Condition::SettingsMismatch);
}

/// A sag to 1/√3 for some seconds, as found in bank-years of storms.
#[test]
fn a_deep_sag_is_no_wrong_nameplate() {
    let sag = |end: f64| window(end, [if end > 10.0 { 0.577 } else { 1.02 }; 3]);
    assert!(first(&mut limited(), 60.0, sag).is_none());
    let (finding, _) = first(&mut limited(), 90.0, sag).expect("it stays");
    assert_eq!(finding.condition, Condition::Undervoltage);
}

#[test]
fn doubt_and_interruption_begin_anew() {
    let doubtful = |end: f64| Measured { in_doubt: true, ..window(end, [1.2; 3]) };
    assert!(first(&mut limited(), 700.0, doubtful).is_none());
    let mut limited = limited();
    assert!(first(&mut limited, 599.0, |end| window(end, [1.11; 3])).is_none());
    limited.interrupt();
    assert!(first(&mut limited, 599.0, |end| window(end, [1.11; 3])).is_none());
}

#[test]
fn a_limit_that_is_absent_never_alarms() {
    let mut settings = settings();
    settings.limits = Limits {
        overvoltage: Percent::ABSENT,
        undervoltage: Percent::ABSENT,
        overload: Percent::ABSENT,
        peak: Percent::ABSENT,
        ..settings.limits
    };
    let mut limited = Limited::new(&settings, 1.0);
    for rms in [1.3, 0.8] {
        assert!(first(&mut limited, 700.0, |end| window(end, [rms; 3])).is_none());
    }
}

proptest! {
    #[test]
    fn no_number_panics(
        values in prop::array::uniform12(proptest::num::f32::ANY),
        ends in prop::collection::vec(any::<u64>(), 1..8),
        blind in any::<u8>(),
        ratio in proptest::num::f32::ANY,
    ) {
        let [a, b, c, d, e, f, g, h, i, j, k, l] = values;
        let mut limited = Limited::new(&settings(), ratio);
        for end in ends {
            let mut window = window(1.0, [a, b, c]);
            (window.begin, window.end) = (end, end.wrapping_add(960));
            window.voltage_peak = [d, e, f];
            window.loading = [Loading::of([(1, g), (5, h)], i, j), None, None];
            if let Some(fundamental) = &mut window.fundamental {
                fundamental.u2 = Some(k);
                fundamental.voltage[0] = Phasor::new(l, a);
            }
            limited.window(&window, blind, blind >> 4, &mut Findings::new());
        }
    }
}
