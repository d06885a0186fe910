//! Records as the Rust decoder reads them, written down as JSON by hand through the public API.

use serde_json::{Map, Value, json};
use wyelog_protocol::bank::{
    Connection, Fusing, Limits, Location, Nameplate, RatedFrequency, SensorClass, SensorKind, Sensors,
    Settings, Switching,
};
use wyelog_protocol::condition::Phases;
use wyelog_protocol::message::Identity;
use wyelog_protocol::quantity::{Quantity, Scale, Stepped};
use wyelog_protocol::record::{
    BankRecord, BaselineRecord, Capture, CrashCause, Event, Evidence, Follows, Interval, Moment, Operation,
    Polar, Quality, Range, Record, Reset, SettingsRecord, Spectrum, Stamp, Status, StatusRecord,
};
use wyelog_protocol::waveform::Samples;

/// `record` with its number, as the Python decoder prints it.
pub fn record(sequence: u32, record: &Record) -> Value {
    let (name, body) = match record {
        Record::Interval(record) => ("interval", interval(record)),
        Record::Event(record) => ("event", event(record)),
        Record::Spectrum(record) => ("spectrum", spectrum(record)),
        Record::Capture(record) => ("capture", capture(record)),
        Record::Operation(record) => ("operation", operation(record)),
        Record::Bank(record) => ("bank", bank(record)),
        Record::Baseline(record) => ("baseline", baseline(record)),
        Record::Status(StatusRecord { stamp: at, status: what }) => {
            ("status", json!({"stamp": stamp(at), "status": status(what)}))
        }
        Record::Settings(SettingsRecord { stamp: at, settings: what }) => {
            ("settings", json!({"stamp": stamp(at), "settings": settings(what)}))
        }
    };
    let Value::Object(fields) = body else { panic!("a record is an object") };
    let mut whole =
        Map::from_iter([("type".to_owned(), json!(name)), ("sequence".to_owned(), json!(sequence))]);
    whole.extend(fields);
    Value::Object(whole)
}

/// An identity, as the Python decoder prints it.
pub fn identity(id: &Identity) -> Value {
    json!({
        "schema": id.schema, "firmware": id.firmware, "board": id.board, "device": id.device.as_str(),
        "boot": id.boot, "frames_per_second": id.frames_per_second, "kinds": id.kinds.as_slice(),
    })
}

fn value<S: Scale>(quantity: Quantity<S>) -> Value {
    json!(quantity.value_f64())
}

fn stepped<S: Scale>(quantity: Stepped<S>) -> Value {
    json!(quantity.value_f64())
}

fn abc<S: Scale>(quantities: [Quantity<S>; 3]) -> Value {
    json!(quantities.map(value))
}

fn stamp(stamp: &Stamp) -> Value {
    json!({"boot": stamp.boot, "frame": stamp.frame, "utc_ms": stamp.utc_ms})
}

fn moment(moment: &Moment) -> Value {
    json!({"frame": moment.frame, "utc_ms": moment.utc_ms})
}

fn range<S: Scale>(range: Range<Quantity<S>>) -> Value {
    json!({"rms": value(range.rms), "min": value(range.min), "max": value(range.max)})
}

fn interval(record: &Interval) -> Value {
    json!({
        "stamp": stamp(&record.stamp), "windows": record.windows, "flagged": record.flagged,
        "frequency": value(record.frequency), "voltage": record.voltage.map(range), "neutral": range(record.neutral),
        "residual": value(record.residual), "neutral_phasor": polar(&record.neutral_phasor),
        "residual_phasor": polar(&record.residual_phasor), "u2": value(record.u2), "u0": value(record.u0),
        "nema": value(record.nema), "connected": abc(record.connected), "quality": quality(&record.quality),
        "state": record.state.name(),
    })
}

fn quality(quality: &Quality) -> Value {
    json!({
        "difference_sigma": value(quality.difference_sigma), "common_sigma": value(quality.common_sigma),
        "common_basis": quality.common_basis.name(),
    })
}

fn operation(record: &Operation) -> Value {
    json!({
        "stamp": stamp(&record.stamp), "action": record.action.name(), "told": record.told,
        "begin": moment(&record.begin), "poles_us": record.poles_us, "neutral_peak": value(record.neutral_peak),
        "voltage_step": value(record.voltage_step), "since_opening_ms": record.since_opening_ms,
    })
}

fn bank(record: &BankRecord) -> Value {
    json!({
        "stamp": stamp(&record.stamp), "state": record.state.name(), "connected": abc(record.connected),
        "sigma": abc(record.sigma), "quality": quality(&record.quality),
    })
}

fn baseline(record: &BaselineRecord) -> Value {
    json!({
        "stamp": stamp(&record.stamp), "state": record.state.name(), "reason": record.reason.name(),
        "connected": abc(record.connected), "quality": quality(&record.quality),
        "change_sigma": value(record.change_sigma), "lowest": value(record.lowest), "highest": value(record.highest),
        "hours": record.hours, "openings": record.openings, "closings": record.closings, "settings": record.settings,
    })
}

fn spectrum(record: &Spectrum) -> Value {
    json!({
        "stamp": stamp(&record.stamp), "windows": record.windows, "flagged": record.flagged,
        "voltage": record.voltage.map(|phase| phase.map(stepped)), "neutral": record.neutral.map(stepped),
        "thd": abc(record.thd), "current_loading": abc(record.current_loading),
        "reactive_loading": abc(record.reactive_loading),
    })
}

fn polar(polar: &Polar) -> Value {
    json!({"size": value(polar.size), "angle": value(polar.angle)})
}

fn capture(record: &Capture) -> Value {
    let follows = match record.follows {
        Follows::More => "more",
        Follows::Nothing => "nothing",
        Follows::Lost => "lost",
    };
    let samples: Vec<_> = Samples::new(&record.samples).map(|sample| sample.expect("a waveform")).collect();
    json!({"stamp": stamp(&record.stamp), "follows": follows, "samples": samples})
}

fn phases(phases: Phases) -> Vec<&'static str> {
    phases.letters().collect()
}

fn event(record: &Event) -> Value {
    json!({
        "stamp": stamp(&record.stamp), "occurrence": record.occurrence, "condition": record.condition.name(),
        "change": record.change.name(), "phases": phases(record.phases),
        "fraction": value(record.fraction),
        "causes": record.causes.iter().map(|cause| cause.name()).collect::<Vec<_>>(),
        "begin": moment(&record.begin), "end": record.end.as_ref().map(moment),
        "evidence": evidence(&record.evidence),
    })
}

fn evidence(evidence: &Evidence) -> Value {
    json!({
        "voltage": abc(evidence.voltage), "neutral": value(evidence.neutral), "residual": value(evidence.residual),
        "residual_angle": value(evidence.residual_angle), "connected_before": abc(evidence.connected_before),
        "connected_after": abc(evidence.connected_after),
    })
}

fn status(status: &Status) -> Value {
    match status {
        Status::Boot { firmware, schema, reset, torn_records } => {
            let reset = match reset {
                Reset::Power => "power",
                Reset::Crash => "crash",
            };
            json!({"boot": {
                "firmware": firmware.as_str(), "schema": schema, "reset": reset, "torn_records": torn_records,
            }})
        }
        Status::Crash { cause, address, schema } => {
            let cause = match cause {
                CrashCause::Panic => "panic",
                CrashCause::HardFault => "hard_fault",
            };
            json!({"crash": {"cause": cause, "address": address, "schema": schema}})
        }
        Status::FramesLost { count } => json!({"frames_lost": {"count": count}}),
        Status::RecordsLost { count } => json!({"records_lost": {"count": count}}),
        Status::ClockSet { before_ms, after_ms, source } => {
            json!({"clock_set": {"before_ms": before_ms, "after_ms": after_ms, "source": source.name()}})
        }
        Status::CapturesLost { triggers, frames } => {
            json!({"captures_lost": {"triggers": triggers, "frames": frames}})
        }
        Status::JournalFailed { count } => json!({"journal_failed": {"count": count}}),
        Status::FlashFaults { sectors, records, numbers } => {
            json!({"flash_faults": {"sectors": sectors, "records": records, "numbers": numbers}})
        }
    }
}

fn settings(settings: &Settings) -> Value {
    json!({
        "nameplate": nameplate(&settings.nameplate), "sensors": sensors(&settings.sensors),
        "limits": limits(&settings.limits), "interval_s": settings.interval_s,
    })
}

fn nameplate(nameplate: &Nameplate) -> Value {
    let connection = match nameplate.connection {
        Connection::GroundedWye => "grounded_wye",
        Connection::SinglePhase => "single_phase",
        Connection::TwoPhase => "two_phase",
    };
    let frequency = match nameplate.frequency {
        RatedFrequency::Hz50 => "hz50",
        RatedFrequency::Hz60 => "hz60",
    };
    let build = &nameplate.build;
    let switching = match build.switching {
        Switching::None => "none",
        Switching::Ganged => "ganged",
        Switching::PerPole => "per_pole",
    };
    let fusing = match build.fusing {
        Fusing::None => "none",
        Fusing::Group => "group",
        Fusing::Individual => "individual",
    };
    json!({
        "name": nameplate.name.as_str(), "connection": connection, "rated_power": value(nameplate.rated_power),
        "system_voltage": value(nameplate.system_voltage), "unit_voltage": value(nameplate.unit_voltage),
        "frequency": frequency, "units_per_phase": nameplate.units_per_phase,
        "build": {
            "phases": phases(build.phases), "sections": build.sections, "switching": switching, "fusing": fusing,
            "second_step_units": build.second_step_units,
        },
    })
}

fn sensors(sensors: &Sensors) -> Value {
    let voltage = sensors.voltage.map(|sensor| {
        let kind = match sensor.kind {
            SensorKind::Absent => "absent",
            SensorKind::Divider => "divider",
            SensorKind::Transformer => "transformer",
        };
        let location = match sensor.location {
            Location::Line => "line",
            Location::FuseSwitch => "fuse_switch",
            Location::Capacitor => "capacitor",
        };
        json!({
            "kind": kind, "location": location, "full_scale": value(sensor.full_scale), "lead": value(sensor.lead),
        })
    });
    json!({
        "voltage": voltage, "neutral_full_scale": value(sensors.neutral_full_scale),
        "neutral_lead": value(sensors.neutral_lead), "control_power": phases(sensors.control_power),
        "has_contact": sensors.has_contact, "class": class(&sensors.class),
    })
}

fn class(class: &SensorClass) -> Value {
    json!({
        "ratio": value(class.ratio), "displacement": value(class.displacement), "own_third": value(class.own_third),
        "stray": value(class.stray), "stray_third": value(class.stray_third),
    })
}

fn limits(limits: &Limits) -> Value {
    json!({
        "interruption": value(limits.interruption), "sag": value(limits.sag), "swell": value(limits.swell),
        "hysteresis": value(limits.hysteresis), "lost_phase": value(limits.lost_phase),
        "least_change": value(limits.least_change), "operate_s": limits.operate_s,
        "operations_per_day": limits.operations_per_day, "overvoltage": value(limits.overvoltage),
        "undervoltage": value(limits.undervoltage), "unbalance": value(limits.unbalance),
        "overload": value(limits.overload), "peak": value(limits.peak), "crew_delay_s": limits.crew_delay_s,
        "engineer_delay_s": limits.engineer_delay_s, "log_delay_s": limits.log_delay_s,
        "return_s": limits.return_s, "voltages_good_s": limits.voltages_good_s,
    })
}
