//! Alarms for people: a table, and one of them in full.

use std::fmt::Write;

use wyelog_protocol::condition::Phases;
use wyelog_protocol::quantity::{Quantity, Scale};

use super::Alarm;
use crate::explain::{Explanation, explain, letters};
use crate::number::{plain, quantity};
use crate::time::{GUESSED_NOTE, duration};

/// Width of running text.
const WIDTH: usize = 100;
/// Width of the names on the left.
const NAMES: usize = 12;

/// The alarms as a table, one row each, with a heading.
pub fn table(alarms: &[Alarm]) -> String {
    let head = ["#", "logger", "bank", "condition", "phase", "route", "begin", "announced", "lasted"];
    let rows = alarms.iter().enumerate().map(|(number, alarm)| {
        [
            (number + 1).to_string(),
            alarm.device.clone(),
            alarm.bank.clone(),
            alarm.condition.name().to_owned(),
            alarm.phases.letters().collect::<String>(),
            alarm.route().name().to_owned(),
            alarm.begin.to_string(),
            alarm.announced.map_or_else(|| "no".to_owned(), |when| after(alarm, when.seconds())),
            alarm.duration_s().map_or_else(|| "goes on".to_owned(), duration),
        ]
    });
    let rows: Vec<[String; 9]> = std::iter::once(head.map(str::to_owned)).chain(rows).collect();
    let mut widths = [0; 9];
    for row in &rows {
        for (width, cell) in widths.iter_mut().zip(row) {
            *width = (*width).max(cell.chars().count());
        }
    }
    let mut out = String::new();
    for row in rows {
        let cells: Vec<String> =
            row.iter().zip(widths).map(|(cell, width)| format!("{cell:width$}")).collect();
        out.push_str(cells.join("  ").trim_end());
        out.push('\n');
    }
    if alarms.iter().any(|alarm| alarm.begin.is_guessed) {
        out.push_str(GUESSED_NOTE);
        out.push('\n');
    }
    out
}

/// One alarm in full: what, when, from what it was decided, what it means, what to beware of.
pub fn details(alarm: &Alarm) -> String {
    let mut out = String::new();
    let mut line = |name: &str, text: &str| paragraph(&mut out, name, text);
    let phases = match alarm.phases {
        Phases::NONE => String::new(),
        one if one.count() == 1 => format!(", phase {}", letters(one)),
        phases => format!(", phases {}", letters(phases)),
    };
    line("condition", &format!("{}{phases} (route: {})", alarm.condition.name(), alarm.route().name()));
    line("began", &alarm.begin.to_string());
    for (name, when) in [("detected", alarm.detected), ("announced", alarm.announced), ("ended", alarm.end)] {
        match when {
            Some(when) => line(name, &format!("{when} ({})", after(alarm, when.seconds()))),
            None if name == "detected" => line(name, "not in these logs"),
            None if name == "announced" => line(name, "not yet"),
            None => line(name, "goes on at the end of the log"),
        }
    }
    let evidence = &alarm.evidence;
    line(
        "voltages",
        &format!(
            "A {}, B {}, C {}",
            value(evidence.voltage[0], 0),
            value(evidence.voltage[1], 0),
            value(evidence.voltage[2], 0)
        ),
    );
    if evidence.residual.value().is_some() {
        line(
            "neutral",
            &format!(
                "{} measured; {} at {} of it not explained by the voltages (1 pu is a phase's rated current; 0 deg \
                 is the capacitor current of phase A)",
                value(evidence.neutral, 2),
                value(evidence.residual, 3),
                value(evidence.residual_angle, 1),
            ),
        );
    }
    if evidence.connected_after.iter().any(|part| part.value().is_some()) {
        line(
            "connected",
            &format!(
                "{} (before: {}) of the rated capacitance; differences between phases are measured, what they have \
                 in common is the nameplate's",
                parts(evidence.connected_after),
                parts(evidence.connected_before)
            ),
        );
    }
    if !alarm.causes.is_empty() {
        let causes: Vec<&str> = alarm.causes.iter().map(|cause| cause.name()).collect();
        line("causes", &format!("{} (the likeliest first)", causes.join(", ")));
    }
    out.push_str(&meaning(&explain(&alarm.case())));
    out
}

/// An explanation with a name in front of each part.
pub fn meaning(words: &Explanation) -> String {
    let mut out = String::new();
    paragraph(&mut out, "means", &words.happened);
    for text in &words.otherwise {
        paragraph(&mut out, "or", text);
    }
    for (name, texts) in [("look for", &words.look), ("bring", &words.bring), ("caution", &words.cautions)] {
        for text in texts {
            paragraph(&mut out, name, text);
        }
    }
    out
}

/// "60.2 s later".
fn after(alarm: &Alarm, seconds: f64) -> String {
    format!("{} later", duration(seconds - alarm.begin.seconds()))
}

fn parts<S: Scale>(parts: [Quantity<S>; 3]) -> String {
    let [a, b, c] = parts.map(|part| part.value_f64().map_or_else(|| "?".to_owned(), |y| plain(y, 2)));
    format!("A {a}, B {b}, C {c}")
}

fn value<S: Scale>(quantity: Quantity<S>, decimals: usize) -> String {
    self::quantity(quantity, decimals, "unknown")
}

/// A name on the left, text beside it, wrapped.
pub(crate) fn paragraph(out: &mut String, name: &str, text: &str) {
    let mut name = name;
    let mut line = String::new();
    for word in text.split_whitespace().chain(std::iter::once("\n")) {
        let is_full = line.chars().count() + 1 + word.chars().count() > WIDTH - NAMES;
        if word == "\n" || is_full {
            // Writing into a text cannot fail.
            let _ = writeln!(out, "{name:NAMES$}{line}");
            (name, line) = ("", String::new());
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
}
