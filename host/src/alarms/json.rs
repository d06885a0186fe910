//! Alarms for programs.

use serde_json::{Value, json};
use wyelog_protocol::quantity::{Quantity, Scale};

use super::Alarm;
use crate::time::When;

/// An alarm as an object. Times are UTC where the log lets it be told, `time_guessed` if only from what was before and after, and always also seconds since the start
/// `boot` of the logger; what is not known is null. Voltages in V, neutral in A, residual in per unit of a phase's
/// rated current, angle in degrees, connected capacitance and `fraction` (lost; negative: gained) over the rated one; `causes` the
/// likeliest first.
pub fn to_json(alarm: &Alarm) -> Value {
    let evidence = &alarm.evidence;
    json!({
        "type": "alarm",
        "device": alarm.device,
        "bank": alarm.bank,
        "boot": alarm.begin.boot,
        "occurrence": alarm.occurrence,
        "condition": alarm.condition.name(),
        "phases": alarm.phases.letters().collect::<Vec<_>>(),
        "route": alarm.route().name(),
        "fraction": number(alarm.fraction),
        "causes": alarm.causes.iter().map(|cause| cause.name()).collect::<Vec<_>>(),
        "begin_utc": alarm.begin.utc(),
        "begin_s": alarm.begin.seconds(),
        "time_guessed": alarm.begin.is_guessed,
        "detected_utc": utc(alarm.detected),
        "detected_s": seconds(alarm.detected),
        "announced_utc": utc(alarm.announced),
        "announced_s": seconds(alarm.announced),
        "end_utc": utc(alarm.end),
        "end_s": seconds(alarm.end),
        "duration_s": alarm.duration_s(),
        "evidence": {
            "voltage_v": evidence.voltage.map(number),
            "neutral_a": number(evidence.neutral),
            "residual_pu": number(evidence.residual),
            "residual_angle_deg": number(evidence.residual_angle),
            "connected_before": evidence.connected_before.map(number),
            "connected_after": evidence.connected_after.map(number),
        },
    })
}

fn utc(when: Option<When>) -> Option<String> {
    when.as_ref().and_then(When::utc)
}

fn seconds(when: Option<When>) -> Option<f64> {
    when.as_ref().map(When::seconds)
}

fn number<S: Scale>(quantity: Quantity<S>) -> Option<f64> {
    quantity.value_f64()
}
