//! When which alarm stood.

use wyelog_protocol::condition::Phases;

use super::axis::Axis;
use super::chart::{LEFT, RIGHT, WIDTH, open, short, time_axis};
use super::charts::TIME_LABELS;
use super::text::escape;
use crate::analysis::fleet::{AlarmRow, FleetRow};
use crate::analysis::trend::Trend;

/// Height of a row.
const ROW: f64 = 34.0;
/// Most rows; a bank with more kinds of conditions has other worries.
const MOST_ROWS: usize = 8;

/// A row a condition: a bar from begin to end, a stroke where it was detected, a dot where it was announced.
pub fn timeline(id: &str, trend: &Trend, row: &FleetRow) -> String {
    let mut conditions: Vec<&str> = Vec::new();
    let mut by_urgency: Vec<&AlarmRow> = row.alarms.iter().collect();
    by_urgency.sort_by_key(|alarm| alarm.urgency());
    for alarm in by_urgency {
        if !conditions.contains(&alarm.name.as_str()) {
            conditions.push(&alarm.name);
        }
    }
    conditions.truncate(MOST_ROWS);
    let time = Axis::time(trend.start_ms, trend.end_ms(), TIME_LABELS);
    let height = 26.0 + ROW * conditions.len().max(1) as f64 + 34.0;
    let desc: Vec<String> = conditions
        .iter()
        .map(|name| {
            let count = row.alarms.iter().filter(|alarm| alarm.name == **name).count();
            format!("{}: {count}", name.replace('_', " "))
        })
        .collect();
    let desc = if desc.is_empty() { "No alarm.".to_owned() } else { desc.join("; ") };
    let mut out = open(id, height, "Alarms over time", &desc);
    if conditions.is_empty() {
        out.push_str(&format!("<text class=\"tick\" x=\"{}\" y=\"40\">no alarm</text>", short(LEFT)));
    }
    for (index, name) in conditions.iter().enumerate() {
        let y = 26.0 + ROW * index as f64;
        out.push_str(&format!(
            "<text class=\"tick\" x=\"{}\" y=\"{}\">{}</text>",
            short(LEFT),
            short(y),
            escape(&name.replace('_', " "))
        ));
        out.push_str(&bars(row.alarms.iter().filter(|alarm| alarm.name == *name), &time, y + 7.0));
    }
    out.push_str(&time_axis(&time, height - 30.0));
    out.push_str("</svg>");
    out
}

/// The bars of one condition, the newest first; those that touch on the page are one.
fn bars<'a>(alarms: impl Iterator<Item = &'a AlarmRow>, time: &Axis, y: f64) -> String {
    let x = |ms: f64| LEFT + (WIDTH - LEFT - RIGHT) * time.part(ms).clamp(0.0, 1.0);
    let (mut bars, mut strokes, mut dots) = (String::new(), String::new(), String::new());
    let mut open = Phases::NONE;
    let mut drawn = f64::INFINITY;
    for alarm in alarms {
        let Some(begin) = alarm.begin.utc_ms.map(|ms| ms as f64) else { continue };
        let end = match alarm.end_ms {
            Some(end) => end as f64,
            None if alarm.is_open => time.to,
            None => begin + alarm.duration_s * 1000.0,
        };
        if end < time.from || begin > time.to {
            continue;
        }
        if alarm.is_open {
            open = Phases::from_bits(open.bits() | alarm.phases.bits());
        }
        let (left, right) = (x(begin), x(end).max(x(begin) + 3.0));
        if right > drawn - 0.5 && left > drawn - 1.0 {
            continue;
        }
        drawn = left;
        bars.push_str(&format!("M{} {}H{}v12H{}z", short(left), short(y), short(right), short(left)));
        let is_shown = |ms: &i64| (time.from..=time.to).contains(&(*ms as f64));
        if let Some(detected) = alarm.detected_ms.filter(is_shown) {
            strokes.push_str(&format!("M{} {}v18", short(x(detected as f64)), short(y - 3.0)));
        }
        if let Some(announced) = alarm.announced_ms.filter(is_shown) {
            dots.push_str(&format!("M{} {}h.1", short(x(announced as f64)), short(y + 6.0)));
        }
    }
    let labels = if open == Phases::NONE {
        String::new()
    } else {
        let phases: String = open.letters().collect();
        let (x, y) = (short(WIDTH - RIGHT + 7.0), short(y + 11.0));
        format!("<text class=\"end alarm\" x=\"{x}\" y=\"{y}\">{phases} open</text>")
    };
    format!(
        "<path class=\"bar-alarm\" d=\"{bars}\"/><path class=\"stroke\" d=\"{strokes}\"/><path class=\"dot\" \
         d=\"{dots}\"/>{labels}"
    )
}
