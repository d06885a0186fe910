//! Small pieces of text that several commands show.

use wyelog::alarms::{self, Alarm};
use wyelog::number;
pub use wyelog::number::count;
use wyelog::time::{When, duration, frames_to_seconds};
use wyelog_protocol::bank::{Connection, Settings};
use wyelog_protocol::condition::{Phases, Route};
use wyelog_protocol::message::Live;
use wyelog_protocol::quantity::{Quantity, Scale};
use wyelog_protocol::record::{BankRecord, Operation};

/// A bank in one line.
pub fn bank(settings: &Settings) -> String {
    let plate = &settings.nameplate;
    let kv = plate.system_voltage.value_f64().unwrap_or(f64::NAN) / 1000.0;
    // A bank file needs no name.
    let name = if plate.name.is_empty() { "without a name" } else { plate.name.as_str() };
    let connection = match plate.connection {
        Connection::GroundedWye => "grounded wye",
        Connection::SinglePhase => "single phase",
        Connection::TwoPhase => "two phases",
    };
    let letters: String = plate.build.phases.letters().collect();
    let phases = if plate.build.phases == Phases::ABC { String::new() } else { format!(" ({letters})") };
    format!(
        "{name}: {}, {kv:.2} kV line to line, {} Hz, {connection}{phases}, {} unit{} a phase",
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
        out.push_str(&format!("  {name:<12} {phases:<4}{}  {lasted:<9}{a}, {b}, {c}\n", alarm.begin));
    }
    out
}

/// A quantity, or a dash.
pub fn value<S: Scale>(quantity: Quantity<S>, decimals: usize) -> String {
    number::quantity(quantity, decimals, "-")
}

/// What the switch did, in a line.
pub fn operation(operation: &Operation) -> String {
    let told = match operation.told {
        Some(true) => ", told to",
        Some(false) => ", untold",
        None => "",
    };
    let since = operation
        .since_opening_ms
        .map(|ms| format!(", {} after the last opening", duration(ms as f64 / 1000.0)));
    let poles: Vec<String> = ["A", "B", "C"]
        .iter()
        .zip(operation.poles_us)
        .filter_map(|(phase, us)| Some(format!("{phase} {:.1} ms", f64::from(us?) / 1000.0)))
        .collect();
    let poles =
        if poles.is_empty() { String::new() } else { format!(", current zeros {}", poles.join(", ")) };
    format!(
        "{} at {:.3} s{told}: neutral peak {} (in the band of the sampling), voltage step {}{poles}{}",
        operation.action.name(),
        frames_to_seconds(operation.begin.frame),
        value(operation.neutral_peak, 1),
        value(operation.voltage_step, 4),
        since.unwrap_or_default(),
    )
}

/// What is known of the bank, in a line.
pub fn state(bank: &BankRecord) -> String {
    let head = format!(
        "{} from {:.3} s on",
        bank.state.name().replace('_', " "),
        frames_to_seconds(bank.stamp.frame)
    );
    let parts = ["A", "B", "C"].iter().zip(bank.connected.iter().zip(&bank.sigma)).map(
        |(phase, (y, sigma))| match (y.value_f64(), sigma.value_f64()) {
            (Some(y), Some(sigma)) => {
                format!("{phase} {} ± {}", number::plain(y, 3), number::plain(sigma, 3))
            }
            _ => format!("{phase} not identifiable"),
        },
    );
    if bank.connected.iter().all(|y| y.value().is_none()) {
        return format!("{head}; capacitances not identifiable");
    }
    let quality = &bank.quality;
    let common = match quality.common_sigma.value_f64() {
        Some(sigma) => format!("± {} ({})", number::plain(sigma, 3), quality.common_basis.name()),
        None => "not identifiable".to_owned(),
    };
    format!(
        "{head}: {} of the rated capacitance; differences ± {}, common part {common}",
        parts.collect::<Vec<_>>().join(", "),
        quality
            .difference_sigma
            .value_f64()
            .map_or_else(|| "unknown".to_owned(), |sigma| number::plain(sigma, 3)),
    )
}
