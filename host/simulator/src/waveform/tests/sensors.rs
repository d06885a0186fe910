//! What the sensors add and leave out, and the same at window level.

use super::*;

const AMPS: f64 = 27.779_484;
const VOLTS: f64 = 7_199.557;

/// Phase B's fuse is gone: 27.78 A at 150° in the neutral; a third harmonic of 1 % in the voltages.
fn with(lines: &str) -> String {
    format!(
        "name = \"s\"\nduration_s = 2\n[feeder]\nkv_ll = 12.47\nfrequency_hz = 60\n\
         harmonics = [{{ order = 5, percent = 1 }}]\n[bank]\nconnection = \"grounded_wye\"\nrated_kvar = 600\n\
         rated_kv_ll = 12.47\n[[bank.event]]\nkind = \"fuse_blows\"\nphase = \"B\"\nat_s = 0\n{lines}"
    )
}

fn of(frames: &[Frame], channel: usize, order: u32) -> Complex {
    let value = |frame: &Frame| frame.volts.get(channel).copied().unwrap_or(frame.neutral_amps);
    phasor(frames.iter().map(value), 4800, order)
}

#[test]
fn a_sensor_makes_its_own_third_harmonic() {
    let found = frames(&with("[sensors.C]\nthird_percent = 0.2\nthird_angle_deg = 25\ngain_percent = 10\n"));
    assert_phasor(of(&found, 2, 3), 1.1 * 0.002 * VOLTS, 3.0 * 120.0 + 25.0, 1e-3);
    assert_phasor(of(&found, 0, 3), 0.0, 0.0, 1e-6);
    assert_phasor(of(&found, 3, 3), 0.0, 0.0, 1e-6);
}

#[test]
fn stray_neutral_current_comes_and_goes_with_the_feeder() {
    let text = with(
        "[sensors.N]\nstray_percent = 1.5\nstray_angle_deg = 40\nstray_third_percent = 0.6\nstray_third_angle_deg = -70\n",
    );
    let found = frames(&text);
    let expected = Complex::polar(AMPS, 150.0) + Complex::polar(0.015 * AMPS, 40.0);
    assert!((of(&found, 3, 1) - expected).abs() < 1e-4);
    assert_phasor(of(&found, 3, 3), 0.006 * AMPS, -70.0, 1e-4);
    let dead = text.replace(
        "[bank]\n",
        "[[feeder.event]]\nkind = \"interruption\"\nat_s = 0.5\nduration_s = 1.4\n[bank]\n",
    );
    assert_phasor(of(&frames(&dead), 3, 1), 0.0, 0.0, 1e-6);
}

#[test]
fn harmonics_lag_and_lack_as_the_transformer_does() {
    let found = frames(&with("[sensors.N]\nslope_deg_per_order = 1.5\nharmonic_ratio_percent = -10\n"));
    assert_phasor(of(&found, 3, 1), AMPS, 150.0, 1e-4);
    // A and C left: the fifth turns against the fundamental, 5 · 1 % each, at 90° and 90° − 120°.
    let fifth = (Complex::polar(1.0, 90.0) + Complex::polar(1.0, -30.0)).scaled(0.05 * AMPS);
    assert_phasor(of(&found, 3, 5), 0.9 * fifth.abs(), fifth.degrees() + 4.0 * 1.5, 1e-4);
}

#[test]
fn part_of_the_neutral_current_passes_by() {
    let found = frames(&with("[[sensors.second_path]]\nat_s = 0.5\npercent = 30\n"));
    assert_phasor(neutral(&found, 0), AMPS, 150.0, 1e-4);
    assert_phasor(neutral(&found, 4800), 0.7 * AMPS, 150.0, 1e-4);
}

#[test]
fn absent_sensors_read_zero_and_mended_leads_read_again() {
    let found = frames(&with(
        "[sensors.A]\npresent = false\nnoise_percent = 1\noffset_percent = 1\n\
         [[sensors.broken_wire]]\nchannel = \"N\"\nat_s = 0.5\nuntil_s = 1.3\npickup = 0.01\n",
    ));
    assert!(found.iter().all(|frame| frame.volts[0] == 0.0));
    assert_phasor(neutral(&found, 4800), 0.01 * AMPS, 0.0, 1e-4);
    assert_phasor(neutral(&found, 7200), AMPS, 150.0, 1e-4);
}

#[test]
fn the_steady_state_is_that_of_the_frames() {
    // Sensors behind the cutout with everything wrong that can be, the bank open in A, its polarity reversed.
    let text = with(
        "[[bank.event]]\nkind = \"opens\"\nat_s = 0.2\nphases = \"A\"\n\
         [sensors]\nlocation = \"capacitor\"\n[sensors.A]\nthird_percent = 0.3\n[sensors.B]\noffset_percent = 1\n\
         [sensors.C]\nthird_percent = 0.3\nangle_deg = 1\ngain_percent = -3\n[sensors.N]\ngain_percent = -205\n\
         stray_percent = 1\nstray_third_percent = 2\nslope_deg_per_order = 2\nangle_deg = -0.5\n",
    );
    let found = frames(&text);
    let mut waveform = Waveform::new(&scenario(&text));
    waveform.skip_to(4800 + 480);
    let steady = waveform.steady();
    for channel in 0..4 {
        let value = |frame: &Frame| frame.volts.get(channel).copied().unwrap_or(frame.neutral_amps);
        let rms = libm::sqrt(found[4800..5760].iter().map(|f| value(f) * value(f)).sum::<f64>() / 960.0);
        let seen = &steady.channels[channel];
        assert!(libm::fabs(seen.rms - rms) < 1e-5 * rms + 1e-6, "{channel}: {} is not {rms}", seen.rms);
        // A decaying charge leaks a little into every order.
        for order in [1, 3, 5] {
            let size = of(&found, channel, order).abs();
            let off = libm::fabs(seen.harmonics[order as usize - 1] - size);
            assert!(off < 1.0 && (channel < 2 || off < 1e-6 * size + 1e-6), "{channel} {order}: {off}");
        }
        assert!(seen.harmonics.iter().all(|size| *size >= 0.0));
        let turned = (seen.fundamental - of(&found, channel, 1)).abs();
        assert!(turned < 1.0, "{channel}: {turned}");
    }
}
