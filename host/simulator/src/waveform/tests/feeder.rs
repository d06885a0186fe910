//! What happens on the feeder, against values worked by hand.

use super::*;

const VOLTS: f64 = 7_199.557;

/// A bank on an ideal source, with these lines in the feeder.
fn feeder(lines: &str) -> String {
    format!(
        "name = \"f\"\nduration_s = 3\n[feeder]\nkv_ll = 12.47\nfrequency_hz = 60\n{lines}\n[bank]\n\
         connection = \"grounded_wye\"\nrated_kvar = 600\nrated_kv_ll = 12.47\n"
    )
}

#[test]
fn an_open_phase_is_fed_back_small_turned_and_distorted() {
    let text = feeder(
        "[[feeder.event]]\nkind = \"single_phasing\"\nphase = \"B\"\nat_s = 1\nduration_s = 1\nsize_pu = 0.4\n\
         angle_deg = 100\nthird_percent = 10\nfifth_percent = 6",
    );
    let frames = frames(&text);
    assert_phasor(volts(&frames, 1, 0), VOLTS, -120.0, 0.01);
    assert_phasor(volts(&frames, 1, 6000), 0.4 * VOLTS, -20.0, 0.01);
    let of = |order| phasor(frames.iter().map(|frame| frame.volts[1]), 6000, order);
    assert_phasor(of(3), 0.04 * VOLTS, 3.0 * -20.0 + 180.0, 0.01);
    assert_phasor(of(5), 0.024 * VOLTS, 5.0 * -20.0, 0.01);
    assert_phasor(volts(&frames, 0, 6000), VOLTS, 0.0, 0.01);
    assert_phasor(volts(&frames, 1, 10_000), VOLTS, -120.0, 0.01);
    // The bank carries what the voltages say.
    let expected = Complex::polar(1.0, 90.0) + Complex::polar(0.4, 70.0) + Complex::polar(1.0, 210.0);
    let found = neutral(&frames, 6000);
    assert!((found - expected.scaled(27.779_484)).abs() < 1e-3, "{} {}", found.abs(), found.degrees());
    let event = scenario(&text).truth().events[0];
    assert_eq!((event.until_s, event.phases.to_string()), (2.0, "B".to_owned()));
}

#[test]
fn steps_of_load_and_regulator_stay() {
    let frames = frames(&feeder(
        "harmonics = [{ order = 5, percent = 2 }]\n\
         [[feeder.event]]\nkind = \"regulator_step\"\nat_s = 1\nsteps = 3\nphases = \"AB\"\n\
         [[feeder.event]]\nkind = \"load_step\"\nat_s = 2\nphases = \"C\"\npercent = -2\nangle_deg = -1",
    ));
    assert_phasor(volts(&frames, 0, 6000), 1.018_75 * VOLTS, 0.0, 0.01);
    assert_phasor(volts(&frames, 2, 6000), VOLTS, 120.0, 0.01);
    assert_phasor(volts(&frames, 1, 12_000), 1.018_75 * VOLTS, -120.0, 0.01);
    assert_phasor(volts(&frames, 2, 12_000), 0.98 * VOLTS, 119.0, 0.01);
    // A tap moves the harmonics too, a load does not.
    let fifth = |phase: usize| phasor(frames.iter().map(|frame| frame.volts[phase]), 12_000, 5).abs();
    assert!(libm::fabs(fifth(0) - 0.020_375 * VOLTS) < 0.01 && libm::fabs(fifth(2) - 0.02 * VOLTS) < 0.01);
}

#[test]
fn an_outage_may_return_slowly() {
    let frames =
        frames(&feeder("[[feeder.event]]\nkind = \"outage\"\nat_s = 0.5\nduration_s = 0.5\nramp_s = 1.6"));
    assert_phasor(volts(&frames, 0, 3600), 0.0, 0.0, 1e-6);
    // 16 steps of 0.1 s; the one from 1.7 s has 15/32 of the voltage (its middle).
    let crest = frames[8160..8640]
        .iter()
        .map(|frame| libm::fabs(frame.volts[0]))
        .fold(0.0, |a, b| if b > a { b } else { a });
    assert!(libm::fabs(crest / (VOLTS * libm::sqrt(2.0)) - 15.0 / 32.0) < 1e-3, "{}", crest / VOLTS);
    assert_phasor(volts(&frames, 0, 13_000), VOLTS, 0.0, 0.01);
}

#[test]
fn a_swell_rises_and_a_reclose_dies_twice() {
    let swell = frames(&feeder(
        "[[feeder.event]]\nkind = \"swell\"\nat_s = 1\nduration_s = 1\nphases = \"A\"\nrise_percent = 15",
    ));
    assert_phasor(volts(&swell, 0, 6000), 1.15 * VOLTS, 0.0, 0.01);
    let text = feeder(
        "[[feeder.event]]\nkind = \"reclose\"\nat_s = 0.3\ndead_s = [0.5, 0.6]\nfault_s = 0.2\nlive_s = 0.3\nphases = \"C\"",
    );
    let frames = frames(&text);
    for (from, size) in
        [(0, 1.0), (1500, 0.5), (2500, 0.0), (5000, 1.0), (6300, 0.5), (7300, 0.0), (12_000, 1.0)]
    {
        let found = frames[from..from + 80]
            .iter()
            .map(|frame| libm::fabs(frame.volts[2]))
            .fold(0.0, |a, b| if b > a { b } else { a });
        assert!(libm::fabs(found / (VOLTS * libm::sqrt(2.0)) - size) < 2e-3, "{from}: {found}");
    }
}
