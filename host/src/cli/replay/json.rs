//! The objects of `wyelog replay --json`, one a line. Times in s from the start of the record, angles in degrees against the
//! positive-sequence voltage; null is what is not known. Nothing is rounded that the firmware has not: numbers carry the
//! seven digits of its floats.

mod bank;

use serde_json::{Map, Value, json};
use wyelog::alarms::Alarm;
use wyelog::replay::{Output, Window};
use wyelog::time::frames_to_seconds;
use wyelog_electrical::Phasor;
use wyelog_electrical::capacitor::Loading;
use wyelog_firmware::frontend::Scaling;
use wyelog_firmware::identify::Measured;
use wyelog_protocol::FRAMES_PER_SECOND;
use wyelog_protocol::bank::Settings;
use wyelog_protocol::quantity::{Quantity, Scale};
use wyelog_protocol::record::{BankRecord, Interval, Range};

/// What is needed to make primary values of per-unit ones.
pub struct View {
    /// What the logger is told.
    pub settings: Settings,
    /// Factors of the per-unit values.
    pub scaling: Scaling,
    /// Whether the record has a neutral current.
    pub has_neutral: bool,
}

impl View {
    /// Anything that comes while the record runs.
    pub fn output(&self, output: &Output) -> Value {
        match output {
            Output::Window(window) => self.window(window),
            Output::Interval(interval) => self.interval(interval),
            Output::Operation(operation) => bank::operation(operation),
            Output::Bank(bank) => bank::state(Some(bank), bank::present(&self.settings), seconds_of(bank)),
            Output::Contact { frame, closed } => json!({
                "type": "operation",
                "seen_by": "contact",
                "t_s": frames_to_seconds(*frame),
                "to": if *closed { "closed" } else { "open" },
            }),
        }
    }

    /// What is known of the bank at the end of the record.
    pub fn last_state(&self, last: Option<&BankRecord>, end_s: f64) -> Value {
        bank::state(last, bank::present(&self.settings), end_s)
    }

    /// A window. `t_s` is its first instant, which lies between two frames as a rule. One with missing samples (`gap`) has no
    /// values.
    fn window(&self, window: &Window) -> Value {
        let measured = &window.measured;
        let volts = f64::from(self.scaling.base_voltage);
        let amps = f64::from(self.scaling.base_current);
        let mut object = json!({
            "type": "window",
            "t_s": instant(measured.begin, measured.fraction),
            "flagged": measured.flagged,
            "gap": measured.gap,
            "overlaps": measured.overlaps,
        });
        let Some(fields) = object.as_object_mut() else { return object };
        let is_known = !measured.gap;
        let of = |value: f32, unit: f64| if is_known { digits(value, unit) } else { None };
        let fundamental = measured.fundamental.as_ref().filter(|_| is_known);
        let phasors = match fundamental {
            Some(fundamental) => fundamental.voltage.map(|voltage| phasor(voltage, volts)),
            None => [[None; 2]; 3],
        };
        let neutral = fundamental.map_or([None; 2], |fundamental| phasor(fundamental.neutral, amps));
        let percent = |value: Option<f32>| value.and_then(|value| digits(value, 1.0));
        let loading = |of: fn(&Loading) -> f32| {
            let value = |loading: &Option<Loading>| loading.as_ref().filter(|_| is_known).map(of);
            measured.loading.each_ref().map(|loading| percent(value(loading)))
        };
        let identified = window.identified.as_ref();
        let with_neutral = |value: Value| if self.has_neutral { value } else { Value::Null };
        let values = [
            ("frequency_hz", json!(of(measured.frequency, 1.0))),
            ("voltage_v", json!(measured.voltage_rms.map(|rms| of(rms, volts)))),
            ("voltage_angle_deg", json!(phasors.map(|[_, angle]| angle))),
            ("phasor_v", json!(phasors)),
            ("neutral_a", with_neutral(json!(of(measured.neutral_rms, amps)))),
            ("neutral_phasor_a", with_neutral(json!(neutral))),
            ("u2_percent", json!(percent(fundamental.and_then(|fundamental| fundamental.u2)))),
            ("u0_percent", json!(percent(fundamental.and_then(|fundamental| fundamental.u0)))),
            ("nema_percent", json!(percent(fundamental.and_then(|fundamental| fundamental.nema)))),
            ("thd_percent", json!(measured.thd.map(|thd| of(thd, 1.0)))),
            ("harmonics_v", json!(measured.voltage_harmonics.map(|rms| spectrum(measured, &rms, volts)))),
            (
                "neutral_harmonics_a",
                with_neutral(json!(spectrum(measured, &measured.neutral_harmonics, amps))),
            ),
            ("voltage_peak_v", json!(measured.voltage_peak.map(|peak| of(peak, volts)))),
            ("loading_current_pu", json!(loading(|loading| loading.current))),
            ("loading_kvar_pu", json!(loading(|loading| loading.reactive))),
            ("residual_pu", json!(percent(identified.map(|identified| identified.residual.magnitude())))),
            (
                "residual_angle_deg",
                json!(percent(identified.map(|identified| identified.residual.angle_degrees()))),
            ),
            (
                "connected",
                json!([0, 1, 2].map(|phase| {
                    percent(identified.and_then(|identified| identified.connected.get(phase).copied()))
                })),
            ),
        ];
        fields.extend(values.map(|(name, value)| (name.to_owned(), value)));
        self.without_absent(fields);
        object
    }

    /// An interval. `t_s` is its end.
    fn interval(&self, interval: &Interval) -> Value {
        let rms =
            |of: fn(&Range<_>) -> Quantity<_>| interval.voltage.each_ref().map(|range| number(of(range)));
        let neutral = |value: Option<f64>| value.filter(|_| self.has_neutral);
        let mut object = json!({
            "type": "interval",
            "t_s": frames_to_seconds(interval.stamp.frame),
            "length_s": self.settings.interval_s,
            "windows": interval.windows,
            "flagged": interval.flagged,
            "frequency_hz": number(interval.frequency),
            "voltage_v": rms(|range| range.rms),
            "voltage_min_v": rms(|range| range.min),
            "voltage_max_v": rms(|range| range.max),
            "neutral_a": neutral(number(interval.neutral.rms)),
            "neutral_min_a": neutral(number(interval.neutral.min)),
            "neutral_max_a": neutral(number(interval.neutral.max)),
            "residual_pu": neutral(number(interval.residual)),
            "u2_percent": number(interval.u2),
            "u0_percent": number(interval.u0),
            "nema_percent": number(interval.nema),
            "connected": interval.connected.map(|part| neutral(number(part))),
            "difference_sigma": neutral(number(interval.quality.difference_sigma)),
            "common_sigma": neutral(number(interval.quality.common_sigma)),
            "common_basis": interval.quality.common_sigma.value().map(|_| interval.quality.common_basis.name()),
            "state": interval.state.name(),
        });
        if let Some(fields) = object.as_object_mut() {
            self.without_absent(fields);
        }
        object
    }

    /// A voltage that is not measured has no value: its channel holds zeros.
    fn without_absent(&self, fields: &mut Map<String, Value>) {
        const BY_PHASE: [&str; 10] = [
            "voltage_v",
            "voltage_min_v",
            "voltage_max_v",
            "voltage_angle_deg",
            "phasor_v",
            "thd_percent",
            "harmonics_v",
            "voltage_peak_v",
            "loading_current_pu",
            "loading_kvar_pu",
        ];
        for (phase, _) in
            self.settings.sensors.voltage.iter().enumerate().filter(|(_, sensor)| !sensor.is_present())
        {
            for name in BY_PHASE {
                if let Some(value) = fields.get_mut(name).and_then(|values| values.get_mut(phase)) {
                    *value = Value::Null;
                }
            }
        }
    }
}

fn seconds_of(bank: &BankRecord) -> f64 {
    frames_to_seconds(bank.stamp.frame)
}

/// An occurrence of a condition; null for what had not come when the record ended. `voltage_v` is that of the evidence: of a
/// sag, swell or interruption the residual voltages. `fraction` of a phase's rated capacitance: lost, or gained below zero;
/// `causes` the likeliest first.
pub fn event(alarm: &Alarm) -> Value {
    json!({
        "type": "event",
        "condition": alarm.condition.name(),
        "phases": alarm.phases.letters().collect::<Vec<_>>(),
        "route": alarm.route().name(),
        "begin_s": alarm.begin.seconds(),
        "detected_s": alarm.detected.map(|when| when.seconds()),
        "announced_s": alarm.announced.map(|when| when.seconds()),
        "end_s": alarm.end.map(|when| when.seconds()),
        "fraction": number(alarm.fraction),
        "causes": alarm.causes.iter().map(|cause| cause.name()).collect::<Vec<_>>(),
        "residual_pu": number(alarm.evidence.residual),
        "residual_angle_deg": number(alarm.evidence.residual_angle),
        "voltage_v": alarm.evidence.voltage.map(number),
    })
}

/// Seconds of a frame and a part of the next, in 2^-32.
fn instant(frame: u64, fraction: u32) -> f64 {
    (frame as f64 + f64::from(fraction) / 4_294_967_296.0) / f64::from(FRAMES_PER_SECOND)
}

fn spectrum(measured: &Measured, harmonics: &[f32], unit: f64) -> Vec<Option<f64>> {
    harmonics.iter().map(|rms| digits(*rms, unit).filter(|_| !measured.gap)).collect()
}

/// Size in `unit`s and angle in degrees.
fn phasor(phasor: Phasor, unit: f64) -> [Option<f64>; 2] {
    [digits(phasor.magnitude(), unit), digits(phasor.angle_degrees(), 1.0)]
}

/// A value in per unit as a primary one, to the seven digits that it has; `None` for NaN and infinity.
fn digits(value: f32, unit: f64) -> Option<f64> {
    let value = f64::from(value) * unit;
    value.is_finite().then(|| format!("{value:.6e}").parse().ok()).flatten()
}

fn number<S: Scale>(quantity: Quantity<S>) -> Option<f64> {
    quantity.value_f64()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_carry_seven_digits_and_no_noise() {
        assert_eq!(digits(0.1, 1.0), Some(0.1));
        assert_eq!(digits(1.0, 7_199.558_1), Some(7199.558));
        assert_eq!(digits(f32::NAN, 1.0), None);
        assert_eq!(digits(f32::INFINITY, 1.0), None);
    }

    #[test]
    fn instants_lie_between_frames() {
        assert_eq!(instant(4800, 0), 1.0);
        assert_eq!(instant(0, 1 << 31), 0.5 / 4800.0);
    }
}
