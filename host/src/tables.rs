//! Tables for people, for programs and for spreadsheets.

use polars::prelude::{AnyValue, CsvWriter, DataFrame, PolarsResult, SerWriter};
use serde_json::{Map, Value};

use crate::number;
use crate::time;

/// One JSON object a row, with `type` in front.
pub fn to_json(frame: &DataFrame, kind: &str) -> Vec<Value> {
    let columns = frame.columns();
    let row = |index: usize| {
        let mut object = Map::new();
        object.insert("type".to_owned(), kind.into());
        for column in columns {
            let value = column.get(index).map_or(Value::Null, |value| json(&value));
            object.insert(column.name().to_string(), value);
        }
        Value::Object(object)
    };
    (0..frame.height()).map(row).collect()
}

/// CSV with a head line; UTC as `2030-01-01T00:00:00.000Z`.
///
/// # Errors
/// The table engine refuses.
pub fn to_csv(frame: &mut DataFrame) -> PolarsResult<Vec<u8>> {
    to_csv_lines(frame, true)
}

/// As [`to_csv`]; rows that follow others need no head line.
///
/// # Errors
/// The table engine refuses.
pub fn to_csv_lines(frame: &mut DataFrame, with_head: bool) -> PolarsResult<Vec<u8>> {
    let mut bytes = Vec::new();
    CsvWriter::new(&mut bytes)
        .include_header(with_head)
        .with_datetime_format(Some("%Y-%m-%dT%H:%M:%S%.3fZ".into()))
        .finish(frame)?;
    Ok(bytes)
}

/// A table for the terminal: a column is (name in the frame, head, decimals).
pub fn to_text(frame: &DataFrame, columns: &[(&str, &str, usize)]) -> String {
    let mut cells: Vec<Vec<String>> = vec![columns.iter().map(|(_, head, _)| (*head).to_owned()).collect()];
    for index in 0..frame.height() {
        let row = columns.iter().map(|(name, _, decimals)| {
            let value = frame.column(name).ok().and_then(|column| column.get(index).ok());
            value.map_or_else(|| "-".to_owned(), |value| text(&value, *decimals))
        });
        cells.push(row.collect());
    }
    let widths: Vec<usize> = (0..columns.len())
        .map(|column| {
            cells.iter().map(|row| row.get(column).map_or(0, |cell| cell.chars().count())).max().unwrap_or(0)
        })
        .collect();
    let mut out = String::new();
    for row in &cells {
        let mut line = String::new();
        for (column, (cell, width)) in row.iter().zip(&widths).enumerate() {
            let is_number = columns.get(column).is_some_and(|(_, _, decimals)| *decimals != TEXT);
            let pad = " ".repeat(width.saturating_sub(cell.chars().count()));
            line.push_str(&if is_number { format!("{pad}{cell}  ") } else { format!("{cell}{pad}  ") });
        }
        out.push_str(line.trim_end());
        out.push('\n');
    }
    out
}

/// In the place of decimals: a column of texts or times, set to the left.
pub const TEXT: usize = usize::MAX;

fn text(value: &AnyValue<'_>, decimals: usize) -> String {
    match value {
        AnyValue::Null => "-".to_owned(),
        AnyValue::String(text) => one_line(text),
        AnyValue::StringOwned(text) => one_line(text),
        AnyValue::Boolean(is_so) => if *is_so { "yes" } else { "no" }.to_owned(),
        AnyValue::Datetime(ms, _, _) => short_utc(*ms),
        AnyValue::DatetimeOwned(ms, _, _) => short_utc(*ms),
        value => value
            .extract::<f64>()
            .map_or_else(|| value.to_string(), |value| number::plain(value, decimals.min(9))),
    }
}

/// A note may have line breaks, a row of a table has one line.
fn one_line(text: &str) -> String {
    let no_break = |letter: char| if letter.is_control() { ' ' } else { letter };
    text.replace("\r\n", " ").chars().map(no_break).collect()
}

fn short_utc(ms: i64) -> String {
    let text = utc(ms).replace('T', " ");
    text.split('.').next().unwrap_or_default().to_owned()
}

fn utc(ms: i64) -> String {
    time::utc(u64::try_from(ms).unwrap_or(0))
}

fn json(value: &AnyValue<'_>) -> Value {
    match value {
        AnyValue::Null => Value::Null,
        AnyValue::Boolean(value) => (*value).into(),
        AnyValue::String(text) => (*text).into(),
        AnyValue::StringOwned(text) => text.to_string().into(),
        AnyValue::UInt32(value) => (*value).into(),
        AnyValue::UInt64(value) => (*value).into(),
        AnyValue::Int64(value) => (*value).into(),
        AnyValue::Datetime(ms, _, _) => utc(*ms).into(),
        AnyValue::DatetimeOwned(ms, _, _) => utc(*ms).into(),
        value => value.extract::<f64>().map_or(Value::Null, |value| {
            // Nobody reads digits that nobody measured.
            ((value * 1e6).round() / 1e6).into()
        }),
    }
}

#[cfg(test)]
mod tests {
    use polars::prelude::df;

    use super::*;

    #[test]
    fn a_note_with_line_breaks_stays_in_its_row() {
        let frame = df!("note" => ["first\r\nsecond\nthird\tfourth", "one"], "n" => [1.0, 2.0]).unwrap();
        let text = to_text(&frame, &[("note", "note", TEXT), ("n", "n", 1)]);
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines.len(), 3, "{text}");
        assert_eq!(lines[1], "first second third fourth  1.0");
        // Programs have it as it is.
        assert_eq!(to_json(&frame, "x")[0]["note"], "first\r\nsecond\nthird\tfourth");
    }
}
