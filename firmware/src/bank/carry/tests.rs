use proptest::prelude::*;
use wyelog_electrical::Phasor;

use super::*;
use crate::testing::{look, voltages};

/// How far the current may be from what a set carries: the limit of the settings.
const LIMIT: f32 = 0.3;

/// Voltages with u0 and u2 up to 2 %, size 0.9 to 1.1.
fn feeder() -> impl Strategy<Value = [Phasor; 3]> {
    let part = || (0.0_f32..=0.02, -180.0_f32..180.0);
    (0.9_f32..=1.1, part(), part()).prop_map(|(size, u2, u0)| voltages(size, u2, u0))
}

/// A tolerance of ±10 %.
fn tolerant() -> impl Strategy<Value = [f32; 3]> {
    prop::array::uniform3(0.9_f32..=1.1)
}

proptest! {
    #[test]
    fn every_part_of_the_phases_is_named(feeder in feeder(), y in tolerant(), mask in 1_u8..7, third in 0.0_f32..0.02) {
        let look = look(feeder, masked(y, mask), third);
        prop_assert_eq!(carry(&look, [1.0; 3], 0b111, LIMIT), Carry::Part(mask));
    }

    #[test]
    fn none_and_all_are_no_part(feeder in feeder(), y in tolerant(), third in 0.0_f32..0.02, all in any::<bool>()) {
        let mask = if all { 0b111 } else { 0 };
        let look = look(feeder, masked(y, mask), third);
        prop_assert_eq!(carry(&look, [1.0; 3], 0b111, LIMIT), Carry::NoneOrAll);
    }

    /// A bank of two phases, whichever they are; of one, there is no part.
    #[test]
    fn phases_that_the_bank_does_not_have_are_not_named(feeder in feeder(), y in tolerant(), missing in 0_usize..3) {
        let all = 0b111 & !(1_u8 << missing);
        for mask in 1..7_u8 {
            if mask & !all == 0 && mask != all {
                let look = look(feeder, masked(y, mask), 0.01);
                prop_assert_eq!(carry(&look, [1.0; 3], all, LIMIT), Carry::Part(mask));
            }
        }
        let alone = 1_u8 << missing;
        for mask in [0, alone] {
            let look = look(feeder, masked(y, mask), 0.01);
            let seen = carry(&look, [1.0; 3], alone, LIMIT);
            prop_assert!(!matches!(seen, Carry::Part(_)), "{seen:?}");
        }
    }

    /// With what each is known to have, a bank of half its nameplate is as clear.
    #[test]
    fn the_estimate_counts_not_the_nameplate(
        feeder in feeder(),
        y in prop::array::uniform3(0.45_f32..=1.4),
        mask in 1_u8..7,
    ) {
        let look = look(feeder, masked(y, mask), 0.0);
        prop_assert_eq!(carry(&look, y, 0b111, LIMIT), Carry::Part(mask));
    }

    #[test]
    fn what_no_set_explains_is_unclear(feeder in feeder(), angle in -180.0_f32..180.0) {
        let look = Look { neutral: Phasor::from_polar_degrees(2.0, angle), ..look(feeder, [0.0; 3], 0.0) };
        prop_assert_eq!(carry(&look, [1.0; 3], 0b111, LIMIT), Carry::Unclear);
    }

    /// Third harmonics, which all phases have in common, tell none from all where the fundamental does not.
    #[test]
    fn a_third_tells_none_from_all(y in tolerant(), third in 0.01_f32..0.03) {
        let balanced = voltages(1.0, (0.0, 0.0), (0.0, 0.0));
        let stray = [Phasor::ZERO; 2];
        let [none, all] = none_and_all(&look(balanced, [0.0; 3], third), [1.0; 3], 0b111, stray);
        prop_assert!(none < 0.5 * all, "{none} {all}");
        // Of the same y nothing is left.
        let [none, all] = none_and_all(&look(balanced, y, third), y, 0b111, stray);
        prop_assert!(all < 1e-5 && none > 0.05, "{none} {all}");
    }

    #[test]
    fn no_number_panics(
        values in prop::array::uniform16(proptest::num::f32::ANY),
        y in prop::array::uniform3(proptest::num::f32::ANY),
        all in any::<u8>(),
        limit in proptest::num::f32::ANY,
    ) {
        let look = crate::testing::any_look(values);
        let _ = carry(&look, y, all, limit);
        let _ = none_and_all(&look, y, all, [look.neutral, look.third]);
    }
}

#[test]
fn a_current_that_is_not_a_number_is_nobodys() {
    let mut look = look(voltages(1.0, (0.0, 0.0), (0.0, 0.0)), [1.0; 3], 0.0);
    look.neutral = Phasor::new(f32::NAN, 0.0);
    assert_eq!(carry(&look, [1.0; 3], 0b111, LIMIT), Carry::Unclear);
}

#[test]
fn sets_are_bits() {
    for mask in 0..8_u8 {
        for phase in 0..3 {
            let is_in = mask >> phase & 1 == 1;
            assert_eq!(has(mask, phase), is_in);
            assert_eq!(masked([2.0, 3.0, 4.0], mask)[phase] != 0.0, is_in);
        }
        assert!(!has(mask, 3));
    }
}
