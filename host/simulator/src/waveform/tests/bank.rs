//! Faults and operations of the bank: phasors worked by hand, and what the sensors see behind fuse and pole.

use super::*;
use crate::scenario::BankEventKind;

/// 600 kvar at 12.47 kV on an ideal, balanced source: 27.779484 A and 7199.557 V a phase.
fn ideal(bank: &str) -> String {
    format!(
        "name = \"i\"\nduration_s = 2\n[feeder]\nkv_ll = 12.47\nfrequency_hz = 60\n[bank]\n\
         connection = \"grounded_wye\"\nrated_kvar = 600\nrated_kv_ll = 12.47\n{bank}"
    )
}

const AMPS: f64 = 27.779_484;
const VOLTS: f64 = 7_199.557;
/// Crest of the rated voltage to 50 V in 300 s, per second.
const DISCHARGE: f64 = 0.017_715_2;

#[test]
fn a_shorted_section_and_a_lost_unit_show_in_neutral_and_truth() {
    // One of 4 sections of one of 3 units: 1/9 of the phase; tolerance 2 % on B stays under it.
    let text = ideal(
        "units_per_phase = 3\ntolerance_percent = [0, 2, 0]\n\
         [[bank.event]]\nkind = \"element_short\"\nphase = \"A\"\nsections = 4\nat_s = 0.5\n\
         [[bank.event]]\nkind = \"unit_out\"\nphase = \"C\"\nat_s = 1.2\n",
    );
    let frames = frames(&text);
    // A gains at +90°, B's 2 % sits at −30°.
    let b = Complex::polar(0.02 * AMPS, -30.0);
    assert!((neutral(&frames, 0) - b).abs() < 1e-4);
    let with_a = b + Complex::polar(AMPS / 9.0, 90.0);
    assert!((neutral(&frames, 4000) - with_a).abs() < 1e-4);
    let with_c = with_a - Complex::polar(AMPS / 3.0, 210.0);
    assert!((neutral(&frames, 8000) - with_c).abs() < 1e-4);
    let truth = scenario(&text).truth();
    let close =
        |y: [f64; 3], expected: [f64; 3]| y.iter().zip(expected).all(|(y, e)| libm::fabs(y - e) < 1e-12);
    assert!(close(truth.y(0.4), [1.0, 1.02, 1.0]), "{:?}", truth.y(0.4));
    assert!(close(truth.y(1.0), [1.0 + 1.0 / 9.0, 1.02, 1.0]), "{:?}", truth.y(1.0));
    assert!(close(truth.connected(1.9), [1.0 + 1.0 / 9.0, 1.02, 2.0 / 3.0]), "{:?}", truth.y(1.9));
    let facts: Vec<(Fact, String)> =
        truth.events.iter().map(|event| (event.what, event.phases.to_string())).collect();
    assert_eq!(
        facts,
        [(Fact::Bank(What::ElementShort), "A".to_owned()), (Fact::Bank(What::UnitOut), "C".to_owned())]
    );
    assert!(libm::fabs(truth.events[0].fraction - 1.0 / 9.0) < 1e-12);
    assert!(libm::fabs(truth.events[1].fraction + 1.0 / 3.0) < 1e-12);
}

#[test]
fn a_fault_at_time_zero_was_there_before() {
    let fuse = ideal(
        "[[bank.event]]\nkind = \"fuse_blows\"\nphase = \"B\"\nat_s = 0\n[sensors]\nlocation = \"capacitor\"\n",
    );
    let frames = frames(&fuse);
    // B gone: +60° from the ideal current of A. And not a volt behind the fuse, from the first frame on.
    assert_phasor(neutral(&frames, 0), AMPS, 150.0, 1e-4);
    assert!(frames.iter().all(|frame| frame.volts[1] == 0.0));
    let truth = scenario(&fuse).truth();
    assert_eq!((truth.y(0.0), truth.events[0].fraction), ([1.0, 0.0, 1.0], -1.0));
}

#[test]
fn behind_a_blown_fuse_a_clean_zero_or_the_charge_that_was_left() {
    for location in ["fuse_switch", "capacitor"] {
        let blown = |cycles| {
            ideal(&format!(
                "[[bank.event]]\nkind = \"fuse_blows\"\nphase = \"B\"\nat_s = 0.5\nfault_cycles = {cycles}\n\
                 [sensors]\nlocation = \"{location}\"\n"
            ))
        };
        let after_a_short = frames(&blown(1));
        assert!(after_a_short[2600..].iter().all(|frame| frame.volts[1] == 0.0), "{location}");
        assert_phasor(volts(&after_a_short, 0, 4800), VOLTS, 0.0, 0.01);
        let without = frames(&blown(0));
        // The current's zero is the voltage's crest: it stays, and decays.
        let size = libm::fabs(without[7200].volts[1]);
        let expected = VOLTS * libm::sqrt(2.0) * libm::exp(-DISCHARGE);
        assert!(libm::fabs(size - expected) < 3.0, "{location}: {size} is not {expected}");
    }
}

#[test]
fn after_an_opening_the_units_keep_their_charge() {
    let open = "[[bank.event]]\nkind = \"opens\"\nat_s = 0.5\n";
    let at = |location: &str| frames(&ideal(&format!("{open}[sensors]\nlocation = \"{location}\"\n")));
    let crest = VOLTS * libm::sqrt(2.0);
    for frame in [&at("capacitor")[4800], &at("capacitor")[9599]] {
        for volts in frame.volts {
            assert!(libm::fabs(libm::fabs(volts) / crest - 1.0) < 0.03, "{frame:?}");
        }
    }
    for location in ["line", "fuse_switch"] {
        assert_phasor(volts(&at(location), 1, 4800), VOLTS, -120.0, 0.01);
    }
    // Told open, and the poles stand open.
    let truth = scenario(&ideal(open)).truth();
    assert_eq!((truth.told(0.4), truth.told(0.6)), (true, false));
    assert_eq!((truth.closed(0.6), truth.connected(0.6), truth.y(0.6)), ([false; 3], [0.0; 3], [1.0; 3]));
}

#[test]
fn who_told_and_who_obeyed() {
    let frames_of = |event: &str| frames(&ideal(&format!("[[bank.event]]\nat_s = 0.5\n{event}")));
    let untold = frames_of("kind = \"opens\"\nphases = \"A\"\ntold = false\n");
    assert!(untold.iter().all(|frame| frame.closed == Some(true)));
    assert_phasor(neutral(&untold, 4800), AMPS, -90.0, 1e-4);
    let failed = frames_of("kind = \"fails_to_open\"\n");
    assert_eq!((failed[2399].closed, failed[2400].closed), (Some(true), Some(false)));
    assert!(failed.iter().all(|frame| libm::fabs(frame.neutral_amps) < 1e-6));
    let text = ideal("[[bank.event]]\nat_s = 0.5\nkind = \"fails_to_open\"\n");
    assert_eq!(scenario(&text).truth().events[0].what, Fact::Told { closed: false, obeyed: false });
    // A pole that lags by 30 ms clears that much later, at a zero of its own.
    let lag = ideal("[[bank.event]]\nat_s = 0.5\nkind = \"opens\"\nlag_ms = [0, 30, 0]\n");
    let cleared = |index: usize| {
        let marks = Waveform::new(&scenario(&lag)).marks().to_vec();
        marks.iter().find(|mark| mark.phase.index() == index).unwrap().at_s
    };
    assert!(cleared(0) < 0.529 && cleared(1) >= 0.55 && cleared(1) < 0.559);
}

#[test]
fn a_pole_that_restrikes_clears_twice() {
    let text = closing(
        "[[bank.event]]\nkind = \"opens\"\nat_s = 0.5\nrestrikes = \"B\"\nrestrike_ms = 8.333\n\
         [sensors]\nlocation = \"capacitor\"\n",
    )
    .replace("closed_at_start = false\n", "");
    let waveform = Waveform::new(&scenario(&text));
    let of_b: Vec<Mark> = waveform.marks().iter().filter(|mark| mark.phase == Phase::B).copied().collect();
    let what: Vec<What> = of_b.iter().map(|mark| mark.what).collect();
    assert_eq!(what, [What::PoleClears, What::Restrikes, What::PoleClears]);
    assert!(libm::fabs(of_b[1].at_s - of_b[0].at_s - 0.008_333) < 1e-9);
    assert!(of_b[2].at_s - of_b[1].at_s < 0.018, "{of_b:?}");
    // Twice the crest across the pole: the units swing well above the crest.
    let crest = VOLTS * libm::sqrt(2.0);
    let highest =
        waveform.map(|frame| libm::fabs(frame.volts[1])).fold(0.0, |a, b| if b > a { b } else { a });
    assert!(highest > 1.8 * crest && highest < 3.1 * crest, "{}", highest / crest);
}

#[test]
fn a_phase_drops_out_and_comes_back() {
    let text = closing("[[bank.event]]\nkind = \"drops_out\"\nphase = \"C\"\nat_s = 0.5\nduration_s = 0.5\n")
        .replace("closed_at_start = false\n", "");
    let frames = frames(&text);
    let truth = scenario(&text).truth();
    assert_eq!((truth.y(0.4), truth.y(0.8), truth.y(1.2)), ([1.0; 3], [1.0, 1.0, 0.0], [1.0; 3]));
    assert_phasor(neutral(&frames, 2880), AMPS * 1.011_711, 30.0, 0.02);
    assert_phasor(neutral(&frames, 6000), 0.0, 0.0, 1e-3);
    assert!(truth.closed(0.8) == [true; 3]);
}

#[test]
fn a_repaired_bank_is_as_new_and_discharged() {
    let text = ideal(
        "units_per_phase = 2\n[[bank.event]]\nkind = \"unit_out\"\nphase = \"A\"\nat_s = 0.2\n\
         [[bank.event]]\nkind = \"opens\"\nat_s = 0.5\n[[bank.event]]\nkind = \"repaired\"\nat_s = 1\n\
         [sensors]\nlocation = \"capacitor\"\n",
    );
    let frames = frames(&text);
    assert!(frames[4700].volts.iter().all(|volts| libm::fabs(*volts) > 9_000.0));
    assert!(frames[4900].volts.iter().all(|volts| *volts == 0.0));
    let truth = scenario(&text).truth();
    assert_eq!((truth.y(0.9), truth.y(1.5)), ([0.5, 1.0, 1.0], [1.0; 3]));
}

#[test]
fn closing_a_charged_bank_swings_higher() {
    let close = |state: &str, at: f64| {
        let text = closing(&format!(
            "{state}[[bank.event]]\nkind = \"closes\"\nat_s = {at}\ndelay_ms = 0\nspread_ms = 0\n"
        ))
        .replace("closed_at_start = false\n", "");
        let text = if state.is_empty() {
            text.replace("[bank]\n", "[bank]\nclosed_at_start = false\n")
        } else {
            text
        };
        let from = (at * 4800.0) as usize;
        let found = frames(&text);
        let size = |frame: &Frame| libm::fabs(frame.neutral_amps);
        found[from..from + 200].iter().map(size).fold(0.0, |a, b| if b > a { b } else { a })
    };
    let opened = "[[bank.event]]\nkind = \"opens\"\nat_s = 0.2\n";
    assert!(close(opened, 1.0) > 1.2 * close("", 1.0), "{} {}", close(opened, 1.0), close("", 1.0));
}

#[test]
fn a_single_phase_bank_carries_its_own_current_through_the_neutral() {
    let text = ideal("")
        .replace("\"grounded_wye\"\nrated_kvar = 600", "\"single_phase\"\nphases = \"B\"\nrated_kvar = 200");
    let found = frames(&text);
    assert_phasor(neutral(&found, 0), AMPS, -30.0, 1e-4);
    assert_eq!(scenario(&text).truth().y(1.0), [0.0, 1.0, 0.0]);
    // At −40 °C a film capacitor has 65 · 0.04 % more.
    let cold = frames(&format!("{text}[air]\ncelsius = -40\n"));
    assert_phasor(neutral(&cold, 0), 1.026 * AMPS, -30.0, 1e-4);
}

#[test]
fn what_is_told_wrongly_moves_no_frame() {
    let right = frames(&ideal(""));
    assert_eq!(right, frames(&ideal("[told]\nrated_kvar = 300\nrated_kv_ll = 7.2\nfrequency_hz = 50\n")));
    let swapped = frames(&ideal("[told]\nswapped = \"AC\"\n"));
    assert_eq!((swapped[77].volts[0], swapped[77].volts[2]), (right[77].volts[2], right[77].volts[0]));
    let event = scenario(&ideal("[[bank.event]]\nkind = \"opens\"\nat_s = 1\n")).bank.events[0];
    assert!(matches!(event.kind, BankEventKind::Opens { manner, .. } if manner.told));
}
