//! The bank at node 675 of the IEEE 13-node test feeder: a healthy bank on an unbalanced feeder.

use wyelog_electrical::{LostPhases, Phasor, capacitor, neutral, signature};

use crate::{check, check_polar, half_digit, polar};

/// Node 675 of the IEEE 13-node test feeder, published solution (voltages from memory, confirmed by an independent
/// power-flow solution to 0.0002 pu). 600 kvar, 4.16 kV, 200 kvar a phase.
fn node_675() -> [Phasor; 3] {
    polar([(0.9835, -5.56), (1.0553, -122.52), (0.9758, 116.03)])
}

/// Rated current of that bank in A.
fn rated_675() -> f32 {
    capacitor::rated_current(600e3, 4160.0).unwrap()
}

/// Delivered kvar and currents at node 675 of the IEEE 13-node test feeder from its published voltages, and at 611
/// (100 kvar). The published summary's capacitor line agrees to 0.016 kvar with these (from memory).
#[test]
fn node_675_delivers() {
    let voltages = node_675();
    let kvar = voltages.map(|v| capacitor::delivered(1.0, 200.0, v.magnitude(), 1.0));
    for (found, printed) in kvar.into_iter().zip([193.454, 222.732, 190.437]) {
        check("kvar", found, printed, 3, 220.0);
    }
    check("total", kvar.iter().sum(), 606.623, 3, 660.0);
    let at_611 = capacitor::delivered(1.0, 100.0, 0.9738, 1.0);
    check("611", at_611, 94.829, 3, 100.0);
    check("both", kvar.iter().sum::<f32>() + at_611, 701.452, 3, 760.0);
    for (found, published) in kvar.into_iter().zip([193.443, 222.747]) {
        assert!((found - published).abs() < 0.016, "published {published}, found {found}");
    }
    let rated = rated_675();
    let currents = [(81.8977, 84.44), (87.8766, -32.52), (81.2565, -153.97)];
    for (v, printed) in voltages.into_iter().zip(currents) {
        check_polar("current", v.times_j().scale(rated), printed, (4, 2), 88.0);
    }
    // 100 kvar on the feeder's own base, 4160/√3 V, as the kvar above.
    let at_611 = capacitor::rated_current(300e3, 4160.0).unwrap() * 0.9738;
    check("611 current", at_611, 40.5450, 4, 42.0);
}

/// The neutral current of node 675 with published voltages held (derived): the healthy bank carries 11 % of rated
/// current, and compensation leaves nothing when healthy and the lost phase alone when not.
#[test]
fn node_675_neutral_current() {
    let (voltages, rated) = (node_675(), rated_675());
    let size = 1.06 * f64::from(rated);
    // y of the phases; neutral current and compensated one, A and degrees.
    type NeutralRow = ([f32; 3], (f64, f64), (f64, f64));
    #[rustfmt::skip]
    let rows: [NeutralRow; 7] = [
        ([1.0, 1.0, 1.0], (9.124_825, -8.7512), (0.0, 0.0)),
        ([0.0, 1.0, 1.0], (82.907_751, -89.2511), (81.897_691, -95.56)),
        ([1.0, 0.0, 1.0], (79.610_743, 144.8322), (87.876_597, 147.48)),
        ([1.0, 1.0, 0.0], (88.903_563, 22.6735), (81.256_499, 26.03)),
        ([0.5, 1.0, 1.0], (42.446_094, -83.1655), (40.948_845, -95.56)),
        ([1.0, 0.5, 1.0], (35.776_981, 141.5798), (43.938_298, 147.48)),
        ([1.0, 1.0, 0.5], (48.403_495, 19.8566), (40.628_249, 26.03)),
    ];
    let healthy = neutral::explained(voltages, [1.0; 3], 1.0);
    assert!((healthy.magnitude() - 0.1096).abs() < 0.00005, "a fixed limit of 10 % would alarm: {healthy:?}");
    for (y, neutral_current, compensated) in rows {
        let measured = neutral::explained(voltages, y, 1.0);
        check_polar(&format!("{y:?}"), measured.scale(rated), neutral_current, (6, 4), size);
        let residual = neutral::residual(measured, healthy);
        check_polar(&format!("compensated {y:?}"), residual.scale(rated), compensated, (6, 2), size);
        let lost = neutral::residual_of_loss(voltages, y.map(|y| 1.0 - y), 1.0);
        check_polar(&format!("predicted {y:?}"), lost.scale(rated), compensated, (6, 2), size);
    }
    for (lost, expected) in [
        (LostPhases::A, [0.0, 1.0, 1.0]),
        (LostPhases::B, [1.0, 0.0, 1.0]),
        (LostPhases::C, [1.0, 1.0, 0.0]),
        (LostPhases::AB, [0.0, 0.0, 1.0]),
        (LostPhases::BC, [1.0, 0.0, 0.0]),
        (LostPhases::CA, [0.0, 1.0, 0.0]),
    ] {
        let residual = neutral::explained(voltages, expected, 1.0) - healthy;
        let found = signature::best_match(residual, voltages, [1.0; 3], 1.0).unwrap();
        assert_eq!(found.lost, lost);
        assert!(found.distance < 1e-6 && found.runner_up_distance > 0.97, "{found:?}");
    }
}

/// The same faults **re-solved** on the feeder: the voltages move. Only their magnitudes are printed for the faulty
/// states, so the angles are held at the published ones. A loss moves the voltages by up to 3 % of themselves, the angles
/// by as much in radians: 0.03 on each of the two or three phases that still count makes 0.09 of rated current.
#[test]
fn node_675_resolved() {
    let rated = rated_675();
    // The healthy state is printed in full: magnitudes to five decimals, angles to a thousandth of a degree.
    let healthy = polar([(0.983_54, -5.541), (1.055_18, -122.522), (0.976_01, 116.038)]);
    let neutral = neutral::explained(healthy, [1.0; 3], 1.0).scale(rated);
    let inputs = 3.0 * (5e-6 + half_digit(3).to_radians() * 1.06) * f64::from(rated);
    let expected = Phasor::from_polar_degrees(9.0791, -8.857);
    let error = f64::from((neutral - expected).magnitude());
    assert!(error <= inputs + half_digit(4) + 9.1 * half_digit(3).to_radians(), "{error} A");

    const ANGLES_HELD: f32 = 0.09;
    // Voltages per unit; neutral current, A and degrees; y of the phases.
    type ResolvedRow = ([f32; 3], (f32, f32), [f32; 3]);
    #[rustfmt::skip]
    let rows: [ResolvedRow; 7] = [
        ([0.954_81, 1.056_99, 0.986_99], (84.9392, -90.014), [0.0, 1.0, 1.0]),
        ([0.996_30, 1.024_24, 0.976_11], (81.7732, 144.144), [1.0, 0.0, 1.0]),
        ([0.984_56, 1.064_72, 0.947_22], (90.6251, 22.205), [1.0, 1.0, 0.0]),
        ([0.968_99, 1.056_03, 0.981_60], (43.9637, -84.529), [0.5, 1.0, 1.0]),
        ([0.990_04, 1.039_57, 0.975_97], (37.5859, 140.633), [1.0, 0.5, 1.0]),
        ([0.984_09, 1.060_04, 0.961_21], (49.9183, 19.320), [1.0, 1.0, 0.5]),
        ([0.967_42, 1.026_16, 0.986_87], (82.1784, -154.259), [0.0, 0.0, 1.0]),
    ];
    let names = [
        Some(LostPhases::A),
        Some(LostPhases::B),
        Some(LostPhases::C),
        None,
        None,
        None,
        Some(LostPhases::AB),
    ];
    let [angle_a, angle_b, angle_c] = [-5.541, -122.522, 116.038];
    for (([a, b, c], (amperes, degrees), y), name) in rows.into_iter().zip(names) {
        let voltages = polar([(a, angle_a), (b, angle_b), (c, angle_c)]);
        let measured = Phasor::from_polar_degrees(amperes / rated, degrees);
        let explained = neutral::explained(voltages, y, 1.0);
        assert!((measured - explained).magnitude() < ANGLES_HELD, "{y:?}: {measured:?} {explained:?}");

        let residual = neutral::residual(measured, neutral::explained(voltages, [1.0; 3], 1.0));
        let found = signature::best_match(residual, voltages, [1.0; 3], 1.0).unwrap();
        match name {
            Some(lost) => {
                assert_eq!(found.lost, lost, "{found:?}");
                assert!(found.distance < ANGLES_HELD && found.runner_up_distance > 0.8, "{found:?}");
            }
            // Half a phase is as far from a whole loss as from none.
            None => assert!(found.distance > 0.4 && found.healthy_distance > 0.4, "{found:?}"),
        }
        let common = y.iter().sum::<f32>() / 3.0;
        let deltas = neutral::differences(residual, voltages, 1.0).unwrap();
        for (delta, y) in deltas.into_iter().zip(y) {
            // A balanced feeder turns a residual error e into at most ⅔·e of one Δy; V0 of 4 % leaks the common part.
            let leak = 3.0 * (1.0 - common) * 0.04;
            assert!((delta - (y - common)).abs() < ANGLES_HELD * 2.0 / 3.0 + leak, "{y}: {delta} {common}");
        }
    }
    // A stuck pole reads "A and B open"; an open bank carries nothing.
    let open = polar([(0.968_45, angle_a), (1.035_62, angle_b), (0.957_44, angle_c)]);
    assert_eq!(neutral::explained(open, [0.0; 3], 1.0).magnitude(), 0.0);
}
