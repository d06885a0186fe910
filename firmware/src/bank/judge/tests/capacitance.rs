//! Parts of a phase, whole phases, and the neutral current itself.

use super::*;

#[test]
fn a_healthy_bank_is_closed_and_its_differences_are_known() {
    let bench = Bench::healthy(&testing::settings());
    assert_eq!((bench.judge.state(), bench.found()), (BankState::Closed, Vec::new()));
    assert!(bench.judge.is_identifiable());
    let y = bench.judge.connected();
    let [common, truth] = [y, Bench::Y].map(|y| y.iter().sum::<f32>() / 3.0);
    for (y, real) in y.into_iter().zip(Bench::Y) {
        assert!(((y - common) - (real - truth)).abs() < 0.01, "{y} {real}");
    }
}

/// 4 % of one phase is seen without commissioning; units and sections by size and sign, within 10 s.
#[test]
fn a_part_of_a_phase_is_named() {
    for phase in 0..3 {
        for part in [0.5_f32, 0.333, 0.25, 0.1, 0.04, -0.04, -0.0714, -0.15, -0.333] {
            let mut bench = Bench::healthy(&units(2));
            let y = with(Bench::Y, phase, Bench::Y[phase] - part);
            bench.run(10.0, y);
            let condition = if part > 0.0 { Condition::UnitOut } else { Condition::ElementShort };
            let finding = bench.only(condition, 1 << phase);
            assert!((finding.fraction - part).abs() < 0.01, "{part}: {finding:?}");
            assert_eq!(finding.begin, 15 * 4800);
            let first = if part > 0.0 { Cause::UnitOpen } else { Cause::SectionShorted };
            assert_eq!(finding.causes[0], first);
            // Mended.
            bench.run(15.0, Bench::Y);
            assert_eq!(bench.found(), []);
        }
    }
}

#[test]
fn two_units_one_after_the_other_add_up() {
    let mut bench = Bench::healthy(&units(3));
    bench.run(10.0, with(Bench::Y, 1, Bench::Y[1] - 0.333));
    bench.run(10.0, with(Bench::Y, 1, Bench::Y[1] - 0.667));
    let finding = bench.only(Condition::UnitOut, 0b010);
    assert!((finding.fraction - 0.667).abs() < 0.02, "{finding:?}");
    assert_eq!(finding.begin, 15 * 4800);
}

/// Without health before, what is beyond the tolerance of 0…+10 % (IEEE Std 18) is named; what is within it is not.
#[test]
fn from_the_start() {
    for phase in 0..3 {
        for (value, condition) in
            [(0.5, Some(Condition::UnitOut)), (1.167, Some(Condition::ElementShort)), (1.1, None)]
        {
            let mut bench = Bench::new(&units(2));
            bench.judge.told(true, 0);
            bench.run(12.0, with([1.0; 3], phase, value));
            let expected: Vec<_> = condition.map(|condition| (condition, 1 << phase)).into_iter().collect();
            assert_eq!(bench.found(), expected, "{value}");
            if let Some(finding) = bench.findings().first() {
                assert!((finding.fraction - (1.0 - value)).abs() < 0.025, "{finding:?}");
            }
        }
    }
}

#[test]
fn a_slow_drift_of_all_is_nothing() {
    // Film capacitance falls by 0.04 % per °C: −40 to +50 °C are 3.6 %, alike in all phases.
    let mut bench = Bench::healthy(&units(2));
    for step in 0..90_u8 {
        bench.run(4.0, Bench::Y.map(|y| y * (1.0 - 0.0004 * f32::from(step))));
        assert_eq!(bench.found(), [], "{step}");
    }
}

/// A fuse of a phase that carried for longer than half a cycle: it carried and stopped.
#[test]
fn a_blown_fuse_and_two() {
    for phase in 0..3 {
        let mut bench = Bench::healthy(&testing::settings());
        let y = with(Bench::Y, phase, 0.0);
        let at = bench.now;
        bench.strikes(y);
        bench.run(2.6, y);
        let finding = bench.only(Condition::BlownFuse, 1 << phase);
        assert_eq!((finding.begin, finding.fraction), (at + 300, 1.0));
        assert_eq!(finding.causes[0], Cause::FuseOperated);
        assert_eq!(bench.judge.connected()[phase], 0.0);
        assert!(bench.operations.is_empty(), "a fuse is no operation");
        // A second one.
        let other = (phase + 1) % 3;
        let y = with(y, other, 0.0);
        bench.strikes(y);
        bench.run(2.6, y);
        let mut found = bench.found();
        found.sort_by_key(|(_, phases)| *phases);
        let mut expected = [(Condition::BlownFuse, 1 << phase), (Condition::BlownFuse, 1 << other)];
        expected.sort_by_key(|(_, phases)| *phases);
        assert_eq!(found, expected);
        // And both are put in again.
        bench.strikes(Bench::Y);
        bench.run(6.0, Bench::Y);
        assert_eq!(bench.found(), []);
    }
}

/// A lead that breaks leaves no burst: the neutral current is gone, though the voltages explain one. A dead lead
/// picks up 0.2–2 %.
#[test]
fn a_dead_neutral_lead_is_no_opening() {
    for pickup in [0.0, 0.05] {
        let mut bench = Bench::healthy(&testing::settings());
        bench.neutral = pickup;
        bench.run(8.0, Bench::Y);
        let finding = bench.only(Condition::NeutralSignalLost, 0b1000);
        assert!(
            finding.causes.contains(&Cause::NeutralLeadBroken)
                && finding.causes.contains(&Cause::StarGroundOpen)
        );
        assert_eq!(bench.judge.state(), BankState::Closed);
        assert!(!bench.judge.is_identifiable(), "nobody knows what is connected");
        assert!(bench.judge.connected_if_known().iter().all(|y| y.is_nan()));
        bench.neutral = 1.0;
        bench.run(8.0, Bench::Y);
        assert_eq!(bench.found(), []);
    }
}

/// Rack bonded to ground beside the sensor: part of the current flows by, all `y` are low alike.
#[test]
fn a_second_path_to_ground() {
    for share in [0.3, 0.5, 0.6] {
        let mut bench = Bench::healthy(&testing::settings());
        // Enough of a neutral current to see it in.
        bench.third = 0.015;
        bench.voltage = testing::voltages(1.0, (0.02, 10.0), (0.036, 20.0));
        bench.run(120.0, Bench::Y);
        assert_eq!(bench.found(), []);
        bench.neutral = share;
        bench.run(10.0, Bench::Y);
        let finding = bench.only(Condition::SecondNeutralPath, 0b1000);
        assert!((finding.fraction - (1.0 - share)).abs() < 0.03, "{finding:?}");
        assert_eq!(finding.causes[0], Cause::SecondGround);
    }
}

#[test]
fn doubt_changes_nothing() {
    let mut bench = Bench::healthy(&testing::settings());
    for _ in 0..100 {
        let judged = bench.window(with(Bench::Y, 0, 0.0), true);
        assert!(!judged.is_evidence && judged.operation.is_none());
    }
    assert_eq!(bench.found(), []);
}
