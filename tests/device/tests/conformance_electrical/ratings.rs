//! Ratings, delivered kvar, discharge, harmonic overload, fuse links.

use wyelog_electrical::{Loading, SQRT_3, capacitor, fuse};

use crate::{check, check_some};

/// Ratings (IEEE Std 18: Q = ωC·V²; derived, the 12.47 kV row agrees with a public formula sheet).
#[test]
fn ratings() {
    let banks: [(f32, f64, f64, f64); 6] = [
        (4.16e3, 83.271_673, 28.842_667, 91.967_307),
        (12.47e3, 27.779_484, 259.168_167, 10.234_985),
        (13.2e3, 26.243_194, 290.400_000, 9.134_237),
        (13.8e3, 25.102_186, 317.400_000, 8.357_222),
        (24.94e3, 13.889_742, 1_036.672_667, 2.558_746),
        (34.5e3, 10.040_874, 1_983.750_000, 1.337_156),
    ];
    for (volts, amperes, ohms, microfarads) in banks {
        let phase = volts / SQRT_3;
        check_some("I", capacitor::rated_current(600e3, volts), amperes, 6, amperes);
        check_some("Xc", capacitor::reactance(200e3, phase), ohms, 6, ohms);
        let farads = capacitor::capacitance(200e3, phase, 60.0).map(|c| c * 1e6);
        check_some("C", farads, microfarads, 6, microfarads);
    }
    for (var, amperes, ohms, microfarads) in
        [(200e3, 27.777_778, 259.2, 10.233_728), (100e3, 13.888_889, 518.4, 5.116_864)]
    {
        // One unit: three of them on 7200·√3 V are a bank.
        check_some("unit I", capacitor::rated_current(3.0 * var, 7200.0 * SQRT_3), amperes, 6, amperes);
        check_some("unit Xc", capacitor::reactance(var, 7200.0), ohms, 6, ohms);
        let farads = capacitor::capacitance(var, 7200.0, 60.0).map(|c| c * 1e6);
        check_some("unit C", farads, microfarads, 6, microfarads);
    }
}

/// kvar ∝ y·V²·f (IEEE Std 18; derived).
#[test]
fn delivered_kvar() {
    for (volts, hertz, kvar) in [
        (7560.0, 60.0, 220.5000),
        (6840.0, 60.0, 180.5000),
        (7200.0, 59.9, 199.6667),
        (7500.0, 60.05, 217.1947),
    ] {
        check("200 kvar", capacitor::delivered(1.0, 200.0, volts / 7200.0, hertz / 60.0), kvar, 4, kvar);
    }
    check("7620 V unit", capacitor::delivered(1.0, 200.0, 7200.0 / 7620.0, 1.0), 178.5604, 4, 200.0);
    check("on 50 Hz", capacitor::delivered(1.0, 100.0, 1.0, 50.0 / 60.0), 83.3333, 4, 100.0);
    check("half gone", capacitor::delivered(0.5, 200.0, 1.0, 1.0), 100.0, 4, 200.0);
}

/// Discharge: IEEE Std 18 (50 V in 300 s) and IEC 60871-1 (75 V in 600 s), limits from memory, numbers derived.
#[test]
fn discharge() {
    let farads = capacitor::capacitance(200e3, 7200.0, 60.0).unwrap();
    let megohms = |volts, seconds| {
        capacitor::discharge_resistance(farads, 7200.0, volts, seconds).map(|ohms| ohms / 1e6)
    };
    let ieee = megohms(capacitor::DISCHARGE_VOLTS, capacitor::DISCHARGE_SECONDS);
    check_some("IEEE", ieee, 5.5141, 4, 5.5);
    check_some("IEC", megohms(75.0, 600.0), 11.9386, 4, 12.0);
    check("τ", ieee.unwrap() * 1e6 * farads, 56.429, 3, 56.0);
}

/// Harmonic overload (limits IEEE Std 18; rows derived).
#[test]
fn harmonic_overload() {
    // Voltages; V_rms, peak bound, I_rms, kvar; exceeded: rms voltage, peak, current, kvar.
    type HarmonicRow = (&'static [(u8, f32)], [f64; 4], [bool; 4]);
    #[rustfmt::skip]
    let rows: [HarmonicRow; 6] = [
        (&[(1, 1.00), (5, 0.03), (7, 0.02)], [1.000650, 1.0500, 1.020833, 1.007300], [false; 4]),
        (&[(1, 1.00), (5, 0.05), (7, 0.03), (11, 0.02)], [1.001898, 1.1000, 1.074709, 1.023200], [false; 4]),
        (&[(1, 1.05), (3, 0.02), (5, 0.08), (7, 0.05)], [1.054419, 1.2000, 1.178389, 1.153200], [false; 4]),
        (&[(1, 1.08), (5, 0.12), (7, 0.06)], [1.088301, 1.2600, 1.304914, 1.263600], [false, true, false, false]),
        (&[(1, 1.10), (5, 0.156_524_7)], [1.111081, 1.2565, 1.350000, 1.332500], [true, true, false, false]),
        (&[(1, 1.00), (11, 0.0824)], [1.003389, 1.0824, 1.349652, 1.074687], [false; 4]),
    ];
    for (voltages, [rms, peak, current, reactive], [over_rms, over_peak, over_current, over_reactive]) in rows
    {
        let loading = Loading::of(voltages.iter().copied(), 1.0, 1.0).unwrap();
        check("V_rms", loading.rms_voltage, rms, 6, 1.5);
        check("V_peak", loading.peak_voltage, peak, 4, 1.5);
        check("I_rms", loading.current, current, 6, 1.5);
        check("kvar", loading.reactive, reactive, 6, 1.5);
        let exceeded = loading.exceeded();
        let found = [exceeded.rms_voltage, exceeded.peak_voltage, exceeded.current, exceeded.reactive];
        assert_eq!(found, [over_rms, over_peak, over_current, over_reactive], "{voltages:?}: {loading:?}");
    }
    // The third row is at the peak limit, the fifth at the current limit.
    let at = |voltages: &[(u8, f32)]| Loading::of(voltages.iter().copied(), 1.0, 1.0).unwrap().utilisation();
    check("at the peak limit", at(rows[2].0), 1.0, 7, 1.5);
    check("above the peak limit by 5 %", at(rows[3].0), 1.26 / 1.20, 7, 1.5);
}

/// Rated currents and link currents (1.25, 1.35, 1.65 times; common practice, factors partly from memory) and the
/// smallest links by the stated rule. The links are derived by that rule, not a published table.
#[test]
fn fuse_links() {
    // kV, kvar, I, 1.25 I, 1.35 I, 1.65 I, link by the 150 % rule, link by the 100 % rule.
    type LinkRow = (f32, f32, f64, f64, f64, f64, Option<u8>, Option<u8>);
    #[rustfmt::skip]
    let rows: [LinkRow; 36] = [
        (4.16, 300.0, 41.6358, 52.045, 56.208, 68.699, Some(40), Some(65)),
        (4.16, 450.0, 62.4538, 78.067, 84.313, 103.049, Some(65), Some(100)),
        (4.16, 600.0, 83.2717, 104.090, 112.417, 137.398, Some(80), Some(140)),
        (4.16, 900.0, 124.9075, 156.134, 168.625, 206.097, Some(140), Some(200)),
        (4.16, 1200.0, 166.5433, 208.179, 224.834, 274.797, Some(200), None),
        (4.16, 1800.0, 249.8150, 312.269, 337.250, 412.195, None, None),
        (12.47, 300.0, 13.8897, 17.362, 18.751, 22.918, Some(15), Some(20)),
        (12.47, 450.0, 20.8346, 26.043, 28.127, 34.377, Some(20), Some(30)),
        (12.47, 600.0, 27.7795, 34.724, 37.502, 45.836, Some(30), Some(40)),
        (12.47, 900.0, 41.6692, 52.087, 56.253, 68.754, Some(40), Some(65)),
        (12.47, 1200.0, 55.5590, 69.449, 75.005, 91.672, Some(65), Some(80)),
        (12.47, 1800.0, 83.3385, 104.173, 112.507, 137.508, Some(80), Some(140)),
        (13.2, 300.0, 13.1216, 16.402, 17.714, 21.651, Some(12), Some(20)),
        (13.2, 450.0, 19.6824, 24.603, 26.571, 32.476, Some(20), Some(30)),
        (13.2, 600.0, 26.2432, 32.804, 35.428, 43.301, Some(25), Some(40)),
        (13.2, 900.0, 39.3648, 49.206, 53.142, 64.952, Some(40), Some(65)),
        (13.2, 1200.0, 52.4864, 65.608, 70.857, 86.603, Some(50), Some(80)),
        (13.2, 1800.0, 78.7296, 98.412, 106.285, 129.904, Some(80), Some(140)),
        (13.8, 300.0, 12.5511, 15.689, 16.944, 20.709, Some(12), Some(20)),
        (13.8, 450.0, 18.8266, 23.533, 25.416, 31.064, Some(20), Some(30)),
        (13.8, 600.0, 25.1022, 31.378, 33.888, 41.419, Some(25), Some(40)),
        (13.8, 900.0, 37.6533, 47.067, 50.832, 62.128, Some(40), Some(65)),
        (13.8, 1200.0, 50.2044, 62.755, 67.776, 82.837, Some(50), Some(80)),
        (13.8, 1800.0, 75.3066, 94.133, 101.664, 124.256, Some(80), Some(140)),
        (24.94, 300.0, 6.9449, 8.681, 9.376, 11.459, Some(8), Some(10)),
        (24.94, 450.0, 10.4173, 13.022, 14.063, 17.189, Some(10), Some(15)),
        (24.94, 600.0, 13.8897, 17.362, 18.751, 22.918, Some(15), Some(20)),
        (24.94, 900.0, 20.8346, 26.043, 28.127, 34.377, Some(20), Some(30)),
        (24.94, 1200.0, 27.7795, 34.724, 37.502, 45.836, Some(30), Some(40)),
        (24.94, 1800.0, 41.6692, 52.087, 56.253, 68.754, Some(40), Some(65)),
        (34.5, 300.0, 5.0204, 6.276, 6.778, 8.284, Some(6), Some(8)),
        (34.5, 450.0, 7.5307, 9.413, 10.166, 12.426, Some(8), Some(12)),
        (34.5, 600.0, 10.0409, 12.551, 13.555, 16.567, Some(10), Some(15)),
        (34.5, 900.0, 15.0613, 18.827, 20.333, 24.851, Some(15), Some(25)),
        (34.5, 1200.0, 20.0817, 25.102, 27.110, 33.135, Some(20), Some(30)),
        (34.5, 1800.0, 30.1226, 37.653, 40.666, 49.702, Some(30), Some(50)),
    ];
    for (kilovolts, kvar, rated, ungrounded, low, high, tin, plain) in rows {
        let name = format!("{kvar} kvar {kilovolts} kV");
        let amperes = capacitor::rated_current(kvar * 1e3, kilovolts * 1e3).unwrap();
        check(&name, amperes, rated, 4, rated);
        check(&name, amperes * fuse::UNGROUNDED_FACTOR, ungrounded, 3, ungrounded);
        let (least, most) = fuse::link_range(amperes).unwrap();
        check(&name, least, low, 3, low);
        check(&name, most, high, 3, high);
        assert_eq!(fuse::smallest_link(least, fuse::TIN_LINK_CARRIES), tin, "{name}, 150 %");
        assert_eq!(fuse::smallest_link(least, 1.0), plain, "{name}, 100 %");
    }
}
