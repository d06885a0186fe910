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
        // Of the others nothing has been seen.
        for other in (0..3).filter(|other| *other != phase) {
            assert_eq!(estimate.y[other], 1.0);
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
        assert_eq!(estimate.y[missing], 1.0);
    }
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
    estimate.opening([1.06, 0.99, 1.07], 0.012);
    assert!((estimate.common() - 1.04).abs() < 1e-6);
    for (now, before) in differences(estimate.y).into_iter().zip(before) {
        assert!((now - before).abs() < 1e-6);
    }
    assert_eq!((estimate.common_sigma, estimate.basis), (0.012, Basis::Opening));
    // Without any other an opening is all there is.
    let mut estimate = Estimate::default();
    estimate.opening(y, 0.012);
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
            estimate.opening(y, y[1]);
            let _ = estimate.sigma();
        }
    }
}
