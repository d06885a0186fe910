//! The opening fit against openings whose truth is known.

mod signal;
mod study;

use signal::{Attack, Trouble};
use study::{Row, covered, fit, worst};
use wyelog_firmware::bank::class::{Class, Shown};
use wyelog_firmware::bank::opening::{Opening, Progress, Reason, Setup};
use wyelog_firmware::frontend::Frame;

/// Openings in a row of the table.
const OPENINGS: u64 = 120;

#[test]
fn the_attack_table() {
    println!("{}", study::HEADER);
    for on_capacitor in [false, true] {
        for attack in Attack::ALL {
            let row = Row::run(attack, on_capacitor, 0..OPENINGS);
            let name = format!("{attack:?}{}", if on_capacitor { ", on capacitor" } else { "" });
            row.print(&name);
            assert_eq!(row.none, 0, "{name}: an opening was not recognised");
            assert_eq!(row.wrong_zero, 0, "{name}: a wrong current zero");
            for over_sigma in [&row.common_over_sigma, &row.phase_over_sigma] {
                assert!(covered(over_sigma) >= 0.9, "{name}: {} within 2 sigma", covered(over_sigma));
                assert!(worst(over_sigma) <= 4.0, "{name}: {} sigma", worst(over_sigma));
            }
            // Sensors of ±0.6 % and ±0.3°.
            if attack == Attack::None {
                assert!(row.percentile_95() <= 0.02, "{name}: {}", row.percentile_95());
            }
        }
    }
}

/// Without errors of sensors the answer is exact, but for a filter's and the trapezoids' share.
#[test]
fn ideal_sensors_give_the_truth() {
    let mut worst = 0.0_f64;
    for seed in 0..60 {
        let opening = signal::opening(seed, Attack::Ideal, seed % 2 == 0, Trouble::None);
        let clearing = fit(&opening).0.unwrap();
        for (found, truth) in clearing.y.iter().zip(opening.y) {
            worst = worst.max((f64::from(*found) - truth).abs());
        }
        for ((zero, cleared), y) in clearing.zero_frame.iter().zip(opening.cleared).zip(opening.y) {
            let Some(zero) = zero else {
                assert!(y < 0.05);
                continue;
            };
            let off = clearing.begin as f64 + f64::from(*zero) - cleared;
            assert!(off.abs() < 2.0, "{seed}: {off} frames");
        }
        let order = |one: usize, two: usize| opening.cleared[one] < opening.cleared[two];
        if let [Some(a), Some(b), Some(c)] = clearing.order() {
            assert_eq!((a < b, b < c, a < c), (order(0, 1), order(1, 2), order(0, 2)));
        }
    }
    println!("worst error with ideal sensors {worst}");
    assert!(worst < 0.003, "{worst}");
}

/// A number only where it is one: within four σ, or none at all.
#[test]
fn trouble_gives_no_wrong_number() {
    let (mut restrikes, mut sags) = (0, 0);
    for seed in 0..60 {
        for on_capacitor in [false, true] {
            let result = |trouble| {
                let opening = signal::opening(seed, Attack::None, on_capacitor, trouble);
                (fit(&opening).0, opening.y)
            };
            let carries = result(Trouble::None).1[0] > 0.2;
            // A gap in the current of a phase that carries none is no restrike.
            if carries {
                assert_eq!(result(Trouble::Restrike).0, Err(Reason::Unexplained), "{seed}");
                restrikes += 1;
            }
            let (closed, _) = result(Trouble::StaysClosed);
            assert!(closed.is_err(), "{seed}: {closed:?}");
            for trouble in [Trouble::Sag, Trouble::PoleStays] {
                let (Ok(clearing), truth) = result(trouble) else {
                    sags += usize::from(trouble == Trouble::Sag);
                    continue;
                };
                for ((y, sigma), truth) in clearing.y.iter().zip(clearing.sigma()).zip(truth) {
                    let over = (f64::from(*y) - truth).abs() / f64::from(sigma);
                    assert!(over < 4.0, "{trouble:?} {seed} {on_capacitor}: {clearing:?} {truth}");
                }
                if trouble == Trouble::PoleStays {
                    assert_eq!(clearing.carries_on, [carries, false, false], "{seed}: {clearing:?}");
                    assert_eq!(clearing.zero_frame[0], None);
                }
            }
        }
        let opening = signal::opening(seed, Attack::None, false, Trouble::Clipped);
        if opening.y.iter().all(|y| *y > 0.8) {
            assert_eq!(fit(&opening).0, Err(Reason::Clipped), "{seed}");
        }
    }
    println!("{restrikes} restrikes, {sags} of 120 sags not identifiable");
    assert!(restrikes > 80);
}

#[test]
fn frames_to_come_are_waited_for_and_lost_ones_told() {
    let mut opening = signal::opening(3, Attack::None, false, Trouble::None);
    let setup = Setup {
        scaling: opening.scaling,
        frequency: opening.hz as f32,
        class: Class::DEFAULT,
        shown: Shown::UNSEEN,
    };
    let now = opening.history.count();
    let mut ahead = Opening::new(setup, now);
    assert!(matches!(ahead.step(&opening.history), Progress::Waiting));
    for early in [0, 5] {
        let mut fit = Opening::new(setup, early);
        assert!(matches!(fit.step(&opening.history), Progress::NotIdentifiable(Reason::NoFrames)));
    }
    for frequency in [f32::NAN, 0.0, 400.0] {
        let mut fit = Opening::new(Setup { frequency, ..setup }, opening.earliest);
        assert!(matches!(fit.step(&opening.history), Progress::NotIdentifiable(Reason::NoFrames)));
    }
    // Never asked in time.
    let mut late = Opening::new(setup, opening.earliest);
    for _ in 0..1344 {
        opening.history.push(&Frame::default());
    }
    assert!(matches!(late.step(&opening.history), Progress::NotIdentifiable(Reason::NoFrames)));
    // What it told once stays.
    assert!(matches!(late.step(&opening.history), Progress::NotIdentifiable(Reason::NoFrames)));
}

#[test]
fn memory_and_steps_are_bounded() {
    assert!(size_of::<Opening>() <= 2560, "{} bytes", size_of::<Opening>());
    let most = (0..40)
        .map(|seed| fit(&signal::opening(seed, Attack::None, false, Trouble::None)).1)
        .max()
        .unwrap_or(0);
    println!("{} bytes, {most} steps", size_of::<Opening>());
}
