use proptest::prelude::*;

use super::*;
use crate::testing::{look, voltages};

/// Node 675 of the IEEE 13-node test feeder, published.
fn node_675() -> [Phasor; 3] {
    [(0.9835, -5.56), (1.0553, -122.52), (0.9758, 116.03)]
        .map(|(size, degrees)| Phasor::from_polar_degrees(size, degrees))
}

fn differences(y: [f32; 3]) -> [f32; 3] {
    let common = (y[0] + y[1] + y[2]) / 3.0;
    y.map(|y| y - common)
}

#[test]
fn at_first_it_is_the_nameplate() {
    let estimate = Estimate::default();
    assert_eq!((estimate.y, estimate.basis), ([1.0; 3], Basis::Nameplate));
    assert!(!estimate.is_known());
    // 0…+10 % of tolerance are a deviation of some percent.
    assert!((0.02..=0.1).contains(&estimate.common_sigma));
    assert!(estimate.sigma().iter().all(|sigma| sigma.is_nan()));
}

#[test]
fn one_phase_alone_is_known_without_any_other() {
    for phase in 0..3 {
        let (mut estimate, mut y) = (Estimate::default(), [0.0; 3]);
        y[phase] = 1.07;
        for _ in 0..40 {
            estimate.alone(&look(node_675(), y, 0.01), 1 << phase);
        }
        assert!((estimate.y[phase] - 1.07).abs() < 1e-3, "{estimate:?}");
        assert_eq!(estimate.basis, Basis::Pole);
        assert!(estimate.common_sigma < 0.02);
        // Of the others nothing has been seen; units of a bank are alike.
        for other in (0..3).filter(|other| *other != phase) {
            assert!((estimate.y[other] - 1.07).abs() < 1e-3);
        }
    }
}

#[test]
fn two_phases_alone_are_told_from_each_other() {
    for missing in 0..3 {
        let (mut estimate, mut y) = (Estimate::default(), [1.06, 0.97, 1.02]);
        y[missing] = 0.0;
        for _ in 0..40 {
            estimate.alone(&look(node_675(), y, 0.01), 0b111 & !(1 << missing));
        }
        for phase in (0..3).filter(|phase| *phase != missing) {
            assert!((estimate.y[phase] - y[phase]).abs() < 1e-3, "{estimate:?}");
        }
        assert!((estimate.y[missing] - (y.iter().sum::<f32>() / 2.0)).abs() < 1e-3);
    }
}

/// A bank that is closed pole by pole: those that carried alone are known, and the last one by its difference from them.
#[test]
fn one_pole_at_a_time_gives_all_three() {
    let y = [1.08, 0.99, 1.05];
    for order in [[0, 1, 2], [2, 0, 1], [1, 2, 0]] {
        let mut estimate = Estimate::default();
        let mut connected = [0.0; 3];
        for (step, phase) in order.into_iter().enumerate() {
            connected[phase] = y[phase];
            let carrying =
                connected.iter().zip([1, 2, 4]).filter(|(y, _)| **y > 0.0).map(|(_, bit)| bit).sum();
            estimate.restart();
            for _ in 0..8 {
                let look = look(node_675(), connected, 0.01);
                if step < 2 { estimate.alone(&look, carrying) } else { estimate.closed(&look) }
            }
        }
        for (found, y) in estimate.y.into_iter().zip(y) {
            assert!((found - y).abs() < 2e-3, "{order:?} {estimate:?}");
        }
        assert_eq!(estimate.basis, Basis::Pole);
        assert!(estimate.common_sigma < 0.03 && estimate.is_known());
    }
}

/// Sensors that show phases alike are good ones, and those that show them far apart are not: until something has changed.
#[test]
fn differences_are_as_sure_as_they_are_small() {
    let sigma_of = |y| {
        let mut estimate = Estimate::default();
        for _ in 0..20 {
            estimate.closed(&look(voltages(1.0, (0.0, 0.0), (0.0, 0.0)), y, 0.0));
        }
        estimate
    };
    let (alike, apart) = (sigma_of([1.02, 1.03, 1.025]), sigma_of([1.02, 0.95, 1.06]));
    assert!((0.002..0.008).contains(&alike.difference_sigma), "{alike:?}");
    assert!((0.02..0.07).contains(&apart.difference_sigma), "{apart:?}");
    let mut less = alike;
    less.lost(1, 0.2);
    less.restart();
    for _ in 0..20 {
        less.closed(&look(voltages(1.0, (0.0, 0.0), (0.0, 0.0)), [1.02, 0.83, 1.025], 0.0));
    }
    assert!((less.difference_sigma - alike.difference_sigma).abs() < 1e-6, "{less:?}");
}

fn with_good_sensors() -> Estimate {
    Estimate::new(Class { own_third: 0.000_2, ..Class::DEFAULT })
}

/// The thirds give the common part where they are large enough, and no better for going on.
#[test]
fn zero_sequence_thirds_give_the_common_part() {
    let y = [1.07, 1.05, 1.09];
    let mut estimate = with_good_sensors();
    let mut sigma = f32::NAN;
    for windows in 0..2000 {
        estimate.closed(&look(node_675(), y, 0.01));
        if windows == 0 {
            sigma = estimate.common_sigma;
        }
    }
    assert_eq!(estimate.basis, Basis::Harmonics);
    assert!((0.02..0.04).contains(&sigma) && (estimate.common_sigma - sigma).abs() < 1e-6, "{estimate:?}");
    // Between the nameplate's and the true one.
    assert!((1.03..1.07).contains(&estimate.common()), "{estimate:?}");
    // What is lost of a phase is not made up for.
    estimate.lost(0, 0.3);
    estimate.restart();
    let before = estimate.common();
    for _ in 0..400 {
        estimate.closed(&look(node_675(), [0.77, 1.05, 1.09], 0.01));
    }
    assert!((estimate.common() - before).abs() < 0.002, "{} {before}", estimate.common());
    // An opening is better, and stays.
    estimate.opening([0.78, 1.06, 1.10], 0.01, 0.006);
    estimate.closed(&look(node_675(), [0.77, 1.05, 1.09], 0.01));
    assert_eq!(estimate.basis, Basis::Opening);
}

#[test]
fn thirds_that_may_be_the_sensors_own_say_nothing() {
    let usual = (Estimate::default(), 0.01, 1.0);
    let small = (with_good_sensors(), 0.002, 1.0);
    let reversed = (with_good_sensors(), 0.01, -1.0);
    for (mut estimate, third, sign) in [usual, small, reversed] {
        let mut look = look(node_675(), [1.07; 3], third);
        look.third = look.third.scale(sign);
        for _ in 0..50 {
            estimate.closed(&look);
        }
        assert_eq!((estimate.basis, estimate.common_sigma), (Basis::Nameplate, NAMEPLATE));
        assert!((estimate.common() - 1.0).abs() < 1e-4);
    }
    // Turned by 12°: not by the neutral's sensor.
    let mut estimate = with_good_sensors();
    let mut turned = look(node_675(), [1.07; 3], 0.01);
    turned.third = turned.third.rotate_degrees(12.0);
    estimate.closed(&turned);
    assert_eq!(estimate.basis, Basis::Nameplate);
}

#[test]
fn an_opening_gives_the_common_part_and_keeps_the_differences() {
    let y = [1.04, 1.01, 1.07];
    let mut estimate = Estimate::default();
    for _ in 0..50 {
        estimate.closed(&look(node_675(), y, 0.01));
    }
    let before = differences(estimate.y);
    // The opening has the common part right and the differences less so.
    estimate.opening([1.06, 0.99, 1.07], 0.012, 0.005);
    assert!((estimate.common() - 1.04).abs() < 1e-6);
    for (now, before) in differences(estimate.y).into_iter().zip(before) {
        assert!((now - before).abs() < 1e-6);
    }
    assert!((estimate.common_sigma - 0.012).abs() < 1e-6 && estimate.basis == Basis::Opening);
    // Where the two disagree the windows are off.
    let apart: f32 = before.into_iter().zip([0.02, -0.05, 0.03]).map(|(a, b)| (a - b) * (a - b)).sum();
    let off = Phasor::new(0.005, libm::sqrtf(apart / 3.0)).magnitude();
    assert!((estimate.difference_sigma - off).abs() < 1e-4 && off > 0.015, "{estimate:?} {off}");
    // It lasts.
    let tested = estimate.difference_sigma;
    estimate.restart();
    estimate.closed(&look(node_675(), y, 0.01));
    assert!((estimate.difference_sigma - tested).abs() < 1e-3);
    // A second opening is wrong in the same way: between the two, and no surer than the better.
    estimate.opening([1.08, 1.01, 1.09], 0.012, 0.005);
    assert!((estimate.common() - 1.05).abs() < 1e-4, "{estimate:?}");
    assert!((estimate.common_sigma - 0.012).abs() < 1e-6);
    estimate.opening([1.08, 1.01, 1.09], 0.04, 0.005);
    assert!((estimate.common() - 1.05).abs() < 2e-3 && estimate.common_sigma < 0.016);
    assert_eq!(estimate.basis, Basis::Opening);
    // Without any other an opening is all there is.
    let mut estimate = Estimate::default();
    estimate.opening(y, 0.012, 0.005);
    assert!(estimate.is_known() && estimate.y == y);
}

#[test]
fn a_deviation_is_of_both_parts() {
    let mut estimate = Estimate::default();
    estimate.closed(&look(node_675(), [1.0; 3], 0.0));
    let both = Phasor::new(estimate.common_sigma, estimate.difference_sigma).magnitude();
    assert!(estimate.sigma().iter().all(|sigma| (sigma - both).abs() < 1e-6));
}

#[test]
fn what_is_lost_is_lost_of_its_phase() {
    let mut estimate = Estimate::default();
    estimate.lost(1, 0.25);
    estimate.lost(2, -0.125);
    estimate.lost(3, 1.0);
    assert_eq!(estimate.y, [1.0, 0.75, 1.125]);
}

proptest! {
    /// The differences are found whatever the feeder; the common part stays what it was. What the nameplate has wrong
    /// of it leaks in with the zero-sequence voltage, and the deviation says so.
    #[test]
    fn closed_windows_give_the_differences(
        u2 in (0.0_f32..0.02, -180.0_f32..180.0),
        u0 in (0.0_f32..0.012, -180.0_f32..180.0),
        y in prop::array::uniform3(0.9_f32..1.1),
        windows in 1_usize..400,
    ) {
        let look = look(voltages(1.0, u2, u0), y, 0.01);
        let mut estimate = Estimate::default();
        for _ in 0..windows {
            estimate.closed(&look);
        }
        prop_assert!((estimate.common() - 1.0).abs() < 1e-4);
        let common = (y[0] + y[1] + y[2]) / 3.0;
        let leak = 3.0 * (common - 1.0).abs() * u0.0;
        for (found, truth) in differences(estimate.y).into_iter().zip(differences(y)) {
            prop_assert!((found - truth).abs() <= leak + 1e-4, "{found} {truth} {leak}");
            prop_assert!((found - truth).abs() <= 2.0 * estimate.difference_sigma);
        }
    }

    /// A minute of windows at most: an hour-old value is forgotten within a few.
    #[test]
    fn it_forgets(before in prop::array::uniform3(0.9_f32..1.1), after in prop::array::uniform3(0.9_f32..1.1)) {
        let balanced = voltages(1.0, (0.0, 0.0), (0.0, 0.0));
        let mut estimate = Estimate::default();
        for (y, windows) in [(before, 1000), (after, 10 * 300)] {
            for _ in 0..windows {
                estimate.closed(&look(balanced, y, 0.0));
            }
        }
        for (found, truth) in differences(estimate.y).into_iter().zip(differences(after)) {
            prop_assert!((found - truth).abs() < 1e-3, "{found} {truth}");
        }
    }

    #[test]
    fn no_number_panics(
        values in prop::array::uniform16(proptest::num::f32::ANY),
        carrying in any::<u8>(),
        phase in any::<usize>(),
        y in prop::array::uniform3(proptest::num::f32::ANY),
    ) {
        let look = crate::testing::any_look(values);
        let mut estimate = Estimate::default();
        for _ in 0..3 {
            estimate.closed(&look);
            estimate.alone(&look, carrying);
            estimate.lost(phase, y[0]);
            estimate.opening(y, y[1], y[2]);
            let _ = estimate.sigma();
        }
    }
}
