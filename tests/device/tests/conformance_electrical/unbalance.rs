//! Unbalance under every definition, symmetrical components, aggregation.

use wyelog_electrical::{MeanSquare, Phasor, Rotation, SequenceComponents, neutral, unbalance};

use crate::{check, check_polar, check_some, polar};

/// NEMA MG 1 (the 460/467/450 example), ANSI C84.1 Annex C (230/232/225), IEC 61000-4-30 5.7.1 and IEC 61000-4-27 (β
/// formula), the 82-approximation. Examples from memory; all rows derived.
#[test]
fn unbalance_of_line_to_line_values() {
    let rows: [([f32; 3], f64, f64, f64); 7] = [
        ([460.0, 467.0, 450.0], 1.96078, 2.14646, 2.15863),
        ([230.0, 232.0, 225.0], 1.74672, 1.81286, 1.82585),
        ([480.0, 476.0, 472.0], 0.84034, 0.97039, 0.97450),
        ([104.0, 100.0, 96.0], 4.00000, 4.62405, 4.63862),
        ([110.0, 100.0, 90.0], 10.00000, 11.63054, 11.59655),
        ([12470.0, 12340.0, 12580.0], 0.98957, 1.11269, 1.11784),
        ([100.0, 100.0, 100.0], 0.0, 0.0, 0.0),
    ];
    for (v, nema, u2, approximation) in rows {
        check_some(&format!("NEMA {v:?}"), unbalance::nema_percent(v), nema, 5, 100.0);
        check_some(&format!("u2 {v:?}"), unbalance::u2_percent_of_line_to_line(v), u2, 5, 100.0);
        check_some(&format!("82 {v:?}"), unbalance::approximation_82_percent(v), approximation, 5, 100.0);
    }
}

/// Traps of the β formula: NaN on a balanced set, lost digits near balance (all derived).
#[test]
fn unbalance_traps_of_beta() {
    check_some("balanced", unbalance::u2_percent_of_line_to_line([12_470.766; 3]), 0.0, 5, 100.0);
    let near = [
        ([12470.0, 12469.0, 12471.0], 0.00926, 5),
        ([12470.0, 12460.0, 12480.0], 0.0926, 4),
        ([12470.0, 12340.0, 12580.0], 1.11269, 5),
    ];
    for (v, u2, digits) in near {
        check_some(&format!("{v:?}"), unbalance::u2_percent_of_line_to_line(v), u2, digits, 10.0);
    }
    // A bank wired A, C, B: β is blind to it, the phasors are not.
    let [a, b, c] = Phasor::balanced(7200.0);
    let sides = unbalance::line_to_line([a, c, b]).map(Phasor::magnitude);
    check_some("ACB by β", unbalance::u2_percent_of_line_to_line(sides), 0.0, 5, 100.0);
    assert_eq!(SequenceComponents::from_phases([a, c, b], Rotation::Abc).u2_percent(), None);
    assert_eq!(Rotation::detect([a, c, b]), Some(Rotation::Acb));
}

/// One row of the table of three phase phasors.
struct Row {
    name: &'static str,
    phases: [(f32, f32); 3],
    positive: (f64, f64),
    negative: (f64, f64),
    zero: (f64, f64),
    /// Printed decimals of the magnitudes.
    digits: [i32; 3],
    u2: f64,
    u0: f64,
    nema: f64,
    pvur: f64,
    ieee_936: f64,
}

/// IEC 61000-4-30 5.7 (u2, u0), NEMA MG 1, IEEE Std 112 (phase form), IEEE Std 936; all rows derived. The published
/// voltages of three nodes of the IEEE 13-node test feeder are among them.
#[test]
fn unbalance_of_phase_phasors() {
    #[rustfmt::skip]
    let rows = [
        Row { name: "7200, 7056, 7344", phases: [(7200.0, 0.0), (7056.0, -120.0), (7344.0, 120.0)],
            positive: (7200.0, 0.0), negative: (83.138_439, -90.0), zero: (83.138_439, 90.0), digits: [0, 6, 6],
            u2: 1.15470, u0: 1.15470, nema: 1.00162, pvur: 2.0, ieee_936: 4.0 },
        Row { name: "angle only", phases: [(7200.0, 0.0), (7200.0, -122.0), (7200.0, 118.0)],
            positive: (7199.025, -1.3334), negative: (83.771_551, 89.0), zero: (83.771_551, 89.0), digits: [3, 6, 6],
            u2: 1.16365, u0: 1.16365, nema: 1.01279, pvur: 0.0, ieee_936: 0.0 },
        Row { name: "A at 0.9", phases: [(0.9, 0.0), (1.0, -120.0), (1.0, 120.0)],
            positive: (0.966_667, 0.0), negative: (0.033_333, 180.0), zero: (0.033_333, 180.0), digits: [6, 6, 6],
            u2: 3.44828, u0: 3.44828, nema: 3.41700, pvur: 6.89655, ieee_936: 10.34483 },
        Row { name: "half sag", phases: [(138.5, 0.0), (277.0, -120.0), (277.0, 120.0)],
            positive: (230.8333, 0.0), negative: (46.16667, 180.0), zero: (46.16667, 180.0), digits: [4, 5, 5],
            u2: 20.0, u0: 20.0, nema: 18.69318, pvur: 40.0, ieee_936: 60.0 },
        Row { name: "phase lost", phases: [(0.0, 0.0), (1.0, -120.0), (1.0, 120.0)],
            positive: (0.666_667, 0.0), negative: (0.333_333, 180.0), zero: (0.333_333, 180.0), digits: [6, 6, 6],
            u2: 50.0, u0: 50.0, nema: 39.23048, pvur: 100.0, ieee_936: 150.0 },
        Row { name: "675", phases: [(0.9835, -5.56), (1.0553, -122.52), (0.9758, 116.03)],
            positive: (1.004_628, -3.9811), negative: (0.020_674, 149.2815), zero: (0.036_526, -98.7512),
            digits: [6, 6, 6], u2: 2.05791, u0: 3.63581, nema: 1.83128, pvur: 5.01891, ieee_936: 7.91150 },
        Row { name: "RG60", phases: [(1.0625, 0.0), (1.05, -120.0), (1.0687, 120.0)],
            positive: (1.060_400, 0.0), negative: (0.005_499, -78.9929), zero: (0.005_499, 78.9929),
            digits: [6, 6, 6], u2: 0.51862, u0: 0.51862, nema: 0.48985, pvur: 0.98076, ieee_936: 1.76349 },
        Row { name: "632", phases: [(1.0210, -2.49), (1.0420, -121.72), (1.0174, 117.83)],
            positive: (1.026_784, -2.1238), negative: (0.006_507, 141.8012), zero: (0.010_371, -95.1409),
            digits: [6, 6, 6], u2: 0.63373, u0: 1.01003, nema: 0.57994, pvur: 1.48033, ieee_936: 2.39579 },
    ];
    for row in rows {
        let (name, phases) = (row.name, polar(row.phases));
        let size = f64::from(row.phases[1].0);
        let components = SequenceComponents::from_phases(phases, Rotation::Abc);
        let [d1, d2, d0] = row.digits;
        check_polar(&format!("{name} V1"), components.positive, row.positive, (d1, 4), size);
        check_polar(&format!("{name} V2"), components.negative, row.negative, (d2, 4), size);
        check_polar(&format!("{name} V0"), components.zero, row.zero, (d0, 4), size);
        // Percentages of V1: what rounding does to V2 and V0 counts against the smaller V1.
        let scale = 100.0 * size / row.positive.0;
        let rms = phases.map(Phasor::magnitude);
        check_some(&format!("{name} u2"), components.u2_percent(), row.u2, 5, scale);
        check_some(&format!("{name} u0"), components.u0_percent(), row.u0, 5, scale);
        check_some(&format!("{name} NEMA"), unbalance::nema_percent_of_phases(phases), row.nema, 5, scale);
        check_some(&format!("{name} PVUR"), unbalance::pvur_percent(rms), row.pvur, 5, scale);
        check_some(&format!("{name} 936"), unbalance::ieee_936_percent(rms), row.ieee_936, 5, scale);
    }
}

/// A pure zero sequence: line-to-line forms and u2 see nothing of it, the neutral current all of it (derived).
#[test]
fn pure_zero_sequence() {
    let phases = polar([(1.05, 0.0), (0.975_961, -117.457_08), (0.975_961, 117.457_08)]);
    let components = SequenceComponents::from_phases(phases, Rotation::Abc);
    check_polar("V1", components.positive, (1.0, 0.0), (6, 6), 1.0);
    check_polar("V0", components.zero, (0.05, 0.0), (6, 6), 1.0);
    // The inputs carry six decimals themselves, so zeros are zeros to that digit only: 1e-4 percent.
    check_some("u2", components.u2_percent(), 0.0, 4, 100.0);
    check_some("u0", components.u0_percent(), 5.0, 4, 100.0);
    check_some("NEMA", unbalance::nema_percent_of_phases(phases), 0.0, 4, 100.0);
    let rms = phases.map(Phasor::magnitude);
    check_some("PVUR", unbalance::pvur_percent(rms), 4.93277, 4, 100.0);
    check_some("936", unbalance::ieee_936_percent(rms), 7.39915, 4, 100.0);
    let neutral = neutral::explained(phases, [1.0; 3], 1.0);
    check_polar("neutral", neutral, (0.15, 90.0), (5, 4), 1.0);
}

/// Textbook sequence examples (from memory, recomputed): the first example, open conductor of a delta load, open phase
/// of a grounded wye, a set that is really A, C, B, and one in rectangular parts.
#[test]
fn symmetrical_components() {
    let abc = |phases| SequenceComponents::from_phases(polar(phases), Rotation::Abc);

    let c = abc([(1.6, 25.0), (1.0, 180.0), (0.9, 132.0)]);
    check_polar("first zero", c.zero, (0.451_198, 96.4529), (6, 4), 1.6);
    check_polar("first positive", c.positive, (0.943_476, -0.0550), (6, 4), 1.6);
    check_polar("first negative", c.negative, (0.602_446, 22.3157), (6, 4), 1.6);

    let c = abc([(10.0, 0.0), (10.0, 180.0), (0.0, 0.0)]);
    check_polar("delta zero", c.zero, (0.0, 0.0), (6, 0), 10.0);
    check_polar("delta positive", c.positive, (5.773_503, -30.0), (6, 6), 10.0);
    check_polar("delta negative", c.negative, (5.773_503, 30.0), (6, 6), 10.0);

    let phases = [(10.0, 0.0), (0.0, 0.0), (10.0, 120.0)];
    let c = abc(phases);
    check_polar("open zero", c.zero, (3.333_333, 60.0), (6, 6), 10.0);
    check_polar("open positive", c.positive, (6.666_667, 0.0), (6, 6), 10.0);
    check_polar("open negative", c.negative, (3.333_333, -60.0), (6, 6), 10.0);
    check_polar("open neutral", polar(phases).into_iter().sum(), (10.0, 60.0), (6, 6), 10.0);

    // Printed 149.285∠6.321 as *positive*: B is at +129°, so the set is A, C, B.
    let phases = [(147.0, 13.0), (154.0, 129.0), (150.0, 237.0)];
    let c = abc(phases);
    check_polar("swap zero", c.zero, (14.824_295, 142.7038), (6, 4), 150.0);
    check_polar("swap positive", c.positive, (10.134_608, 49.0039), (6, 4), 150.0);
    check_polar("swap negative", c.negative, (149.284_505, 6.3210), (6, 4), 150.0);
    assert_eq!(Rotation::detect(polar(phases)), Some(Rotation::Acb));
    let own = SequenceComponents::from_phases(polar(phases), Rotation::Acb);
    check_polar("as printed", own.positive, (149.285, 6.321), (3, 3), 150.0);

    let phases = [Phasor::new(12.0, 24.0), Phasor::new(16.0, -2.0), Phasor::new(-4.0, -6.0)];
    let c = SequenceComponents::from_phases(phases, Rotation::Abc);
    let parts =
        [(c.zero, 8.0, 5.333_333), (c.positive, 0.845_299, 15.106_836), (c.negative, 3.154_701, 3.559_831)];
    for (phasor, re, im) in parts {
        check("rectangular re", phasor.re, re, 6, 24.0);
        check("rectangular im", phasor.im, im, 6, 24.0);
    }
}

/// Aggregation, IEC 61000-4-30 4.4 (from memory; worked numbers derived): root of the mean of the squares, which a mean
/// of the values would fail.
#[test]
fn aggregation() {
    let of = |values: &[(u32, f32)]| {
        let mut sum = MeanSquare::new();
        for (times, value) in values {
            for _ in 0..*times {
                assert!(sum.push(*value));
            }
        }
        sum.rms()
    };
    check_some("15 windows", of(&[(10, 120.0), (3, 118.0), (2, 121.0)]), 119.736_933_874, 9, 120.0);
    check_some("on and off", of(&[(8, 120.0), (7, 0.0)]), 87.635_609, 6, 120.0);
    let two_hours =
        [7200.0, 7210.0, 7190.0, 7205.0, 7195.0, 7220.0, 7180.0, 7200.0, 7215.0, 7185.0, 7230.0, 7170.0];
    check_some("2 h", of(&two_hours.map(|v| (1, v))), 7_200.019_097, 6, 7200.0);
}
