//! Small pieces of text that several commands show.

use wyelog::alarms::{self, Alarm};
use wyelog::number;
pub use wyelog::number::count;
use wyelog::time::{When, duration};
use wyelog_protocol::bank::Settings;
use wyelog_protocol::condition::Route;
use wyelog_protocol::message::Live;
use wyelog_protocol::quantity::{Quantity, Scale};

/// A bank in one line.
pub fn bank(settings: &Settings) -> String {
    let plate = &settings.nameplate;
    let kv = plate.system_voltage.value_f64().unwrap_or(f64::NAN) / 1000.0;
    // A bank file needs no name.
    let name = if plate.name.is_empty() { "without a name" } else { plate.name.as_str() };
    format!(
        "{name}: {}, {kv:.2} kV line to line, {} Hz, grounded wye, {} unit{} a phase",
        value(plate.rated_power, 0),
        plate.frequency.hz(),
        plate.units_per_phase,
        if plate.units_per_phase == 1 { "" } else { "s" },
    )
}

/// The last window as a small table.
pub fn live(live: &Live) -> String {
    let mut out = format!("at {}\n", When::from(&live.stamp));
    let mut row = |name: &str, cells: [String; 4]| {
        let [a, b, c, n] = cells;
        out.push_str(format!("  {name:<24}{a:>12}{b:>12}{c:>12}{n:>12}").trim_end());
        out.push('\n');
    };
    let three = |[a, b, c]: [String; 3], n: String| [a, b, c, n];
    row("", ["A", "B", "C", "neutral"].map(str::to_owned));
    row("rms", three(live.voltage.map(|v| value(v, 0)), value(live.neutral, 2)));
    row("angle", three(live.voltage_angle.map(|v| value(v, 1)), value(live.neutral_angle, 1)));
    let has_neutral = live.neutral.value().is_some();
    if has_neutral {
        row("connected", three(live.connected.map(|v| value(v, 3)), String::new()));
    }
    let residual = match live.residual.value() {
        _ if !has_neutral => String::new(),
        Some(_) => format!("{} at {}", value(live.residual, 3), value(live.residual_angle, 1)),
        None => "cannot be told from these voltages".to_owned(),
    };
    let before = if has_neutral { "; neutral current that the voltages do not explain: " } else { "" };
    out.push_str(&format!(
        "  frequency {}, u2 {}, u0 {}{before}{residual}\n",
        value(live.frequency, 3),
        value(live.u2, 2),
        value(live.u0, 2),
    ));
    out
}

/// Alarms that somebody has to know of in full, one behind the other, and a line for each of the others.
pub fn in_full(alarms: &[Alarm]) -> String {
    let (logged, told): (Vec<&Alarm>, Vec<&Alarm>) =
        alarms.iter().partition(|alarm| alarm.route() == Route::LogOnly);
    let sheets = told.iter().enumerate();
    let mut out = sheets
        .map(|(number, alarm)| format!("Alarm {}\n{}", number + 1, alarms::details(alarm)))
        .collect::<Vec<_>>()
        .join("\n");
    if told.is_empty() {
        out.push_str("No alarm.\n");
    }
    if !logged.is_empty() {
        out.push_str("\nIn the log, for nobody to act on:\n");
    }
    for alarm in logged {
        let lasted = alarm.duration_s().map_or_else(|| "goes on".to_owned(), duration);
        let phases: String = alarm.phases.letters().collect();
        let [a, b, c] = alarm.evidence.voltage.map(|volts| value(volts, 0));
        let name = alarm.condition.name();
        out.push_str(&format!("  {name:<13}{phases:<4}{}  {lasted:<9}{a}, {b}, {c}\n", alarm.begin));
    }
    out
}

/// A quantity, or a dash.
pub fn value<S: Scale>(quantity: Quantity<S>, decimals: usize) -> String {
    number::quantity(quantity, decimals, "-")
}
