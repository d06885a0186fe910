//! Neutral current and voltages of a bank with units, groups or phases lost, on a balanced feeder.

use wyelog_electrical::{
    MeanSquare, Phasor, SQRT_3, capacitor,
    group::{GroupLoss, ShortedGroup},
    neutral,
};

use crate::{check, check_polar, check_some};

/// S, N, F; r, I_N, V_R (grounded wye); V_NG, V_R (ungrounded). Method of IEEE C37.99, rows derived by nodal analysis.
#[test]
fn units_lost_in_a_group() {
    type GroupRow = (u16, u16, u16, f64, f64, Option<f64>, f64, Option<f64>);
    #[rustfmt::skip]
    let rows: [GroupRow; 11] = [
        (1, 1, 1, 0.0,      1.000000, None,           0.500000, None),
        (1, 2, 1, 0.500000, 0.500000, Some(1.000000), 0.200000, Some(1.200000)),
        (1, 3, 1, 0.666667, 0.333333, Some(1.000000), 0.125000, Some(1.125000)),
        (1, 4, 1, 0.750000, 0.250000, Some(1.000000), 0.090909, Some(1.090909)),
        (1, 6, 1, 0.833333, 0.166667, Some(1.000000), 0.058824, Some(1.058824)),
        (1, 6, 2, 0.666667, 0.333333, Some(1.000000), 0.125000, Some(1.125000)),
        (2, 4, 1, 0.857143, 0.142857, Some(1.142857), 0.050000, Some(1.200000)),
        (2, 6, 1, 0.909091, 0.090909, Some(1.090909), 0.031250, Some(1.125000)),
        (2, 6, 2, 0.800000, 0.200000, Some(1.200000), 0.071429, Some(1.285714)),
        (3, 10, 1, 0.964286, 0.035714, Some(1.071429), 0.012048, Some(1.084337)),
        (4, 8, 1, 0.965517, 0.034483, Some(1.103448), 0.011628, Some(1.116279)),
    ];
    for (s, n, f, r, i_n, v_r, v_ng, v_r_ungrounded) in rows {
        let loss = GroupLoss::new(s, n, f).unwrap();
        let name = format!("{s},{n},{f}");
        check(&format!("{name} r"), loss.phase_ratio(), r, 6, 1.0);
        check(&format!("{name} I_N"), loss.neutral_current(), i_n, 6, 1.0);
        check(&format!("{name} V_NG"), loss.ungrounded_neutral_voltage(), v_ng, 6, 1.0);
        for (what, found, printed) in [
            ("V_R", loss.group_voltage(), v_r),
            ("ungrounded V_R", loss.ungrounded_group_voltage(), v_r_ungrounded),
        ] {
            match printed {
                Some(printed) => check_some(&format!("{name} {what}"), found, printed, 6, 1.3),
                None => assert_eq!(found, None, "{name} {what}"),
            }
        }
    }
}

/// One group shorted: I_N, voltage on the others (grounded), V_NG (ungrounded). IEEE C37.99 method, derived.
#[test]
fn a_group_shorted() {
    for (s, i_n, v_r, v_ng) in [
        (2, 1.000_000, 2.000_000, 0.250_000),
        (3, 0.500_000, 1.500_000, 0.142_857),
        (4, 0.333_333, 1.333_333, 0.100_000),
        (5, 0.250_000, 1.250_000, 0.076_923),
    ] {
        let shorted = ShortedGroup::new(s).unwrap();
        check("I_N", shorted.neutral_current(), i_n, 6, 1.0);
        check("V_R", shorted.phase_ratio(), v_r, 6, 2.0);
        check("V_NG", shorted.ungrounded_neutral_voltage(), v_ng, 6, 1.0);
    }
}

/// Smallest N that keeps V_R ≤ 1.10 with one unit out, S = 1…12 (derived; the first five agree with the minimum-units
/// table of IEEE C37.99 as remembered).
#[test]
fn smallest_number_of_units() {
    let grounded = [1, 6, 8, 9, 9, 10, 10, 10, 10, 10, 10, 11];
    let ungrounded = [4, 8, 9, 10, 10, 10, 10, 11, 11, 11, 11, 11];
    let fits = |v: Option<f32>| v.is_none_or(|v| v <= 1.10);
    for (s, (g, u)) in (1..=12).zip(grounded.into_iter().zip(ungrounded)) {
        let smallest = |voltage: fn(GroupLoss) -> Option<f32>| {
            // From two units: the loss of an only one opens the phase and leaves no voltage to limit. The only group of a
            // grounded phase is held by the supply, so there one is enough.
            let least = if s == 1 && voltage(GroupLoss::new(1, 2, 1)?) == Some(1.0) { 1 } else { 2 };
            (least..20).find(|n| fits(GroupLoss::new(s, *n, 1).and_then(voltage)))
        };
        assert_eq!(smallest(GroupLoss::group_voltage), Some(g), "grounded, S = {s}");
        assert_eq!(smallest(GroupLoss::ungrounded_group_voltage), Some(u), "ungrounded, S = {s}");
    }
}

/// Angle and size of the neutral current of a 600 kvar, 12.47 kV bank on a balanced feeder (IEEE C37.99 method,
/// derived), in A∠degrees with V_A at 0°, and the same through the residual.
#[test]
fn neutral_current_of_a_faulty_bank() {
    let rated = capacitor::rated_current(600e3, 12_470.0).unwrap();
    let voltages = Phasor::balanced(1.0);
    let third = 1.0 - 1.0 / 3.0;
    #[rustfmt::skip]
    let rows: [([f32; 3], f64, f64); 13] = [
        ([0.0, 1.0, 1.0], 27.7795, -90.0), ([1.0, 0.0, 1.0], 27.7795, 150.0), ([1.0, 1.0, 0.0], 27.7795, 30.0),
        ([2.0, 1.0, 1.0], 27.7795, 90.0), ([1.0, 2.0, 1.0], 27.7795, -30.0), ([1.0, 1.0, 2.0], 27.7795, -150.0),
        ([0.0, 0.0, 1.0], 27.7795, -150.0), ([0.5, 0.5, 0.5], 0.0, 0.0), ([0.5, 1.0, 1.0], 13.8897, -90.0),
        ([third, 1.0, 1.0], 9.2598, -90.0), ([0.5, 0.5, 1.0], 13.8897, -150.0), ([1.05, 1.0, 1.0], 1.3890, 90.0),
        ([1.0, 1.0, 1.0], 0.0, 0.0),
    ];
    for (y, amperes, degrees) in rows {
        let neutral = neutral::explained(voltages, y, 1.0).scale(rated);
        check_polar(&format!("{y:?}"), neutral, (amperes, degrees), (4, 6), f64::from(rated));
        let healthy = neutral::explained(voltages, [1.0; 3], 1.0).scale(rated);
        let residual = neutral::residual(neutral, healthy);
        check_polar(&format!("residual {y:?}"), residual, (amperes, degrees), (4, 6), f64::from(rated));
    }
}

/// Zero-sequence third harmonic: 1 % of voltage drives 3·3·1 % = 9 % of phase current, 3 % drives 27 % (derived).
#[test]
fn third_harmonic_in_the_neutral() {
    for (volts, current) in [(0.01, 0.09), (0.03, 0.27)] {
        let third = [Phasor::new(volts, 0.0); 3];
        check_polar("third", neutral::explained(third, [1.0; 3], 3.0), (current, 90.0), (6, 6), 0.3);
    }
}

/// IEEE Std 1459 effective current of a four-wire load, ρ = 1: I_e = √((Ia² + Ib² + Ic² + In²)/3). The trap (derived): it
/// is the same with one fuse blown as with none, because the neutral takes the place of the lost phase. Expected: I_r, I_r,
/// and I_r·√(2.5/3) with half of A gone, I_r = 27.779484 A.
#[test]
fn effective_current_is_no_fault_detector() {
    let rated = capacitor::rated_current(600e3, 12_470.0).unwrap();
    let effective = |y: [f32; 3]| {
        let voltages = Phasor::balanced(1.0);
        let neutral = neutral::explained(voltages, y, 1.0);
        let mut squares = MeanSquare::new();
        for current in [y[0], y[1], y[2], neutral.magnitude()] {
            assert!(squares.push(current * rated));
        }
        // Mean of four times 4/3 is the sum over three.
        squares.rms().map(|rms| rms * 2.0 / SQRT_3)
    };
    check_some("healthy", effective([1.0; 3]), 27.7795, 4, 28.0);
    check_some("one fuse blown", effective([0.0, 1.0, 1.0]), 27.7795, 4, 28.0);
    check_some("half of A", effective([0.5, 1.0, 1.0]), 25.3591, 4, 28.0);
}
