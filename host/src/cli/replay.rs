//! `wyelog replay`

use std::io::Write;
use std::path::PathBuf;

use serde_json::{Value, json};
use wyelog::alarms::{Alarm, details};
use wyelog::replay::{Output, Source};
use wyelog::time::frames_to_seconds;
use wyelog_protocol::bank::Settings;
use wyelog_protocol::message::Live;
use wyelog_protocol::quantity::{Quantity, Scale};
use wyelog_protocol::record::{Interval, Range};

use super::progress::Progress;
use super::sheet::{self, count};
use super::{Failure, Outcome, say};

/// Run the logger firmware over a recorded waveform (COMTRADE), here, and show what it finds.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
The channels are found by the record's phase and unit fields (A, B, C in V or kV, N in A), or named in the bank file.

Examples:
  wyelog replay fault.cfg --bank b3.toml
  wyelog replay fault.cfg --bank b3.toml --json     one object a line; type is window, interval or event

A bank file:
  [bank]
  connection = \"grounded_wye\"
  rated_kvar = 600          # three phases
  rated_kv_ll = 12.47
  frequency_hz = 60")]
pub struct Arguments {
    /// The record's .cfg file; the .dat file lies beside it
    #[arg(value_name = "RECORD.cfg")]
    record: PathBuf,
    /// What the logger is told about the bank
    #[arg(long, value_name = "BANK.toml")]
    bank: PathBuf,
    /// JSON, one object a line
    #[arg(long)]
    json: bool,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let source = Source::read(&arguments.record, &arguments.bank)?;
    let name = arguments.record.display().to_string();
    let missing = source.missing_samples;
    if !source.has_neutral {
        say(&format!("{name}: no neutral current in the record: voltages only, nothing is said of the bank"));
    }
    if missing > 0 {
        say(&format!("{name}: the .dat file ends {} early; the rest is read", count(missing, "sample")));
    }
    if source.bytes_behind > 0 {
        say(&format!(
            "{name}: the .dat file has {} behind the samples that the .cfg file announces: not read; check its last sample \
             number (endsamp)",
            count(source.bytes_behind, "byte")
        ));
    }
    let settings = source.settings().clone();
    if let Some(hz) = source.other_frequency {
        say(&format!(
            "{name}: the record states {hz} Hz and {} {} Hz; check which of them is right",
            arguments.bank.display(),
            settings.nameplate.frequency.hz()
        ));
    }
    let is_whole = missing == 0 && source.bytes_behind == 0;
    let mut evaluated = false;
    let heading = (source.duration_s, source.has_contact);
    let mut windows = Vec::new();
    let mut written = Ok(());
    let seconds = source.duration_s.ceil() as u64;
    // Beside lines on the same terminal it would only disturb.
    let mut progress = (!arguments.json).then(|| Progress::new(seconds, "s"));
    let alarms = source.run(&mut |output| {
        if let (Some(progress), Output::Window(live)) = (&mut progress, &output) {
            progress.update(frames_to_seconds(live.stamp.frame) as u64, seconds, String::new);
        }
        if let Output::Window(live) = &output {
            evaluated |= live.u2.value().is_some();
        }
        if written.is_err() {
            return;
        }
        if arguments.json {
            let value = match &output {
                Output::Window(live) => window(live, &settings),
                Output::Interval(record) => interval(record, &settings),
            };
            written = writeln!(out, "{value}");
        } else if let Output::Window(live) = output {
            windows.push(live);
        }
    });
    drop(progress);
    written?;
    if arguments.json {
        for alarm in &alarms {
            writeln!(out, "{}", event(alarm))?;
        }
    } else {
        show(&name, heading, &settings, &windows, &alarms, out)?;
    }
    if !evaluated && alarms.is_empty() {
        say(&format!(
            "{name}: in no window could the voltages be evaluated, so nothing was looked for; check the record's length, \
             rate and units, and the voltage and frequency in {}",
            arguments.bank.display()
        ));
        return Ok(Outcome::Partly);
    }
    Ok(if is_whole { Outcome::Whole } else { Outcome::Partly })
}

fn show(
    name: &str,
    (duration_s, has_contact): (f64, bool),
    settings: &Settings,
    windows: &[Live],
    alarms: &[Alarm],
    out: &mut impl Write,
) -> Result<(), Failure> {
    let contact = if has_contact { "with" } else { "without" };
    writeln!(out, "Record    {name}: {duration_s:.3} s, {contact} a contact input")?;
    writeln!(out, "Bank      {}", sheet::bank(settings))?;
    if let [first, .., last] = windows {
        write!(out, "First     {}", sheet::live(first))?;
        write!(out, "Last      {}", sheet::live(last))?;
    }
    writeln!(
        out,
        "Windows   {}, each of {} cycles",
        windows.len(),
        settings.nameplate.frequency.cycles_per_window()
    )?;
    writeln!(out)?;
    if alarms.is_empty() {
        writeln!(out, "No condition was found.")?;
    }
    for (number, alarm) in alarms.iter().enumerate() {
        writeln!(out, "Condition {}, begun {:.3} s into the record", number + 1, alarm.begin.seconds())?;
        write!(out, "{}", details(alarm))?;
    }
    Ok(())
}

/// A window. `t_s` is its first instant, from the start of the record; angles are against the positive-sequence
/// voltage.
fn window(live: &Live, settings: &Settings) -> Value {
    let cycles = f64::from(settings.nameplate.frequency.cycles_per_window());
    let hz = number(live.frequency).unwrap_or_else(|| f64::from(settings.nameplate.frequency.hz()));
    // The record's neutral angle is against the ideal capacitor current of A, 90 degrees ahead of the voltage.
    let neutral_angle = number(live.neutral_angle).map(|angle| wrapped(angle + 90.0));
    json!({
        "type": "window",
        "t_s": frames_to_seconds(live.stamp.frame) - cycles / hz,
        "frequency_hz": number(live.frequency),
        "voltage_v": live.voltage.map(number),
        "voltage_angle_deg": live.voltage_angle.map(number),
        "phasor_v": phasors(live),
        "neutral_a": number(live.neutral),
        "neutral_phasor_a": [number(live.neutral_fundamental), neutral_angle],
        "u2_percent": number(live.u2),
        "u0_percent": number(live.u0),
        "residual_pu": number(live.residual),
        "residual_angle_deg": number(live.residual_angle),
        "connected": live.connected.map(number),
    })
}

/// Fundamental rms and angle in degrees of each voltage, against the positive-sequence voltage.
fn phasors(live: &Live) -> Vec<[Option<f64>; 2]> {
    let parts = live.voltage_fundamental.iter().zip(live.voltage_angle);
    parts.map(|(size, angle)| [number(*size), number(angle)]).collect()
}

/// An interval. `t_s` is its end, from the start of the record.
fn interval(interval: &Interval, settings: &Settings) -> Value {
    let rms = |of: fn(&Range<_>) -> Quantity<_>| interval.voltage.each_ref().map(|range| number(of(range)));
    json!({
        "type": "interval",
        "t_s": frames_to_seconds(interval.stamp.frame),
        "length_s": settings.interval_s,
        "windows": interval.windows,
        "flagged": interval.flagged,
        "frequency_hz": number(interval.frequency),
        "voltage_v": rms(|range| range.rms),
        "voltage_min_v": rms(|range| range.min),
        "voltage_max_v": rms(|range| range.max),
        "neutral_a": number(interval.neutral.rms),
        "neutral_min_a": number(interval.neutral.min),
        "neutral_max_a": number(interval.neutral.max),
        "residual_pu": number(interval.residual),
        "u2_percent": number(interval.u2),
        "u0_percent": number(interval.u0),
        "nema_percent": number(interval.nema),
        "connected": interval.connected.map(number),
    })
}

/// An occurrence of a condition; times from the start of the record, null for what had not come when it ended.
fn event(alarm: &Alarm) -> Value {
    json!({
        "type": "event",
        "condition": alarm.condition.name(),
        "phases": alarm.phases.letters().collect::<Vec<_>>(),
        "route": alarm.route().name(),
        "begin_s": alarm.begin.seconds(),
        "detected_s": alarm.detected.map(|when| when.seconds()),
        "announced_s": alarm.announced.map(|when| when.seconds()),
        "end_s": alarm.end.map(|when| when.seconds()),
        "residual_pu": number(alarm.evidence.residual),
        "residual_angle_deg": number(alarm.evidence.residual_angle),
        "voltage_v": alarm.evidence.voltage.map(number),
    })
}

fn number<S: Scale>(quantity: Quantity<S>) -> Option<f64> {
    quantity.value_f64()
}

fn wrapped(degrees: f64) -> f64 {
    if degrees > 180.0 { degrees - 360.0 } else { degrees }
}
