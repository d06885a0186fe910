//! Holds what the firmware measured of a signal against the truth.

use wyelog_electrical::{Phasor, Rotation};
use wyelog_firmware::identify::Measured;
use wyelog_simulator::complex::Complex;

use super::heard::{Heard, first_s};
use super::signal::Signal;
use super::tally::{Quantity, Tally};
use super::truth::{HARMONICS, Truth};

/// Windows that begin earlier are not judged: the frequency is being found.
pub const SETTLED_S: f64 = 1.0;

/// Names of the channels.
const CHANNELS: [&str; 4] = ["A", "B", "C", "N"];

/// The windows of a steady signal, from 1 s on. `distorted` says which limit its frequency has.
///
/// # Panics
/// There are no windows, or they leave a gap or overlap where no interval ends.
pub fn steady(signal: &Signal, heard: &Heard, distorted: bool) -> Tally {
    let truth = Truth::of(signal);
    let windows: Vec<&Measured> =
        heard.windows.iter().filter(|window| first_s(window) >= SETTLED_S).collect();
    assert!(windows.len() >= 3, "{}: only {} windows", signal.name, windows.len());
    let mut tally = Tally::default();
    let at = |what: &str| format!("{}, {:.3} Hz{what}", signal.name, signal.hz);
    for window in &windows {
        window_values(signal, &truth, window, distorted, &mut tally);
    }
    let length = f64::from(signal.rated.cycles_per_window()) / signal.hz;
    for pair in windows.windows(2) {
        if pair[1].overlaps {
            assert!(pair[0].end > pair[1].begin, "{}: overlaps by nothing", signal.name);
            continue;
        }
        assert_eq!(pair[0].end, pair[1].begin, "{}: a gap or an overlap", signal.name);
        let measured = first_s(pair[1]) - first_s(pair[0]);
        tally.take(Quantity::WindowLength, 100.0 * (measured / length - 1.0), || at(""));
    }
    tally
}

fn window_values(signal: &Signal, truth: &Truth, window: &Measured, distorted: bool, tally: &mut Tally) {
    let at = |what: &str| format!("{}, {:.3} Hz{what}", signal.name, signal.hz);
    let of = |channel: usize| format!(", {}", CHANNELS[channel]);
    let [a, b, c] = window.voltage_rms;
    for (channel, (rms, true_rms)) in [a, b, c, window.neutral_rms].into_iter().zip(truth.rms).enumerate() {
        tally.take(Quantity::Rms, 100.0 * (f64::from(rms) - true_rms), || at(&of(channel)));
    }
    let quantity = if distorted { Quantity::FrequencyDistorted } else { Quantity::Frequency };
    tally.take(quantity, 1000.0 * (f64::from(window.frequency) - signal.hz), || at(""));
    harmonics(truth, window, tally, &at);
    fundamentals(signal, truth, window, tally, &at);
}

/// Relative error in percent, of a value that is large enough to have one.
fn relative(measured: f32, truth: f64) -> f64 {
    100.0 * (f64::from(measured) / truth - 1.0)
}

fn harmonics(truth: &Truth, window: &Measured, tally: &mut Tally, at: &dyn Fn(&str) -> String) {
    let [a, b, c] = &window.voltage_harmonics;
    for (channel, measured) in [a, b, c, &window.neutral_harmonics].into_iter().enumerate() {
        for order in 2..=HARMONICS {
            let (measured, truth) = (f64::from(measured[order - 1]), truth.harmonics[channel][order - 1]);
            let what = || at(&format!(", h{order} of {}", CHANNELS[channel]));
            // One that is exactly 1 % has both limits, which meet there.
            if truth >= 0.01 {
                tally.take(Quantity::HarmonicLarge, 100.0 * (measured / truth - 1.0), what);
            } else {
                tally.take(Quantity::HarmonicSmall, 100.0 * (measured - truth), what);
            }
        }
    }
    for (phase, name) in CHANNELS.into_iter().take(3).enumerate() {
        if truth.harmonics[phase][0] < 0.05 {
            continue;
        }
        let what = || at(&format!(", {name}"));
        let error = f64::from(window.thd[phase]) - truth.thd[phase];
        // Harmonics of 0.5 % of reading are a THD of 0.5 % of reading: brought to the fixed limit of a THD of 5 %.
        let allowed = if truth.thd[phase] > 5.0 { truth.thd[phase] / 5.0 } else { 1.0 };
        // Against the nominal voltage, as the harmonics' limits are.
        tally.take(Quantity::Thd, error * truth.harmonics[phase][0] / allowed, what);
        let [current, reactive] = truth.loading[phase];
        let loading = window.loading[phase].unwrap_or_default();
        tally.take(Quantity::CurrentLoading, relative(loading.current, current), what);
        tally.take(Quantity::ReactiveLoading, relative(loading.reactive, reactive), what);
        tally.take(Quantity::Crest, relative(window.voltage_peak[phase], truth.peak[phase]), what);
    }
}

fn fundamentals(
    signal: &Signal,
    truth: &Truth,
    window: &Measured,
    tally: &mut Tally,
    at: &dyn Fn(&str) -> String,
) {
    let Some(fundamental) = &window.fundamental else {
        tally.take(Quantity::Tve, f64::NAN, || at(", no fundamental"));
        return;
    };
    let acb = fundamental.rotation == Rotation::Acb;
    if truth.acb().is_some_and(|truth| truth != acb) {
        tally.take(Quantity::Unbalance, f64::NAN, || at(", rotation"));
        return;
    }
    let truths = truth.unbalance(acb);
    if truths.iter().all(|percent| *percent < 5.5) {
        for (measured, truth) in [fundamental.u2, fundamental.u0].into_iter().zip(truths) {
            tally.take(Quantity::Unbalance, f64::from(measured.unwrap_or(f32::NAN)) - truth, || at(""));
        }
        tally.take(Quantity::Nema, f64::from(fundamental.nema.unwrap_or(f32::NAN)) - truth.nema, || at(""));
    }
    if (signal.hz - f64::from(signal.rated.hz())).abs() <= 5.0 {
        let [a, b, c] = fundamental.voltage;
        let measured = [a, b, c, fundamental.neutral];
        for (channel, (measured, truth)) in measured.into_iter().zip(truth.phasors(acb)).enumerate() {
            // The standard's range begins at 10 % of nominal.
            if truth.abs() > 0.05 {
                let what = || at(&format!(", {}", CHANNELS[channel]));
                tally.take(Quantity::Tve, tve_percent(measured, truth), what);
            }
        }
    }
}

/// Total vector error in percent (IEC/IEEE 60255-118-1).
pub fn tve_percent(measured: Phasor, truth: Complex) -> f64 {
    let measured = Complex::new(f64::from(measured.re), f64::from(measured.im));
    100.0 * (measured - truth).abs() / truth.abs()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn total_vector_error_of_a_worked_example() {
        // 120∠0 measured as 119.2∠−0.4°: 0.963629 %, computed with numpy.
        let tve = tve_percent(Phasor::from_polar_degrees(119.2, -0.4), Complex::new(120.0, 0.0));
        assert!((tve - 0.963_629).abs() < 2e-5, "{tve}");
    }
}
