//! The worst signals of the sweep on the emulated Cortex-M4F: the same record bytes as in process, and values within the limits.
//!
//! One tape for each rated frequency, 20 s of each signal. The clock is set so that an interval of 10 s *and* the ten minutes of
//! a spectrum end 9.5 s and 19.5 s into each signal: the second pair of records holds nothing but the signal, and its last
//! window, which runs on behind the tick, too.

use wyelog_device_tests::arm::Board;
use wyelog_device_tests::measurement::cases::Case;
use wyelog_device_tests::measurement::signal::{DECLARED_V, RATE, RATED_A, Signal};
use wyelog_device_tests::measurement::sweep;
use wyelog_device_tests::measurement::tally::{LINES, Quantity};
use wyelog_device_tests::measurement::truth::Truth;
use wyelog_device_tests::play::{self, SECTORS, Stored};
use wyelog_firmware::frontend::Input;
use wyelog_protocol::bank::RatedFrequency;
use wyelog_protocol::record::{ClockSource, Interval, Kind, Record, Spectrum};
use wyelog_simulator::flash::NorMemory;

use crate::limits::points;

const SECONDS: u32 = 20;
const FRAMES: u64 = SECONDS as u64 * RATE as u64;

/// Frames of a signal behind the last tick in it.
const FRAMES_BEHIND: u64 = RATE as u64 / 2;

/// A multiple of ten minutes, in ms.
const UTC_MS: u64 = 1_800_000_000_000;

/// The signals one behind the other; 1 s and 11 s into each the clock is set to 8.5 s before the end of ten minutes.
fn tape(cases: &[Case]) -> Vec<Input> {
    let mut inputs = Vec::new();
    for case in cases {
        for (n, input) in case.signal.inputs(f64::from(SECONDS)).enumerate() {
            if n == 4800 || n == 11 * 4800 {
                inputs.push(Input::Clock(UTC_MS - 8500, ClockSource::Signal));
            }
            inputs.push(input);
        }
    }
    inputs
}

fn limit(quantity: Quantity) -> f64 {
    LINES[quantity as usize].reach.expect("a quantity with a limit")
}

#[track_caller]
fn near(what: &str, signal: &Signal, measured: f64, truth: f64, limit: f64, step: f64) {
    let error = (measured - truth).abs();
    // A record rounds to the nearest step.
    assert!(
        error <= limit + 0.5 * step + 1e-9,
        "{}, {} Hz: {what} {measured} {truth}",
        signal.name,
        signal.hz
    );
}

fn check_interval(case: &Case, truth: &Truth, interval: &Interval) {
    let signal = &case.signal;
    let rms = limit(Quantity::Rms) / 100.0;
    for (range, truth) in interval.voltage.iter().zip(truth.rms) {
        let volts = range.rms.value_f64().unwrap_or(f64::NAN);
        near("voltage", signal, volts, truth * DECLARED_V, rms * DECLARED_V, 0.1);
    }
    let amps = interval.neutral.rms.value_f64().unwrap_or(f64::NAN);
    near("neutral", signal, amps, truth.rms[3] * RATED_A, rms * RATED_A, 0.001);
    let quantity = if case.distorted { Quantity::FrequencyDistorted } else { Quantity::Frequency };
    let hz = interval.frequency.value_f64().unwrap_or(f64::NAN);
    near("frequency", signal, hz, signal.hz, limit(quantity) / 1000.0, 0.0001);
    let unbalance = truth.unbalance(truth.acb().unwrap_or(false));
    if unbalance.iter().all(|percent| *percent < 5.5) {
        for (measured, truth) in [interval.u2, interval.u0].into_iter().zip(unbalance) {
            let percent = measured.value_f64().unwrap_or(f64::NAN);
            near("unbalance", signal, percent, truth, limit(Quantity::Unbalance), 0.001);
        }
    }
}

/// The step of a stepped quantity at a value: `least` below 64 of them, from there on a 32nd of the power of two below it.
fn step(percent: f64, least: f64) -> f64 {
    let octave = (percent / least).max(32.0).log2().floor() - 5.0;
    least * octave.exp2()
}

fn check_spectrum(case: &Case, truth: &Truth, spectrum: &Spectrum) {
    let of = |size: f64| match size {
        large if large >= 0.01 => limit(Quantity::HarmonicLarge) * large,
        _ => limit(Quantity::HarmonicSmall),
    };
    for (measured, truth) in spectrum.voltage.iter().zip(&truth.harmonics) {
        for (measured, truth) in measured.iter().zip(&truth[1..]) {
            let percent = measured.value_f64().unwrap_or(f64::NAN);
            near("harmonic", &case.signal, percent, 100.0 * truth, of(*truth), step(100.0 * truth, 0.01));
        }
    }
    for (measured, truth) in spectrum.neutral.iter().zip(&truth.harmonics[3][1..]) {
        let percent = measured.value_f64().unwrap_or(f64::NAN);
        near("neutral harmonic", &case.signal, percent, 100.0 * truth, of(*truth), step(100.0 * truth, 0.05));
    }
}

/// The payloads of the captures, or of all others. A capture is written in pieces, when the flash has time: how it lies between the
/// others is not a matter of the signal.
fn of_captures(stored: &[Stored], is_capture: bool) -> impl Iterator<Item = &Vec<u8>> {
    let bytes = stored.iter().map(|(_, bytes)| bytes);
    bytes.filter(move |bytes| (bytes[0] == Kind::Capture.number()) == is_capture)
}

fn check(rated: RatedFrequency) {
    let cases = sweep::worst_cases(points(), rated);
    assert!(cases.len() >= 5, "{} signals are no test", cases.len());
    let settings = Signal { interval_s: 10, ..cases[0].signal.clone() }.settings();
    let inputs = tape(&cases);
    let here = play::stored(play::play_inputs(NorMemory::new(SECTORS), &settings, inputs.iter().copied()));
    let board = Board::new();
    board.insert(&settings, inputs.iter().copied());
    board.run(&board.options());
    let there = play::stored(board.flash());
    assert_eq!(here.len(), there.len(), "number of records");
    for is_capture in [false, true] {
        for (here, there) in of_captures(&here, is_capture).zip(of_captures(&there, is_capture)) {
            assert_eq!(here, there, "payload of a record");
        }
    }
    println!("{} signals, {} frames, {} records, the same", cases.len(), inputs.len(), here.len());
    let records = play::decode(&there);
    for (case, number) in cases.iter().zip(1..) {
        let (tick, truth) = (number * FRAMES - FRAMES_BEHIND, Truth::of(&case.signal));
        let interval = records.iter().find_map(|record| match record {
            Record::Interval(interval) if interval.stamp.frame == tick => Some(interval),
            _ => None,
        });
        check_interval(case, &truth, interval.expect("an interval of this signal"));
        let spectrum = records.iter().find_map(|record| match record {
            Record::Spectrum(spectrum) if spectrum.stamp.frame == tick => Some(spectrum),
            _ => None,
        });
        check_spectrum(case, &truth, spectrum.expect("a spectrum of this signal"));
    }
}

#[test]
fn the_worst_signals_of_50_hz() {
    check(RatedFrequency::Hz50);
}

#[test]
fn the_worst_signals_of_60_hz() {
    check(RatedFrequency::Hz60);
}
