//! The proving page of one upgrade, as HTML and as text.

use super::STYLE;
use super::text::{days, escape, escape_whole_times, minute, or_dash};
use crate::alarms::paragraph;
use crate::analysis::certificate::{Baseline, Certificate, SOAK_DAYS, SOAK_IN_HOURS, SOAK_PART, Values};
use crate::explain::{Case, explain};
use crate::number::plain;
use wyelog_protocol::condition::Condition;

/// A part of the page: a head, and lines with a name each.
struct Part {
    head: &'static str,
    lines: Vec<(String, String)>,
}

/// The page: HTML in UTF-8 that needs nothing from outside.
pub fn html(page: &Certificate) -> String {
    let class = if page.is_proven() { "nothing" } else { "look" };
    let mut out = format!(
        "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"generator\" \
         content=\"wyelog certificate\"><meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"><meta name=\"color-scheme\" content=\"light dark\"><title>{}</title>\
         <style>\n{STYLE}</style></head><body><main>\n<header><p class=\"kicker\">Proving page of a capacitor bank</p>\
         <h1 class=\"s-{class}\">{}</h1></header>",
        escape(&page.headline()),
        escape(&page.headline())
    );
    let [open, rest @ ..] = lists(page);
    out.push_str(&list(&open));
    for part in parts(page) {
        let lines: String = part
            .lines
            .iter()
            .map(|(name, text)| {
                let (name, text) = (escape(name), escape_whole_times(text));
                format!("<tr><th scope=\"row\" style=\"width:15em\">{name}</th><td>{text}</td></tr>")
            })
            .collect();
        out.push_str(&format!(
            "<section><h2>{}</h2><table><tbody>{lines}</tbody></table></section>",
            part.head
        ));
    }
    out.extend(rest.iter().map(list));
    out.push_str(&format!(
        "<section class=\"reading\"><p>Signed for the crew: ______________________ &#160; for the engineer: \
         ______________________ &#160; on: ______________</p><p>Every time is UTC. Made by wyelog {}.</p></section>\n\
         </main></body></html>\n",
        crate::VERSION
    ));
    out
}

fn list((head, texts): &(&'static str, Vec<String>)) -> String {
    let items: String = texts.iter().map(|text| format!("<li>{}</li>", escape_whole_times(text))).collect();
    let class = if *head == CAUTIONS { " class=\"cautions\"" } else { "" };
    format!("<section{class}><h2>{head}</h2><ul>{items}</ul></section>")
}

/// The same for a terminal.
pub fn text(page: &Certificate) -> String {
    let mut out = format!("{}\n", page.headline());
    for part in parts(page) {
        out.push_str(&format!("\n{}\n", part.head));
        for (name, text) in part.lines {
            // The names are wider than those of an alarm.
            paragraph(&mut out, "", &format!("{name}: {text}"));
        }
    }
    for (head, texts) in lists(page) {
        out.push_str(&format!("\n{head}\n"));
        for text in texts {
            paragraph(&mut out, "          -", &text);
        }
    }
    out
}

const CAUTIONS: &str = "Before anyone goes up";

fn lists(page: &Certificate) -> [(&'static str, Vec<String>); 3] {
    let open = if page.open.is_empty() { vec!["Nothing is open.".to_owned()] } else { page.open.clone() };
    let mut cautions: Vec<String> = Vec::new();
    for condition in [Condition::BlownFuse, Condition::NeutralSignalLost, Condition::ClosedWhileCharged] {
        for caution in explain(&Case::only(condition)).cautions {
            if !cautions.iter().any(|said| said == caution) {
                cautions.push(caution.to_owned());
            }
        }
    }
    [("Open items", open), ("What is not proven", page.not_proven.clone()), (CAUTIONS, cautions)]
}

fn parts(page: &Certificate) -> Vec<Part> {
    let line = |name: &str, text: String| (name.to_owned(), text);
    let row = &page.row;
    let mut bank = Vec::new();
    let known = page.bank.as_ref();
    for (name, text) in [
        ("Feeder", row.feeder.clone()),
        ("Asset", known.and_then(|bank| bank.asset.clone())),
        ("Pole", known.and_then(|bank| bank.pole.clone())),
        ("Position", known.and_then(|bank| bank.position.clone())),
        ("Fuse link installed", known.and_then(|bank| bank.fuse_link.clone())),
    ] {
        bank.extend(text.map(|text| line(name, text)));
    }
    let plate = &row.plate;
    bank.push(line(
        "Nameplate",
        format!(
            "{} kvar, {} kV line to line, units of {} V, {} a phase, {} Hz",
            or_dash(plate.rated_kvar, 0),
            or_dash(plate.system_voltage_v.map(|volts| volts / 1000.0), 2),
            or_dash(plate.unit_voltage_v, 0),
            or_dash(plate.units_per_phase.map(|units| units as f64), 0),
            or_dash(plate.rated_hz, 0)
        ),
    ));
    let others = if page.other_devices.is_empty() {
        String::new()
    } else {
        format!(" (before it: {})", page.other_devices.join(", "))
    };
    bank.push(line("Logger", format!("{}{others}", row.device)));
    let commissioned =
        page.commissioned_ms.map_or_else(|| "not known".to_owned(), |ms| format!("{} UTC", minute(ms)));
    let by = match (page.has_commissioning, page.has_older_baseline()) {
        (true, _) => "its first baseline",
        (_, true) => "the first interval of the range: the baseline is older",
        _ => "the first interval, for want of a baseline",
    };
    bank.push(line("Commissioned", format!("{commissioned}, by {by}")));
    let bounds = [page.range.0.map(|ms| ("from", ms)), page.range.1.map(|ms| ("to just before", ms))];
    let bounds: Vec<String> =
        bounds.into_iter().flatten().map(|(word, ms)| format!("{word} {} UTC", minute(ms))).collect();
    if !bounds.is_empty() {
        bank.push(line("Rests on records", bounds.join(" ")));
    }
    if let (Some(first), Some(last)) = (row.first_ms, row.last_ms) {
        bank.push(line("Records", days(first, last)));
    }
    let mut change = vec![];
    change.push(line(
        "Settings",
        match (page.settings_records, page.changes.len()) {
            (0, _) => "no record of them in the store".to_owned(),
            (_, 0) => "as found; none has changed since the first record".to_owned(),
            (_, 1) => "one has changed since the first record".to_owned(),
            (_, count) => format!("{count} have changed since the first record"),
        },
    ));
    change.extend(page.changes.iter().map(|one| {
        line(
            &one.setting.replace('_', " "),
            format!("found {}, left {}", filled(&one.found), filled(&one.left)),
        )
    }));
    change.extend(beside(&page.found, &page.left));
    vec![
        Part { head: "The bank", lines: bank },
        Part { head: "As found on the first day, and as left on the last", lines: change },
        Part { head: "Soak of seven days", lines: soak(page) },
        Part { head: "Baseline", lines: baseline(page.baseline.as_ref()) },
    ]
}

fn filled(text: &str) -> &str {
    if text.is_empty() || text == "null" { "nothing" } else { text }
}

fn three(values: [Option<f64>; 3], decimals: usize) -> String {
    let [a, b, c] = values.map(|value| or_dash(value, decimals));
    format!("A {a}, B {b}, C {c}")
}

fn beside(found: &Values, left: &Values) -> Vec<(String, String)> {
    let both = |name: &str, of: &dyn Fn(&Values) -> String| {
        (name.to_owned(), format!("found {}; left {}", of(found), of(left)))
    };
    vec![
        both("Voltage to ground, V", &|values| three(values.voltage_v, 0)),
        both("Connected over rated", &|values| three(values.connected, 3)),
        both("Delivered, kvar", &|values| three(values.kvar, 1)),
        both("Neutral current, A", &|values| or_dash(values.neutral_a, 2)),
        both("Unexplained neutral, pu", &|values| or_dash(values.residual_pu, 3)),
        both("u2, %", &|values| or_dash(values.u2_percent, 2)),
    ]
}

fn soak(page: &Certificate) -> Vec<(String, String)> {
    let soak = &page.soak;
    let line = |name: &str, text: String| (name.to_owned(), text);
    let done = if soak.is_done() { "done" } else { "not done" };
    let mut lines = vec![
        line(
            "Time",
            format!(
                "{} of {} days have passed, of {} hours {} are recorded, {} are known: {done}",
                plain(soak.days, 1),
                plain(SOAK_DAYS, 0),
                plain(soak.hours.1, 1),
                plain(soak.hours.0, 1),
                plain(soak.known_hours(), 1)
            ),
        ),
        line(
            "Done when",
            format!(
                "{} % of seven days are known (in, and the capacitance of all phases told, or open), {} h of them in; our choice",
                plain(100.0 * SOAK_PART, 0),
                plain(SOAK_IN_HOURS, 0)
            ),
        ),
        line(
            "Of the recorded",
            format!(
                "{} h known and in, {} h open, {} h closed, {} h flagged (interruption, clipped channel, lost frames)",
                plain(soak.values.known_hours, 1),
                plain(soak.values.open_hours, 1),
                plain(soak.values.closed_hours, 1),
                plain(soak.values.flagged_hours, 1)
            ),
        ),
        line("Operations", format!("opened {}, closed {}", soak.operations.0, soak.operations.1)),
        line("Connected over rated", three(soak.values.connected, 3)),
        line("Delivered, kvar", three(soak.values.kvar, 1)),
        line("Unexplained neutral, pu", or_dash(soak.values.residual_pu, 3)),
    ];
    if soak.alarms.is_empty() {
        lines.push(line("Alarms", "none began in it".to_owned()));
    }
    lines.extend(soak.alarms.iter().map(|alarm| line("Alarm", alarm.clone())));
    lines
}

fn baseline(baseline: Option<&Baseline>) -> Vec<(String, String)> {
    let line = |name: &str, text: String| (name.to_owned(), text);
    let Some(baseline) = baseline else { return vec![line("State", "there is none".to_owned())] };
    let when = |ms: Option<i64>| ms.map_or_else(|| "never".to_owned(), |ms| format!("{} UTC", minute(ms)));
    let percent = |sigma: Option<f64>| or_dash(sigma.map(|sigma| 100.0 * sigma), 1);
    let basis = baseline.basis.as_deref().unwrap_or("nothing");
    let (hours, openings, closings) = baseline.watched;
    vec![
        line("State", format!("{} ({})", baseline.state, baseline.reason.replace('_', " "))),
        line("Learned", when(baseline.learned_ms)),
        line("Confirmed", when(baseline.confirmed_ms)),
        line("Connected over rated", three(baseline.connected, 3)),
        line(
            "How good",
            format!(
                "differences ± {} %, common part ± {} % (rests on: {basis})",
                percent(baseline.sigmas.0),
                percent(baseline.sigmas.1)
            ),
        ),
        line(
            "Watched since",
            format!("{hours} h closed and healthy, {openings} openings, {closings} closings"),
        ),
    ]
}
