//! What the switch did, was told to, and did not.

use super::*;
use wyelog_protocol::record::Action;

const OPEN: [f32; 3] = [0.0; 3];

/// Told to, the poles clear: a burst, then nothing.
fn open(bench: &mut Bench) {
    bench.judge.told(false, bench.now);
    bench.strikes(OPEN);
    bench.run(5.0, OPEN);
}

fn close(bench: &mut Bench, y: [f32; 3]) {
    bench.judge.told(true, bench.now);
    bench.strikes(y);
    bench.run(5.0, y);
}

/// An opening, 400 s, and a closing, obeyed.
#[test]
fn to_open_and_to_close() {
    let mut bench = Bench::healthy(&testing::settings());
    let at = bench.now;
    open(&mut bench);
    assert_eq!((bench.judge.state(), bench.found()), (BankState::Open, Vec::new()));
    bench.run(400.0, OPEN);
    close(&mut bench, Bench::Y);
    bench.run(15.0, Bench::Y);
    assert_eq!((bench.judge.state(), bench.found()), (BankState::Closed, Vec::new()));
    let [opening, closing] = &bench.operations[..] else { panic!("{:?}", bench.operations) };
    assert_eq!((opening.action, opening.told, opening.begin), (Action::Opened, Some(true), at + 300));
    assert_eq!((closing.action, closing.told), (Action::Closed, Some(true)));
    assert_eq!(closing.opened, Some(opening.begin));
    assert!((opening.peak - 1.4).abs() < 1e-6);
}

/// Still carrying after an opening: the pole, certainly.
#[test]
fn a_stuck_pole() {
    for phase in 0..3 {
        let mut bench = Bench::healthy(&testing::settings());
        let y = with(OPEN, phase, Bench::Y[phase]);
        bench.judge.told(false, bench.now);
        bench.strikes(y);
        bench.run(4.0, y);
        let finding = bench.only(Condition::PoleFailedToOpen, 1 << phase);
        assert_eq!(finding.causes[0], Cause::PoleStuckClosed);
        assert_eq!(bench.judge.state(), BankState::PartlyClosed);
        // It opens at last.
        bench.strikes(OPEN);
        bench.run(4.0, OPEN);
        assert_eq!((bench.judge.state(), bench.found()), (BankState::Open, Vec::new()));
    }
}

/// A phase that never carried at a closing: ranked by whether it carried before the opening.
#[test]
fn a_phase_missing_at_a_closing() {
    for phase in 0..3 {
        let mut bench = Bench::healthy(&testing::settings());
        open(&mut bench);
        bench.run(400.0, OPEN);
        close(&mut bench, with(Bench::Y, phase, 0.0));
        let finding = bench.only(Condition::PhaseMissingAtClose, 1 << phase);
        // It carried before: a fuse that is open is found out at once, a pole that did not close is not.
        assert_eq!(finding.causes[0], Cause::PoleStuckOpen);
        bench.strikes(Bench::Y);
        bench.run(4.0, Bench::Y);
        assert_eq!(bench.found(), []);
    }
}

/// A fuse that was out before the opening is still that fuse.
#[test]
fn a_fuse_stays_out() {
    let mut bench = Bench::healthy(&testing::settings());
    let y = with(Bench::Y, 1, 0.0);
    bench.strikes(y);
    bench.run(4.0, y);
    bench.judge.told(false, bench.now);
    bench.strikes(OPEN);
    bench.run(400.0, OPEN);
    close(&mut bench, y);
    bench.only(Condition::BlownFuse, 0b010);
}

/// Told to operate, and nothing changes on any phase; said within the 15 s that an operation may take.
#[test]
fn a_switch_that_does_not_follow() {
    let mut bench = Bench::healthy(&testing::settings());
    let at = bench.now;
    bench.judge.told(false, at);
    bench.run(16.0, Bench::Y);
    let finding = bench.only(Condition::FailedToOperate, 0b111);
    assert_eq!(finding.begin, at);
    assert!(finding.causes.contains(&Cause::SwitchStuck) && finding.causes.contains(&Cause::ContactWrong));
    // And one that does not close.
    let mut bench = Bench::healthy(&testing::settings());
    open(&mut bench);
    bench.run(400.0, OPEN);
    bench.judge.told(true, bench.now);
    bench.run(16.0, OPEN);
    bench.only(Condition::FailedToOperate, 0b111);
}

#[test]
fn an_operation_that_nobody_asked_for() {
    let mut bench = Bench::healthy(&testing::settings());
    let at = bench.now;
    bench.strikes(OPEN);
    // The voltage falls by 1.5 % with it.
    bench.voltage = bench.voltage.map(|v| v.scale(0.985));
    bench.run(5.0, OPEN);
    let finding = bench.only(Condition::UnexpectedOperation, 0b111);
    assert_eq!((finding.begin, bench.judge.state()), (at + 300, BankState::Open));
    assert_eq!(bench.operations.len(), 1);
    assert_eq!(bench.operations[0].told, Some(false));
    assert!((bench.operations[0].voltage_step + 0.015).abs() < 0.003, "{:?}", bench.operations[0]);
}

/// Without a contact input there is no telling who asked.
#[test]
fn without_a_contact_input_nothing_is_unexpected() {
    let mut bench = Bench::new(&testing::settings());
    bench.voltage = testing::voltages(1.0, (0.01, 10.0), (0.03, 20.0));
    bench.run(15.0, Bench::Y);
    assert_eq!(bench.judge.state(), BankState::Closed);
    bench.strikes(OPEN);
    bench.run(5.0, OPEN);
    assert_eq!((bench.judge.state(), bench.found()), (BankState::Open, Vec::new()));
    assert_eq!(bench.operations[0].told, None);
}

/// All three came back with the feeder: not an operation.
#[test]
fn energised_with_the_feeder() {
    let mut bench = Bench::healthy(&testing::settings());
    bench.dead(30.0, false);
    bench.run(0.8, Bench::Y);
    bench.only(Condition::EnergisedWithFeeder, 0b111);
    bench.run(5.0, Bench::Y);
    assert_eq!((bench.judge.state(), bench.found()), (BankState::Closed, Vec::new()));
    assert!(bench.operations.is_empty(), "{:?}", bench.operations);
}

/// A bank that is closed again before its charge is gone: five minutes above 600 V (IEEE Std 18).
#[test]
fn closed_while_charged() {
    for (seconds, is_charged) in [(20.0, true), (280.0, true), (320.0, false)] {
        let mut bench = Bench::healthy(&testing::settings());
        open(&mut bench);
        bench.run(seconds, OPEN);
        bench.judge.told(true, bench.now);
        bench.strikes(Bench::Y);
        let mut seen = false;
        for _ in 0..25 {
            bench.run(0.2, Bench::Y);
            seen |= bench.found().contains(&(Condition::ClosedWhileCharged, 0b111));
        }
        assert_eq!(seen, is_charged, "{seconds} s");
    }
}

/// A pole that carries again after it has cleared.
#[test]
fn a_restrike() {
    for phase in 0..3_u8 {
        let mut bench = Bench::healthy(&testing::settings());
        bench.judge.told(false, bench.now);
        bench.burst(Burst { peak: 2.4, returns: 1, phase, ..Burst::default() }, OPEN);
        let mut seen = Vec::new();
        for _ in 0..25 {
            bench.run(0.2, OPEN);
            seen.extend(bench.found());
        }
        assert!(
            !seen.is_empty() && seen.iter().all(|found| *found == (Condition::Restrike, 1 << phase)),
            "{seen:?}"
        );
        assert_eq!(bench.judge.state(), BankState::Open);
    }
}

/// Three drop-outs in ten minutes make a phase intermittent: not three fuses.
#[test]
fn an_intermittent_phase() {
    for phase in 0..3 {
        let mut bench = Bench::healthy(&testing::settings());
        for _ in 0..3 {
            let y = with(Bench::Y, phase, 0.0);
            bench.strikes(y);
            bench.run(3.0, y);
            bench.strikes(Bench::Y);
            bench.run(60.0, Bench::Y);
        }
        let finding = bench.only(Condition::IntermittentPhase, 1 << phase);
        assert_eq!(finding.causes[0], Cause::LooseContact);
    }
    // Two are not, nor are three in an hour.
    let mut bench = Bench::healthy(&testing::settings());
    for _ in 0..3 {
        let y = with(Bench::Y, 0, 0.0);
        bench.strikes(y);
        bench.run(3.0, y);
        bench.strikes(Bench::Y);
        bench.run(1200.0, Bench::Y);
    }
    assert_eq!(bench.found(), []);
}

/// More than twelve operations a day, the limit of the settings.
#[test]
fn too_many_operations() {
    for (operations, is_frequent) in [(12, false), (13, true)] {
        let mut bench = Bench::healthy(&testing::settings());
        let mut seen = false;
        for n in 0..operations {
            let y = if n % 2 == 0 { OPEN } else { Bench::Y };
            bench.judge.told(n % 2 == 1, bench.now);
            bench.strikes(y);
            for _ in 0..400 {
                bench.run(1.0, y);
                seen |= bench.found().contains(&(Condition::FrequentSwitching, 0b111));
            }
        }
        assert_eq!(seen, is_frequent, "{operations}");
    }
}
