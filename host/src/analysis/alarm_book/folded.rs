//! The book as people read it: a line for each thing that happened.

use std::collections::BTreeMap;

use polars::prelude::{Column, DataFrame, NamedFrom, Series};

use super::pick;
use crate::analysis::cells::Cells;
use crate::analysis::times;
use crate::store::StoreError;

/// A line: rows of the book that are one thing.
struct Line {
    /// The row that the line shows what it has in common of.
    row: usize,
    rows: Vec<usize>,
    /// It is an event of a feeder.
    is_event: bool,
}

/// A [book](super::alarm_book) for people. An event of a feeder is one line, whatever the number of its banks and alarms: with the
/// event's id, begin and duration, and a note where all of its alarms have one. An alarm that goes on over restarts of its logger is
/// one line, since its first start. Columns `who` and `what` are for the table; of the book's, `id`, `is_open`, `begin_time`,
/// `time_quality`, `end_time`, `duration_s`, `kvarh_lost`, `announced_time` and `note` are the line's.
///
/// # Errors
/// The table engine refuses.
pub fn folded(book: &DataFrame) -> Result<DataFrame, StoreError> {
    let cells = Cells(book);
    let mut lines: Vec<Line> = Vec::new();
    let mut line_of: BTreeMap<String, usize> = BTreeMap::new();
    for row in (0..cells.rows()).filter(|row| !cells.is_true("is_continued", *row)) {
        let event = cells.text("feeder_event", row);
        let known = event.as_ref().and_then(|event| line_of.get(event)).and_then(|line| lines.get_mut(*line));
        if let Some(line) = known {
            line.rows.push(row);
            continue;
        }
        let is_event = event.is_some();
        if let Some(event) = event {
            line_of.insert(event, lines.len());
        }
        lines.push(Line { row, rows: vec![row], is_event });
    }
    let text = |name: &str, of: &dyn Fn(&Line) -> Option<String>| -> Column {
        Series::new(name.into(), lines.iter().map(of).collect::<Vec<_>>()).into()
    };
    let real = |name: &str, of: &dyn Fn(&Line) -> Option<f64>| -> Column {
        Series::new(name.into(), lines.iter().map(of).collect::<Vec<_>>()).into()
    };
    let moment = |name: &str, of: &dyn Fn(&Line) -> Option<i64>| times(name, lines.iter().map(of).collect());
    let of = |line: &Line, of_event: &'static str, of_alarm: &'static str| {
        if line.is_event { of_event } else { of_alarm }
    };
    let begin = |line: &Line| cells.ms(of(line, "feeder_event_time", "since_time"), line.row);
    let lasted = |line: &Line| cells.real(of(line, "feeder_event_duration_s", "since_duration_s"), line.row);
    let is_open = |line: &Line| line.rows.iter().any(|row| cells.is_true("is_open", *row));
    let end = |line: &Line| {
        if !line.is_event {
            return cells.ms("end_time", line.row);
        }
        let ms = begin(line)?.checked_add((lasted(line)? * 1000.0).round() as i64);
        ms.filter(|_| !is_open(line))
    };
    let lost = |line: &Line| {
        line.rows.iter().filter_map(|row| cells.real("since_kvarh_lost", *row)).reduce(|sum, one| sum + one)
    };
    let note = |line: &Line| {
        let notes: Option<Vec<String>> = line.rows.iter().map(|row| cells.text("note", *row)).collect();
        notes?.into_iter().next()
    };
    let who = |line: &Line| {
        let banks = cells.real("seen_by", line.row).filter(|banks| *banks > 1.0);
        banks.map_or_else(|| cells.text("bank", line.row), |banks| Some(format!("{banks} banks")))
    };
    let what = |line: &Line| {
        let mut all: Vec<String> = Vec::new();
        for name in line.rows.iter().filter_map(|row| cells.text("condition", *row)) {
            if !all.contains(&name) {
                all.push(name);
            }
        }
        Some(all.join(", "))
    };
    let columns = [
        text("id", &|line| cells.text(of(line, "feeder_event", "since_id"), line.row)),
        moment("begin_time", &begin)?,
        moment("end_time", &end)?,
        moment("announced_time", &|line| {
            line.rows.iter().filter_map(|row| cells.ms("since_announced_time", *row)).min()
        })?,
        text("time_quality", &|line| cells.text("since_time_quality", line.row)),
        real("duration_s", &lasted),
        real("kvarh_lost", &lost),
        text("note", &note),
        Series::new("is_open".into(), lines.iter().map(is_open).collect::<Vec<_>>()).into(),
        text("who", &who),
        text("what", &what),
    ];
    let rows: Vec<usize> = lines.iter().map(|line| line.row).collect();
    let mut table = pick(book, &rows)?;
    for column in columns {
        table.with_column(column)?;
    }
    Ok(table)
}
