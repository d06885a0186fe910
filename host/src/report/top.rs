//! What a reader sees first: what is wrong, in one line and a sentence a bank.

use std::collections::BTreeSet;

use sha2::{Digest, Sha256};
use wyelog_protocol::condition::Condition;

use super::text::{days, escape, escape_whole_times, grouped, minute};
use super::{Links, linked, mark};

use crate::analysis::fleet::{FleetRow, State};
use crate::explain::{Case, explain};
use crate::number::count;
use crate::store::Store;

/// Most banks that have a sentence; a table follows anyway.
const MOST_SENTENCES: usize = 20;

/// The headline in one line: "2 of 12 banks need a crew, 1 more must be looked at".
pub fn headline(rows: &[FleetRow]) -> String {
    let (first, second) = headlines(rows);
    second.map_or_else(|| first.clone(), |second| format!("{first}, {second}"))
}

/// The headline in large, and what follows it in small.
fn headlines(rows: &[FleetRow]) -> (String, Option<String>) {
    let all = rows.len();
    let crew = rows.iter().filter(|row| row.state.needs_crew()).count();
    let look = rows.iter().filter(|row| row.state == State::Look).count();
    let first = match (all, crew) {
        (0, _) => "There are no records of a bank here".to_owned(),
        // A mistyped year must not look like a sound fleet.
        (_, 0) if rows.iter().all(|row| row.intervals == 0) => "There are no records of that time".to_owned(),
        (_, 0) => "No alarm asks for a crew".to_owned(),
        (1, _) => "The bank needs a crew".to_owned(),
        (_, 1) => format!("1 of {all} banks needs a crew"),
        _ => format!("{crew} of {all} banks need a crew"),
    };
    let second = match (look, crew) {
        (0, _) => None,
        (_, 0) if all == 1 => Some("somebody must look at the bank".to_owned()),
        (_, 0) => Some(format!("{look} of {all} banks must be looked at")),
        _ => Some(format!("{look} more must be looked at")),
    };
    (first, second)
}

/// What is wrong with a bank, in one sentence without its name; `None` if nothing was found.
pub fn sentence(row: &FleetRow) -> Option<String> {
    let alarms = row.pending().into_iter().map(|alarm| {
        let announced = if alarm.is_announced() { "" } else { " (detected, not announced)" };
        let mut text = format!("{} {}{announced}", alarm.in_short(), alarm.when());
        if let (Some(so_far), Some(a_day)) = (alarm.kvarh_lost, alarm.kvarh_lost_per_day()) {
            text.push_str(&if alarm.duration_s >= 86_400.0 {
                format!("; about {} kvarh a day lost, {} so far", grouped(a_day, 0), grouped(so_far, 0))
            } else {
                format!("; {} kvarh lost so far", grouped(so_far, 0))
            });
        }
        if let Some(note) = &alarm.note {
            text.push_str(&format!(" (acknowledged: {note})"));
        }
        text
    });
    let observations = row.observations.iter().map(|observation| observation.sentence());
    let all: Vec<String> = alarms.chain(observations).collect();
    (!all.is_empty()).then(|| all.join(". Also: "))
}

/// The head of the page.
pub fn top(store: &Store, rows: &[FleetRow], links: Links<'_>) -> String {
    let span = span(rows);
    let range = span
        .map_or_else(|| "no time known".to_owned(), |(first, last)| format!("{} (UTC)", days(first, last)));
    let urgent: Vec<(usize, &FleetRow)> =
        rows.iter().enumerate().filter(|(_, row)| row.state <= State::Look).collect();
    let (first, second) = headlines(rows);
    let class = rows.iter().map(|row| row.state).min().map_or("nothing", super::class);
    let mut out = format!(
        "<header id=\"top\"><p class=\"kicker\">Capacitor banks, {}</p><h1 class=\"s-{class}\">{}{}</h1>",
        escape(&range),
        escape(&first),
        second.map(|second| format!("<small>{}</small>", escape(&second))).unwrap_or_default()
    );
    if !urgent.is_empty() {
        out.push_str("<ul class=\"findings\">");
        for (index, row) in urgent.iter().take(MOST_SENTENCES) {
            let feeder =
                row.feeder.as_ref().map(|feeder| format!(", feeder {}", escape(feeder))).unwrap_or_default();
            out.push_str(&format!(
                "<li class=\"s-{}\">{}<p><b>{}</b>{feeder}: {}.</p></li>",
                super::class(row.state),
                mark(row.state),
                linked(row, *index, links),
                escape_whole_times(&sentence(row).unwrap_or_default())
            ));
        }
        out.push_str("</ul>");
        if urgent.len() > MOST_SENTENCES {
            out.push_str(&format!(
                "<p>And {} more: see the table.</p>",
                count((urgent.len() - MOST_SENTENCES) as u64, "bank")
            ));
        }
    }
    out.push_str(&format!("<p class=\"facts\">{}</p></header>", escape_whole_times(&facts(store, rows))));
    out
}

/// First and last moment of all rows.
fn span(rows: &[FleetRow]) -> Option<(i64, i64)> {
    let first = rows.iter().filter_map(|row| row.first_ms).min()?;
    Some((first, rows.iter().filter_map(|row| row.last_ms).max()?))
}

fn facts(store: &Store, rows: &[FleetRow]) -> String {
    if rows.is_empty() {
        return format!(
            "{} in the store. Take logs in with: wyelog ingest LOG --store DIR. Made by wyelog {}.",
            count(store.marks().len() as u64, "log"),
            crate::VERSION
        );
    }
    let feeders: BTreeSet<&str> = rows.iter().filter_map(|row| row.feeder.as_deref()).collect();
    let on = if feeders.is_empty() {
        String::new()
    } else {
        format!(" on {}", count(feeders.len() as u64, "feeder"))
    };
    let others = [
        (State::Engineer, "for an engineer"),
        (State::Note, "with a note"),
        (State::Nothing, "with nothing found"),
    ];
    let others: Vec<String> = others
        .iter()
        .map(|(state, words)| (rows.iter().filter(|row| row.state == *state).count(), words))
        .filter(|(number, _)| *number > 0)
        .map(|(number, words)| format!("{number} {words}"))
        .collect();
    let others = if others.is_empty() { String::new() } else { format!(", {}", others.join(", ")) };
    let last = span(rows)
        .map(|(_, last)| format!(" The last record ends at {} UTC.", minute(last)))
        .unwrap_or_default();
    let intervals: u64 = rows.iter().map(|row| row.intervals).sum();
    format!(
        "{}{on}{others}. {} intervals from {}, store {}.{last} Made by wyelog {}.",
        count(rows.len() as u64, "bank"),
        grouped(intervals as f64, 0),
        count(store.marks().len() as u64, "log"),
        fingerprint(store),
        crate::VERSION
    )
}

/// Tells one content of a store from another: of the SHA-256 of its logs' hashes, the first 12 digits.
fn fingerprint(store: &Store) -> String {
    let mut digest = Sha256::new();
    for mark in store.marks() {
        digest.update(mark.hash.as_bytes());
    }
    digest.finalize().iter().take(6).map(|byte| format!("{byte:02x}")).collect()
}

/// What to beware of: every caution of every condition, once.
pub fn cautions() -> String {
    let mut said: Vec<&str> = Vec::new();
    for condition in Condition::ALL {
        for caution in explain(&Case::only(condition)).cautions {
            if !said.contains(&caution) {
                said.push(caution);
            }
        }
    }
    let items: String = said.iter().map(|caution| format!("<li>{}</li>", escape(caution))).collect();
    format!(
        "<section class=\"cautions\" id=\"cautions\"><h2>Before anyone goes up</h2><ul>{items}</ul></section>"
    )
}
