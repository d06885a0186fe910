//! Laws of the arithmetic that hold for every input.

use proptest::prelude::*;
use wyelog_electrical::{
    LostPhases, MeanSquare, Phasor, Rotation, SequenceComponents, neutral, signature, unbalance,
};

fn phasor(most: f32) -> impl Strategy<Value = Phasor> {
    (0.0..most, -180.0_f32..180.0).prop_map(|(m, d)| Phasor::from_polar_degrees(m, d))
}

/// Three phases of a feeder in trouble: 0.8 to 1.2 per unit, up to 5° off, in any frame.
fn feeder() -> impl Strategy<Value = [Phasor; 3]> {
    (prop::array::uniform3(0.8_f32..1.2), prop::array::uniform3(-5.0_f32..5.0), -180.0_f32..180.0).prop_map(
        |([a, b, c], [da, db, dc], frame)| {
            [
                Phasor::from_polar_degrees(a, frame + da),
                Phasor::from_polar_degrees(b, frame - 120.0 + db),
                Phasor::from_polar_degrees(c, frame + 120.0 + dc),
            ]
        },
    )
}

fn rotation() -> impl Strategy<Value = Rotation> {
    prop_oneof![Just(Rotation::Abc), Just(Rotation::Acb)]
}

proptest! {
    /// The six parts of the transform are sums of three terms with coefficients of size one.
    #[test]
    fn sequence_round_trip(phases in prop::array::uniform3(phasor(10.0)), rotation in rotation()) {
        let back = SequenceComponents::from_phases(phases, rotation).to_phases(rotation);
        for (p, q) in phases.iter().zip(back) {
            prop_assert!((*p - q).magnitude() < 1e-5, "{p:?} {q:?}");
        }
    }

    /// Turning all three phases turns all components and changes no percentage.
    #[test]
    fn rotation_invariance(phases in feeder(), degrees in -180.0_f32..180.0) {
        let turned = phases.map(|p| p.rotate_degrees(degrees));
        let before = SequenceComponents::from_phases(phases, Rotation::Abc);
        let after = SequenceComponents::from_phases(turned, Rotation::Abc);
        prop_assert!((before.positive.rotate_degrees(degrees) - after.positive).magnitude() < 2e-6);
        prop_assert!((before.negative.rotate_degrees(degrees) - after.negative).magnitude() < 2e-6);
        prop_assert!((before.zero.rotate_degrees(degrees) - after.zero).magnitude() < 2e-6);
        prop_assert!((before.u2_percent().unwrap() - after.u2_percent().unwrap()).abs() < 1e-4);
        prop_assert!((before.u0_percent().unwrap() - after.u0_percent().unwrap()).abs() < 1e-4);
    }

    /// Calling the phases B, C, A leaves all sizes alone; exchanging two exchanges positive and negative.
    #[test]
    fn relabelling(phases in feeder()) {
        let [a, b, c] = phases;
        let own = SequenceComponents::from_phases(phases, Rotation::Abc);
        let shifted = SequenceComponents::from_phases([b, c, a], Rotation::Abc);
        let swapped = SequenceComponents::from_phases([a, c, b], Rotation::Acb);
        prop_assert!((own.positive.magnitude() - shifted.positive.magnitude()).abs() < 1e-6);
        prop_assert!((own.negative.magnitude() - shifted.negative.magnitude()).abs() < 1e-6);
        prop_assert!((own.positive - swapped.positive).magnitude() < 1e-6);
        prop_assert!((own.negative - swapped.negative).magnitude() < 1e-6);
        prop_assert_eq!(Rotation::detect(phases), Some(Rotation::Abc));
        prop_assert_eq!(Rotation::detect([a, c, b]), Some(Rotation::Acb));
    }

    /// u2 from three line-to-line magnitudes is |V2|/|V1|: the triangle is closed by construction.
    #[test]
    fn u2_of_magnitudes_is_the_true_u2(phases in feeder(), scale in 1.0_f32..40_000.0) {
        let phases = phases.map(|p| p.scale(scale));
        let sides = unbalance::line_to_line(phases).map(Phasor::magnitude);
        let beta = unbalance::u2_percent_of_line_to_line(sides).unwrap();
        let truth = SequenceComponents::from_phases(phases, Rotation::Abc).u2_percent().unwrap();
        prop_assert!((beta - truth).abs() < 1e-4, "{beta} {truth}");
    }

    /// No finite input gives a NaN or a negative percentage.
    #[test]
    fn unbalance_is_a_number_or_none(rms in prop::array::uniform3(0.0_f32..f32::MAX)) {
        for definition in [
            unbalance::nema_percent, unbalance::pvur_percent, unbalance::ieee_936_percent,
            unbalance::approximation_82_percent, unbalance::u2_percent_of_line_to_line,
        ] {
            prop_assert!(definition(rms).is_none_or(|u| u.is_finite() && u >= 0.0));
        }
    }

    /// Every whole loss is named right under a disturbance of 0.39 of rated current, on any such feeder: two hypotheses
    /// differ by one phase at least, 0.8 · 0.98, and half of that is the limit.
    #[test]
    fn signature_names_the_lost_phases(
        phases in feeder(), which in 0_usize..6, noise in phasor(0.39), reversed in any::<bool>(),
        frequency in 0.98_f32..1.02,
    ) {
        let [a, b, c] = phases;
        let voltages = if reversed { [a, c, b] } else { phases };
        let lost = LostPhases::ALL[which];
        let measured_loss = lost.residual(voltages, [1.0; 3], frequency) + noise;
        let found = signature::best_match(measured_loss, voltages, [1.0; 3], frequency).unwrap();
        prop_assert_eq!(found.lost, lost);
        prop_assert!((found.distance - noise.magnitude()).abs() < 1e-5);
        let mut others: Vec<f32> = LostPhases::ALL
            .into_iter()
            .filter(|other| *other != lost)
            .map(|other| (measured_loss - other.residual(voltages, [1.0; 3], frequency)).magnitude())
            .collect();
        others.sort_by(f32::total_cmp);
        prop_assert_eq!(found.runner_up_distance, others[0]);
        let runner_up = found.runner_up.residual(voltages, [1.0; 3], frequency);
        prop_assert_eq!(found.runner_up_distance, (measured_loss - runner_up).magnitude());
        prop_assert!(found.runner_up_distance > 0.8 * 0.98 - noise.magnitude() - 1e-5);
    }

    /// A residual is made of the same Δy that is read from it, and they sum to zero.
    #[test]
    fn differences_come_back(phases in feeder(), a in -0.6_f32..0.4, b in -0.6_f32..0.4, frequency in 0.98_f32..1.02) {
        let delta = [a, b, -a - b];
        let residual = neutral::explained(phases, delta, frequency);
        let found = neutral::differences(residual, phases, frequency).unwrap();
        for (d, f) in delta.iter().zip(found) {
            prop_assert!((d - f).abs() < 5e-6, "{delta:?} {found:?}");
        }
        prop_assert!(found.iter().sum::<f32>().abs() < 5e-6);
    }

    /// The residual of a healthy bank is nothing, however unbalanced the feeder.
    #[test]
    fn feeder_unbalance_leaves_no_residual(phases in feeder(), y in prop::array::uniform3(0.9_f32..1.1)) {
        let explained = neutral::explained(phases, y, 1.0);
        let by_phase: Phasor = phases.iter().zip(y).map(|(v, y)| (Phasor::J * *v).scale(y)).sum();
        prop_assert!(neutral::residual(by_phase, explained).magnitude() < 1e-6);
    }

    /// An aggregate lies between its least and its greatest value.
    #[test]
    fn aggregate_is_between(values in prop::collection::vec(0.1_f32..2.0, 1..200)) {
        let mut sum = MeanSquare::new();
        for v in &values {
            prop_assert!(sum.push(*v));
        }
        let rms = sum.rms().unwrap();
        let least = values.iter().copied().fold(2.0, |a, b| if b < a { b } else { a });
        let most = values.iter().copied().fold(0.0, |a, b| if b > a { b } else { a });
        prop_assert!(rms >= least * 0.999_999 && rms <= most * 1.000_001);
    }
}
