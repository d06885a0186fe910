use proptest::prelude::*;

use super::*;
use crate::testing::{look, voltages};

#[test]
fn the_current_of_a_capacitor_leads_by_a_quarter_and_grows_with_the_frequency() {
    let mut look = look([Phasor::new(1.1, 0.0); 3], [0.0; 3], 0.0);
    look.ratio = 0.99;
    for current in look.unit_currents() {
        assert!((current - Phasor::new(0.0, 1.1 * 0.99)).magnitude() < 1e-6, "{current:?}");
    }
}

/// A 1 % zero-sequence third drives 3·3·1 % = 9 % of the phase current in the neutral (derived).
#[test]
fn a_third_drives_three_times_three() {
    let look = look(voltages(1.0, (0.0, 0.0), (0.0, 0.0)), [1.0; 3], 0.01);
    assert!((look.third - Phasor::new(0.0, 0.09)).magnitude() < 1e-6, "{look:?}");
    assert!(look.neutral.magnitude() < 1e-6);
    assert!((look.level() - 1.0).abs() < 1e-6);
}

#[test]
fn a_past_is_a_mean_and_then_forgets() {
    let at = |value: f32| Look { neutral: Phasor::new(value, 0.0), ..Look::dark(0, 960) };
    let mut past = Past::NONE;
    for n in 0..4_u8 {
        assert!(!past.is_known());
        past.push(&at(f32::from(n)), Phasor::new(0.0, f32::from(n)), Phasor::ZERO);
    }
    assert!((past.neutral - Phasor::new(1.5, 0.0)).magnitude() < 1e-6);
    assert!((past.residual - Phasor::new(0.0, 1.5)).magnitude() < 1e-6);
    for _ in 0..600 {
        past.push(&at(1.0), Phasor::ONE, Phasor::ONE);
    }
    // 12 times 10 s later nothing of the old ones is left.
    assert!(past.is_known() && (past.neutral - Phasor::ONE).magnitude() < 1e-4, "{past:?}");
}

proptest! {
    #[test]
    fn no_number_panics(values in prop::array::uniform16(proptest::num::f32::ANY)) {
        let look = crate::testing::any_look(values);
        let mut past = Past::NONE;
        for _ in 0..300 {
            past.push(&look, look.neutral, look.third);
        }
        let _ = (look.level(), look.explained([f32::NAN; 3]), look.explained_third([f32::INFINITY; 3]));
    }
}
