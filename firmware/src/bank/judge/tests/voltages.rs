//! Voltages that are not to be trusted.

use super::*;

/// A broken lead floats at 2–40 % of a neighbour: the phase is alive, the bank whole.
#[test]
fn a_broken_lead_is_a_lost_signal() {
    for phase in 0..3 {
        for neighbour in [(phase + 1) % 3, (phase + 2) % 3] {
            for part in [0.0, 0.02, 0.1, 0.2, 0.3, 0.4] {
                let mut bench = Bench::healthy(&testing::settings());
                bench.shown[phase] = Some(bench.voltage[neighbour].scale(part));
                bench.run(6.0, Bench::Y);
                let finding = bench.only(Condition::VoltageSignalLost, 1 << phase);
                assert_eq!(finding.begin, 15 * 4800, "{phase} {part}");
                assert_eq!(finding.causes[0], Cause::VoltageLeadBroken);
                assert_eq!(bench.judge.state(), BankState::Closed);
                // It says nothing of the feeder.
                assert_eq!(bench.judge.blind(), 1 << phase);
                // And comes back.
                bench.shown[phase] = None;
                bench.run(2.0, Bench::Y);
                assert_eq!(bench.found(), [], "{phase} {part}");
            }
        }
    }
}

/// An open feeder phase is backfed: 0.05–0.95 pu at a foreign angle. The capacitor on it carries what that voltage
/// drives.
#[test]
fn a_backfed_phase_is_open_upstream() {
    for phase in 0..3 {
        for (size, degrees) in [(0.3, 180.0), (0.5, 180.0), (0.6, 120.0), (0.9, 90.0), (0.95, -60.0)] {
            let mut bench = Bench::healthy(&testing::settings());
            let own = bench.voltage[phase];
            bench.voltage[phase] = own.scale(size).rotate_degrees(degrees);
            bench.run(8.0, Bench::Y);
            let found = bench.found();
            assert!(
                found.contains(&(Condition::OpenPhaseUpstream, 1 << phase)),
                "{size} {degrees}: {found:?}"
            );
            // Nothing is wrong with the bank or its sensors.
            assert!(
                found.iter().all(|(condition, _)| !condition.concerns_bank()),
                "{size} {degrees}: {found:?}"
            );
            bench.voltage[phase] = own;
            bench.run(3.0, Bench::Y);
            assert_eq!(bench.found(), [], "{size} {degrees}");
        }
    }
}

/// Two open phases leave one voltage to go by: that of the size that all had.
#[test]
fn two_open_phases_are_open_upstream() {
    for healthy in 0..3 {
        for sizes in [(0.21, 0.78), (0.88, 0.4), (0.54, 0.89), (0.65, 0.28), (0.9, 0.06)] {
            let mut bench = Bench::healthy(&testing::settings());
            let gone = [(healthy + 1) % 3, (healthy + 2) % 3];
            for (phase, (size, degrees)) in gone.into_iter().zip([(sizes.0, 70.0), (sizes.1, 160.0)]) {
                let v = &mut bench.voltage[phase];
                *v = v.scale(size).rotate_degrees(degrees);
            }
            bench.run(8.0, Bench::Y);
            let phases = (1 << gone[0]) | (1 << gone[1]);
            bench.only(Condition::OpenPhaseUpstream, phases);
        }
    }
}

/// A fuse blows while the lead of another phase is broken: both are said.
#[test]
fn a_fuse_is_named_beside_a_broken_lead() {
    for location in [Location::Line, Location::FuseSwitch, Location::Capacitor] {
        for broken in 0..3 {
            for blown in [(broken + 1) % 3, (broken + 2) % 3] {
                for part in [0.02, 0.2, 0.4] {
                    let mut bench = Bench::healthy(&located(location));
                    let neighbour = 3 - broken - blown;
                    bench.shown[broken] = Some(bench.voltage[neighbour].scale(part));
                    bench.run(6.0, Bench::Y);
                    bench.only(Condition::VoltageSignalLost, 1 << broken);
                    let y = with(Bench::Y, blown, 0.0);
                    if location != Location::Line {
                        bench.shown[blown] = Some(Phasor::ZERO);
                    }
                    bench.strikes(y);
                    bench.run(8.0, y);
                    let found = bench.found();
                    let both =
                        [(Condition::BlownFuse, 1 << blown), (Condition::VoltageSignalLost, 1 << broken)];
                    assert!(both.iter().all(|one| found.contains(one)), "{location:?} {part}: {found:?}");
                    assert_eq!(found.len(), 2, "{location:?} {part}: {found:?}");
                }
            }
        }
    }
}

/// Behind the cutout a blown fuse takes voltage and current away together: a clean zero.
#[test]
fn a_clean_zero_behind_the_fuse_is_a_fuse() {
    for location in [Location::FuseSwitch, Location::Capacitor] {
        for phase in 0..3 {
            let mut bench = Bench::healthy(&located(location));
            let y = with(Bench::Y, phase, 0.0);
            bench.shown[phase] = Some(Phasor::ZERO);
            bench.strikes(y);
            bench.run(3.0, y);
            let finding = bench.only(Condition::BlownFuse, 1 << phase);
            assert!((finding.fraction - 1.0).abs() < 0.01);
            assert_eq!(finding.causes[0], Cause::FuseOperated);
            assert_eq!(bench.judge.blind(), 1 << phase);
        }
    }
}

/// A sag, unbalance or a swell of the feeder, however it stands: both sides move together.
#[test]
fn disturbances_of_the_feeder_are_nothing() {
    let mut bench = Bench::healthy(&testing::settings());
    let healthy = bench.voltage;
    for sizes in [[0.6, 1.0, 1.0], [0.85, 0.9, 1.05], [0.5, 0.55, 0.5], [1.12, 1.1, 1.13], [0.9, 0.9, 0.2]] {
        for (v, (own, size)) in bench.voltage.iter_mut().zip(healthy.into_iter().zip(sizes)) {
            *v = own.scale(size);
        }
        bench.run(3.0, Bench::Y);
        bench.voltage = healthy;
        bench.run(8.0, Bench::Y);
        assert_eq!(bench.found(), [], "{sizes:?}");
        assert!(bench.operations.is_empty());
    }
}

/// One sensor only, on the control-power phase: a whole lost phase is still named right.
#[test]
fn one_sensor_names_a_whole_phase() {
    for sensor in 0..3 {
        for phase in 0..3 {
            let mut settings = testing::settings();
            for (place, voltage) in settings.sensors.voltage.iter_mut().enumerate() {
                if place != sensor {
                    voltage.kind = wyelog_protocol::bank::SensorKind::Absent;
                }
            }
            let mut bench = Bench::new(&settings);
            for (place, shown) in bench.shown.iter_mut().enumerate() {
                *shown = (place != sensor).then_some(Phasor::ZERO);
            }
            bench.judge.told(true, 0);
            bench.run(15.0, Bench::Y);
            assert_eq!(bench.found(), [], "sensor {sensor}");
            let y = with(Bench::Y, phase, 0.0);
            bench.strikes(y);
            bench.run(3.0, y);
            bench.only(Condition::BlownFuse, 1 << phase);
        }
    }
}
