//! The page of a bank.

use wyelog_electrical::Rotation;
use wyelog_protocol::condition::Route;

use super::answers::Answers;
use super::charts::Bands;
use super::text::{about, days, escape, escape_whole_times, grouped, or_dash, second};
use super::{badge, charts, name, operations, phasors, timeline, top, trust};
use crate::analysis::fleet::{AlarmRow, FleetRow, State};
use crate::analysis::kvar::basis_of;
use crate::analysis::trend::{Span, Trend, trend};
use crate::analysis::worklist::{COORDINATE, needed_link};
use crate::number::{count, plain};
use crate::store::{Store, StoreError};
use crate::time;

/// Points of a line: more cannot be told apart on paper.
pub(crate) const MOST_POINTS: usize = 480;
/// Alarms in the table of a page, the newest.
const MOST_ALARMS: usize = 24;

/// What stands in the page in place of the charts of all times, as HTML, and where all banks are.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Live<'h> {
    pub charts: &'h str,
    pub all_banks: &'h str,
}

/// The page of the row number `index` of `all`.
pub fn page(
    store: &Store,
    row: &FleetRow,
    answers: &Answers,
    index: usize,
    all: usize,
) -> Result<String, StoreError> {
    page_with(store, row, answers, index, all, None)
}

/// The same; a live one with its own charts.
pub(crate) fn page_with(
    store: &Store,
    row: &FleetRow,
    answers: &Answers,
    index: usize,
    all: usize,
    live: Option<Live<'_>>,
) -> Result<String, StoreError> {
    let (all_banks, level) = live.map_or(("#top", 2), |live| (live.all_banks, 1));
    let mut out = format!(
        "<section class=\"bank\" id=\"b{index}\"><p class=\"kicker\"><a href=\"{}\">All banks</a>, number {} of \
         {all}</p><h{level}>{} {}</h{level}>",
        escape(all_banks),
        index + 1,
        escape(name(row)),
        badge(row.state)
    );
    let sentence = top::sentence(row).map_or_else(|| nothing(row), |text| capital(&text));
    out.push_str(&format!("<p class=\"lead\">{}.</p>", escape_whole_times(&sentence)));
    let trend = match span(row) {
        Some(span) if live.is_none() => Some(trend(store, &span, MOST_POINTS)?),
        _ => None,
    };
    out.push_str(&format!("<p class=\"plate\">{}</p>", escape(&plate(row, trend.as_ref()))));
    out.push_str(&meaning(row));
    if let Some(link) = needed_link(store.banks().get(&row.bank), &store.fuse_links()?, row) {
        let text = format!("{} ({}); {COORDINATE}.", link.link, link.basis());
        out.push_str(&format!("<p class=\"hint\"><b>Fuse link.</b> {}</p>", escape(&text)));
    }
    match (&trend, live) {
        (Some(trend), _) => out.push_str(&figures(&format!("b{index}"), row, trend, Bands::Voltages)),
        (None, Some(live)) => out.push_str(live.charts),
        (None, None) => out.push_str(NO_TIME),
    }
    out.push_str(&trust::trust(row));
    out.push_str(&answers.list(row));
    out.push_str(&alarm_table(row));
    out.push_str(&operations::table(store, row)?);
    out.push_str("</section>");
    Ok(out)
}

/// In place of charts.
pub(crate) const NO_TIME: &str = "<p>No interval of this bank has a time: its logger's clock was never set, so there is \
                                  nothing to draw against time.</p>";

/// All of the bank's intervals that have a time.
pub(crate) fn span(row: &FleetRow) -> Option<Span<'_>> {
    let (first_ms, last_ms) = row.first_ms.zip(row.last_ms)?;
    Some(Span { bank: &row.bank, device: &row.device, first_ms, last_ms, interval_s: row.interval_s })
}

fn nothing(row: &FleetRow) -> String {
    match row.alarms.len() {
        0 => "Nothing found".to_owned(),
        ended => format!("Nothing is open; {} ended", count(ended as u64, "alarm")),
    }
}

/// With a capital letter.
pub(super) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default()
}

fn plate(row: &FleetRow, trend: Option<&Trend>) -> String {
    let plate = &row.plate;
    let mut parts = Vec::new();
    parts.extend(row.feeder.as_ref().map(|feeder| format!("feeder {feeder}")));
    parts.extend(plate.rated_kvar.map(|kvar| format!("{} kvar", grouped(kvar, 0))));
    parts.extend(plate.system_voltage_v.map(|volts| format!("{} kV line to line", plain(volts / 1000.0, 2))));
    parts.extend(plate.unit_voltage_v.map(|volts| format!("units of {} V", grouped(volts, 0))));
    parts.extend(plate.units_per_phase.map(|units| format!("{} a phase", count(units, "unit"))));
    parts.extend(plate.rated_hz.map(|hz| format!("{} Hz", plain(hz, 0))));
    parts.push(format!("logger {}", row.device));
    if let (Some(first), Some(last)) = (row.first_ms, row.last_ms) {
        parts.push(days(first, last));
    }
    let interval = about(row.interval_s);
    parts.push(format!(
        "{} intervals of {interval}, {} flagged",
        grouped(row.intervals as f64, 0),
        grouped(row.flagged as f64, 0)
    ));
    let mut text = format!("{}.", capital(&parts.join("; ")));
    text.push_str(&trend.map(thinned).unwrap_or_default());
    text
}

/// How many intervals are a point, where it is more than one.
pub(crate) fn thinned(trend: &Trend) -> String {
    if trend.intervals_per_bucket <= 1 {
        return String::new();
    }
    format!(
        " A point of a line is the mean of {} ({} intervals).",
        about(trend.width_ms as f64 / 1000.0),
        trend.intervals_per_bucket
    )
}

/// What open alarms and observations mean, what else they can be, what to do.
fn meaning(row: &FleetRow) -> String {
    let (mut happened, mut otherwise): (Vec<String>, Vec<String>) = Default::default();
    let (mut look, mut bring): (Vec<&str>, Vec<&str>) = Default::default();
    for alarm in row.pending() {
        let Some(words) = alarm.explain() else { continue };
        if !happened.contains(&words.happened) {
            happened.push(words.happened);
        }
        for text in words.otherwise {
            if !otherwise.contains(&text) {
                otherwise.push(text);
            }
        }
        for (all, texts) in [(&mut look, words.look), (&mut bring, words.bring)] {
            for text in texts {
                if !all.contains(&text) {
                    all.push(text);
                }
            }
        }
    }
    look.extend(row.observations.iter().map(|observation| observation.todo()));
    if happened.is_empty() && look.is_empty() {
        return String::new();
    }
    let mut out = "<div class=\"meaning\">".to_owned();
    let mut block = |head: &str, texts: &[&str]| {
        if !texts.is_empty() {
            let texts: String = texts.iter().map(|text| format!("<p>{}</p>", escape(text))).collect();
            out.push_str(&format!("<div><h3>{head}</h3>{texts}</div>"));
        }
    };
    block("What it means", &happened.iter().map(String::as_str).collect::<Vec<_>>());
    block("What else it can be", &otherwise.iter().map(String::as_str).collect::<Vec<_>>());
    block("What to look for", &look);
    block("What to bring", &bring);
    out.push_str("</div>");
    if row.state <= State::Engineer {
        out.push_str(
            "<p class=\"hint\"><b>Every capacitor is charged until it is shorted.</b> <a href=\"#cautions\">Before anyone \
             goes up</a> has the cautions.</p>",
        );
    }
    out
}

/// The charts; `id` tells them from those of other banks in the same page.
pub(crate) fn figures(id: &str, row: &FleetRow, trend: &Trend, bands: Bands) -> String {
    let basis = format!("basis: {}", basis_of(row.trust.common_basis.as_deref()));
    let band = if trend.intervals_per_bucket > 1 {
        "; the band reaches from the smallest to the largest interval"
    } else {
        ""
    };
    let figure = |head: &str, note: &str, svg: String| {
        format!("<figure><figcaption><b>{head}</b> {note}</figcaption>{svg}</figure>")
    };
    let flagged = if row.flagged > 0 { "; strokes at the top: flagged time, left out" } else { "" };
    let figures = [
        figure(
            "Voltage to ground",
            &format!("rms{band}{flagged}"),
            charts::voltages(&format!("{id}v"), trend),
        ),
        figure(
            "Voltage unbalance",
            "negative (u2) and zero (u0) over positive sequence, IEC 61000-4-30",
            charts::unbalance(&format!("{id}u"), trend, bands),
        ),
        figure(
            "Neutral current",
            "fundamental: measured, and what the voltages explain of it",
            charts::neutral(&format!("{id}n"), trend, bands),
        ),
        figure(
            "Neutral current as phasors",
            &format!(
                "median of the last day ({} good intervals); 0° is the ideal capacitor current of phase A; grey: where the \
                 unexplained part points when a phase is gone, {}",
                row.recent.intervals,
                match row.rotation() {
                    None => "were the rotation ABC; no record tells it",
                    Some(Rotation::Abc) => "on ABC rotation",
                    Some(Rotation::Acb) => "on ACB rotation, which an alarm of the logger says",
                }
            ),
            phasors::phasors(&format!("{id}p"), &row.recent, row.rotation()),
        ),
        figure("Reactive power by phase", &basis, charts::kvar(&format!("{id}q"), trend, row, bands)),
        figure(
            "Alarms",
            "bar: begin to end; stroke: detected; dot: announced",
            timeline::timeline(&format!("{id}a"), trend, row),
        ),
    ]
    .concat();
    format!("<div class=\"figures\">{figures}</div>")
}

fn alarm_table(row: &FleetRow) -> String {
    if row.alarms.is_empty() {
        return String::new();
    }
    let heads = [
        "Condition",
        "Phase",
        "Goes to",
        "Began (UTC)",
        "Detected",
        "Announced",
        "Ended (UTC)",
        "Lasted",
        "kvarh lost",
    ];
    let heads: String = heads.iter().map(|head| format!("<th scope=\"col\">{head}</th>")).collect();
    let lines: String = row.alarms.iter().take(MOST_ALARMS).map(line).collect();
    let rest = row.alarms.len().saturating_sub(MOST_ALARMS);
    let rest = if rest > 0 {
        format!("<p>{} older: wyelog alarms --store DIR lists all.</p>", count(rest as u64, "alarm"))
    } else {
        String::new()
    };
    let is_guessed = row.alarms.iter().take(MOST_ALARMS).any(|alarm| alarm.begin.is_guessed);
    let note = if is_guessed { format!("<p>{}</p>", escape(time::GUESSED_NOTE)) } else { String::new() };
    format!(
        "<div class=\"wide\"><table class=\"alarms\"><thead><tr>{heads}</tr></thead><tbody>{lines}</tbody></table></div>{note}{rest}"
    )
}

/// Days and hours once it is days.
fn lasted(seconds: f64) -> String {
    if seconds < 172_800.0 {
        return time::duration(seconds);
    }
    let hours = (seconds / 3600.0).round() as u64;
    format!("{} days {} h", hours / 24, hours % 24)
}

fn line(alarm: &AlarmRow) -> String {
    let begin = alarm.begin.utc_ms.and_then(|ms| i64::try_from(ms).ok());
    let after = |ms: Option<i64>| match (ms, begin) {
        (Some(ms), Some(begin)) => format!("{} later", time::duration((ms - begin) as f64 / 1000.0)),
        (Some(ms), None) => second(ms),
        (None, _) => "–".to_owned(),
    };
    let ended = match (alarm.end_ms, alarm.is_open) {
        (Some(ms), _) => second(ms),
        (None, true) => "goes on".to_owned(),
        (None, false) => "over, end not recorded".to_owned(),
    };
    let route = alarm.route.map_or("–", |route| match route {
        Route::LogOnly => "log only",
        route => route.name(),
    });
    let mark = if alarm.begin.is_guessed { time::GUESSED } else { "" };
    let cells = [
        escape(&alarm.name.replace('_', " ")),
        alarm.phases.letters().collect(),
        route.to_owned(),
        begin.map_or_else(|| escape(&alarm.begin.to_string()), |ms| format!("{mark}{}", second(ms))),
        after(alarm.detected_ms),
        after(alarm.announced_ms),
        ended,
        lasted(alarm.duration_s),
        or_dash(alarm.kvarh_lost, 1),
    ];
    let cells: String = cells.iter().map(|cell| format!("<td>{cell}</td>")).collect();
    format!("<tr>{cells}</tr>")
}
