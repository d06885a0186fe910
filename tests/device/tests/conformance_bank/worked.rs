//! Neutral currents of lost units and shorted groups on a balanced feeder, as worked by the method of IEEE C37.99,
//! and what the logger makes of them: it must name the part of the phase that the neutral current was worked from.

use wyelog_protocol::bank::{Fusing, Settings};
use wyelog_protocol::condition::Condition;
use wyelog_simulator::complex::Complex;

use crate::signal::{Act, Named, State, check, detected, frames, settings, windows};

/// Rated current of 600 kvar at 12.47 kV in A (derived).
const RATED: f64 = 27.779_484;

/// Angles of the neutral current, V_A at 0° and ABC rotation: a loss in A, B, C, and a gain (derived).
const LOSS: [f64; 3] = [-90.0, 150.0, 30.0];
const GAIN: [f64; 3] = [90.0, -30.0, -150.0];

/// Balanced voltages, a bank whose phase `phase` makes the neutral carry this.
fn state(phase: usize, neutral: Complex) -> State {
    let volts = 12_470.0 / libm::sqrt(3.0);
    let degrees = [0.0, -120.0, 120.0];
    let voltage = degrees.map(|degrees| Complex::polar(volts, degrees));
    let mut current = degrees.map(|degrees| Complex::polar(RATED, degrees + 90.0));
    current[phase] += neutral;
    State { voltage, current }
}

fn healthy() -> State {
    state(0, Complex::ZERO)
}

fn of_units(units: u8, sections: u8) -> Settings {
    settings(12_470.0, units, sections)
}

/// 10 s of health and 11 s of a fault. The contact input says closed: on a balanced feeder the neutral of a healthy
/// bank carries nothing that could.
fn acts(fault: State) -> [Act; 2] {
    [Act { told: Some(true), ..Act::new(10.0, healthy()) }, Act::new(11.0, fault)]
}

/// Plays a fault behind 10 s of health, as frames and as windows, and from the start.
fn judge(what: &str, settings: &Settings, fault: State, expected: Named) {
    let within = if expected.condition == Condition::BlownFuse { 3.0 } else { 10.0 };
    let acts = acts(fault);
    check(&format!("{what}, frames"), &frames(settings, &acts), &[expected], 0.01, 10.0, within);
    check(&format!("{what}, windows"), &windows(settings, &acts), &[expected], 0.01, 10.0, within);
    // Without a time of health a loss must be beyond tolerances: units have 0…+10 % (IEEE Std 18).
    if expected.fraction.abs() >= 0.15 {
        let heard = frames(settings, &[Act { told: Some(true), ..acts[1] }]);
        let events = detected(&heard);
        let said: Vec<_> = events.iter().map(|e| (e.condition, e.phases.bits(), e.fraction)).collect();
        assert_eq!(events.len(), 1, "{what}, from the start: {said:?}");
        let (condition, phases) = (events[0].condition, events[0].phases.bits());
        assert_eq!((condition, phases), (expected.condition, expected.phases), "{what}, from the start");
        let off = events[0].fraction.value_f64().unwrap() - expected.fraction;
        assert!(off.abs() <= 0.025, "{what}, from the start: {said:?}");
    }
}

/// S series groups of N units in parallel, F of them gone from one group: I_N per unit of the phase current (IEEE
/// C37.99 method, derived by nodal analysis).
#[test]
fn units_lost_in_a_group() {
    #[rustfmt::skip]
    let rows = [
        (1, 1, 1, 1.000000), (1, 2, 1, 0.500000), (1, 3, 1, 0.333333), (1, 4, 1, 0.250000), (1, 6, 1, 0.166667),
        (1, 6, 2, 0.333333), (2, 4, 1, 0.142857), (2, 6, 1, 0.090909), (2, 6, 2, 0.200000),
    ];
    for (s, n, f, i_n) in rows {
        for (phase, degrees) in LOSS.into_iter().enumerate() {
            let mut settings = of_units(n, 0);
            // A group whose units go one by one has a fuse for each.
            settings.nameplate.build.fusing = if n > 1 { Fusing::Individual } else { Fusing::Group };
            let is_whole = i_n == 1.0;
            let condition = if is_whole { Condition::BlownFuse } else { Condition::UnitOut };
            let named = Named { condition, phases: 1 << phase, fraction: i_n };
            let fault = state(phase, Complex::polar(i_n * RATED, degrees));
            judge(&format!("{s},{n},{f} in phase {phase}"), &settings, fault, named);
        }
    }
}

/// Less than 4 % is not promised to be seen: (S, N, F) = (3, 10, 1) and (4, 8, 1). What is seen is named right.
#[test]
fn units_lost_in_a_large_group() {
    for (n, i_n) in [(10, 0.035_714), (8, 0.034_483)] {
        for (phase, degrees) in LOSS.into_iter().enumerate() {
            let fault = state(phase, Complex::polar(i_n * RATED, degrees));
            let heard = frames(&of_units(n, 0), &acts(fault));
            for event in detected(&heard) {
                assert_eq!((event.condition, event.phases.bits()), (Condition::UnitOut, 1 << phase));
                assert!((event.fraction.value_f64().unwrap() - i_n).abs() <= 0.01, "{event:?}");
            }
        }
    }
}

/// One of S groups shorted: I_N = 1/(S−1), opposite in sign (IEEE C37.99 method, derived). S = 2 doubles the phase,
/// and at the fundamental that is what the loss of the two others looks like: left out.
#[test]
fn a_group_shorted() {
    for (s, i_n) in [(3, 0.5), (4, 0.333_333), (5, 0.25)] {
        for (phase, degrees) in GAIN.into_iter().enumerate() {
            let named = Named { condition: Condition::ElementShort, phases: 1 << phase, fraction: -i_n };
            let fault = state(phase, Complex::polar(i_n * RATED, degrees));
            judge(&format!("S = {s} in phase {phase}"), &of_units(1, s), fault, named);
        }
    }
}

/// Amperes and degrees of the neutral of a 600 kvar, 12.47 kV bank (derived).
#[test]
fn amperes_of_a_faulty_bank() {
    let named = |condition, phases, fraction| Named { condition, phases, fraction };
    #[rustfmt::skip]
    let rows = [
        (1, 0, (27.7795, -90.0), named(Condition::BlownFuse, 1, 1.0)),
        (1, 1, (27.7795, 150.0), named(Condition::BlownFuse, 2, 1.0)),
        (1, 2, (27.7795, 30.0),  named(Condition::BlownFuse, 4, 1.0)),
        (2, 0, (13.8897, -90.0), named(Condition::UnitOut, 1, 0.5)),
        (3, 0, (9.2598, -90.0),  named(Condition::UnitOut, 1, 1.0 / 3.0)),
        // 5 % more, all at once: one of 21 sections of the only unit.
        (1, 0, (1.3890, 90.0),   named(Condition::ElementShort, 1, -0.05)),
    ];
    for (units, phase, (amperes, degrees), named) in rows {
        let fault = state(phase, Complex::polar(amperes, degrees));
        judge(&format!("{amperes} A at {degrees}"), &of_units(units, 0), fault, named);
    }
}

/// Both fuses of A and B blown are the same amperes at −150° (derived): two fuses, not one.
#[test]
fn two_fuses() {
    let mut fault = healthy();
    (fault.current[0], fault.current[1]) = (Complex::ZERO, Complex::ZERO);
    let [_, _, c] = fault.current;
    assert!((c - Complex::polar(27.7795, -150.0)).abs() < 5e-5);
    let both = [1, 2].map(|phases| Named { condition: Condition::BlownFuse, phases, fraction: 1.0 });
    let acts = acts(fault);
    let settings = of_units(1, 0);
    check("A and B, frames", &frames(&settings, &acts), &both, 0.01, 10.0, 3.0);
    check("A and B, windows", &windows(&settings, &acts), &both, 0.01, 10.0, 3.0);
}

/// What is within the tolerance of 0…+10 % (IEEE Std 18) from the start is no fault: 1.3890 A of neutral current at 5 %
/// (derived), twice that at 10 %.
#[test]
fn a_tolerance_is_no_fault() {
    for (phase, degrees) in GAIN.into_iter().enumerate() {
        for amperes in [1.3890, 2.7780] {
            let heard =
                frames(&of_units(2, 4), &[Act::new(20.0, state(phase, Complex::polar(amperes, degrees)))]);
            assert!(detected(&heard).is_empty(), "{:?}", detected(&heard));
        }
    }
}
