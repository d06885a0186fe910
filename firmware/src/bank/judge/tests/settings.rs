//! Settings that do not match what hangs there: said in words, instead of a wrong alarm.

use super::*;

fn mismatch(bench: &Bench) -> &'static [Cause] {
    bench.only(Condition::SettingsMismatch, 0b111).causes
}

/// Third harmonics tell the sign: a reversed neutral turns 'A out' into 'B and C out' otherwise.
#[test]
fn a_reversed_neutral() {
    let mut bench = Bench::new(&testing::settings());
    bench.third = 0.015;
    bench.neutral = -1.0;
    bench.judge.told(true, 0);
    bench.run(15.0, Bench::Y);
    assert_eq!(mismatch(&bench)[0], Cause::NeutralReversed);
    // And a fuse is named right all the same.
    for phase in 0..3 {
        let mut bench = Bench::new(&testing::settings());
        (bench.third, bench.neutral) = (0.015, -1.0);
        bench.judge.told(true, 0);
        bench.run(15.0, Bench::Y);
        let y = with(Bench::Y, phase, 0.0);
        bench.strikes(y);
        bench.run(3.0, y);
        let bank: Vec<_> = bench.found().into_iter().filter(|f| f.0 != Condition::SettingsMismatch).collect();
        assert_eq!(bank, [(Condition::BlownFuse, 1 << phase)]);
    }
}

/// Twice the kvar of the nameplate, and half of them.
#[test]
fn the_kvar_of_another_bank() {
    for factor in [2.0, 0.5] {
        let mut bench = Bench::new(&testing::settings());
        bench.third = 0.02;
        bench.judge.told(true, 0);
        bench.run(15.0, [1.02, 1.01, 1.03].map(|y| y * factor));
        assert!(mismatch(&bench).contains(&Cause::NameplateWrong), "{factor}");
    }
}

/// Told to sit behind the switch, the sensors show the feeder though the bank is open.
#[test]
fn sensors_that_sit_elsewhere() {
    let mut bench = Bench::healthy(&located(Location::Capacitor));
    bench.judge.told(false, bench.now);
    bench.strikes([0.0; 3]);
    bench.run(10.0, [0.0; 3]);
    assert_eq!(mismatch(&bench)[0], Cause::LocationWrong);
}

#[test]
fn settings_that_match_are_not_blamed() {
    for third in [0.001, 0.005, 0.01, 0.02] {
        let mut bench = Bench::new(&testing::settings());
        bench.third = third;
        bench.judge.told(true, 0);
        bench.run(60.0, Bench::Y);
        assert_eq!(bench.found(), [], "{third}");
    }
}

/// A bank without a grounded star point draws no neutral current, from the first day; one that has been seen to answer is connected
/// as the settings say.
#[test]
fn a_bank_that_never_answered() {
    for is_known in [false, true] {
        let mut bench = Bench::new(&testing::settings());
        (bench.third, bench.neutral) = (0.02, 0.0);
        if is_known {
            bench.judge.resume(Bench::Y, 0.01);
        }
        bench.judge.told(true, 0);
        bench.run(15.0, Bench::Y);
        let causes = bench.only(Condition::NeutralSignalLost, 0b1000).causes;
        assert_eq!(
            causes.iter().position(|cause| *cause == Cause::ConnectionWrong),
            (!is_known).then_some(1)
        );
    }
}
