//! The fleet as a table.

use std::ops::Range;

use super::text::{escape, escape_whole_times, grouped, minute, or_dash};
use super::{Links, badge, linked};
use crate::analysis::fleet::FleetRow;

const HEADS: [(&str, &str); 9] = [
    ("Needs", "text"),
    ("Bank", "text"),
    ("Feeder", "text"),
    ("What, and since when", "text"),
    ("kvar while in, of rated", "number"),
    ("kvarh lost", "number"),
    ("Unexplained neutral, pu", "number"),
    ("u2, 95th percentile, %", "number"),
    ("Last record (UTC)", "text"),
];

/// Where kvar are the mean of less than this part of the hours, it is said. Our choice.
const NEARLY_ALL: f64 = 0.95;

/// The table: those of the rows that are `shown`.
pub fn table(rows: &[FleetRow], shown: Range<usize>, links: Links<'_>) -> String {
    if rows.is_empty() {
        return String::new();
    }
    let heads: String = HEADS
        .iter()
        .map(|(head, class)| format!("<th scope=\"col\" role=\"columnheader\" class=\"{class}\">{head}</th>"))
        .collect();
    let shown = rows.iter().enumerate().take(shown.end).skip(shown.start);
    let body: String = shown.map(|(index, row)| line(rows, row, index, links)).collect();
    format!(
        "<section class=\"fleet\" id=\"fleet\"><h2>All banks, what needs a crew first</h2><table role=\"table\"><thead \
         role=\"rowgroup\"><tr role=\"row\">{heads}</tr></thead><tbody role=\"rowgroup\">{body}</tbody></table></section>"
    )
}

fn line(rows: &[FleetRow], row: &FleetRow, index: usize, links: Links<'_>) -> String {
    let is_one_of_two = rows.iter().filter(|other| other.bank == row.bank).nth(1).is_some();
    let device =
        if is_one_of_two { format!("<small> logger {}</small>", escape(&row.device)) } else { String::new() };
    let feeder = row.feeder.as_ref().map_or_else(|| "–".to_owned(), |feeder| escape(feeder));
    let cells = [
        kvar(row),
        or_dash(row.kvarh_lost, 0),
        or_dash(row.recent.unexplained_pu, 3),
        or_dash(row.u2_p95_percent, 2),
    ];
    let mut out = format!(
        "<tr role=\"row\" class=\"s-{}\"><td role=\"cell\">{}</td><th scope=\"row\" role=\"rowheader\">{}{device}</th>",
        super::class(row.state),
        badge(row.state),
        linked(row, index, links)
    );
    for (index, text) in [(2, feeder), (3, what(row))] {
        out.push_str(&cell(index, "text", &text));
    }
    for (index, text) in (4..).zip(cells) {
        out.push_str(&cell(index, "number", &text));
    }
    out.push_str(&cell(8, "time", &row.last_ms.map_or_else(|| "not known".to_owned(), minute)));
    out.push_str("</tr>");
    out
}

/// On a narrow screen each cell stands on a line of its own, with its head in front.
fn cell(column: usize, class: &str, text: &str) -> String {
    let head = HEADS.get(column).map_or("", |(head, _)| head);
    format!("<td role=\"cell\" class=\"{class}\" data-head=\"{head}\"><div>{text}</div></td>")
}

fn what(row: &FleetRow) -> String {
    let alarms = row.pending().into_iter().map(|alarm| format!("{} {}", alarm.in_short(), alarm.when()));
    let observations = row.observations.iter().map(|observation| observation.in_short().to_owned());
    let all: Vec<String> = alarms.chain(observations).map(|text| escape_whole_times(&text)).collect();
    match (all.is_empty(), row.alarms.len()) {
        (false, _) => all.join("; "),
        (true, 0) => "–".to_owned(),
        (true, 1) => "one alarm, ended".to_owned(),
        (true, ended) => format!("{ended} alarms, all ended"),
    }
}

fn kvar(row: &FleetRow) -> String {
    let Some(kvar) = row.total_kvar() else { return "–".to_owned() };
    let Some(rated) = row.rated_kvar() else {
        return grouped(kvar, 0);
    };
    // Of a bank that was out, or whose capacitance could not be told, this is the mean of a part of the time.
    let partly = row.known_hours.filter(|(known, hours)| *known < NEARLY_ALL * hours);
    let partly = partly.map_or_else(String::new, |(known, hours)| {
        format!("<small>{} of {} h</small>", grouped(known, 0), grouped(hours, 0))
    });
    format!(
        "{} of {}<svg class=\"bar\" viewBox=\"0 0 100 5\" preserveAspectRatio=\"none\" aria-hidden=\"true\"><path \
         d=\"M0 0H{:.0}V5H0Z\"/></svg>{partly}",
        grouped(kvar, 0),
        grouped(rated, 0),
        (100.0 * kvar / rated).clamp(0.0, 100.0)
    )
}
