//! `wyelog sql`

use std::io::Write;
use std::path::PathBuf;

use polars::prelude::{DataFrame, LazyFrame, PolarsError};
use wyelog::batches::in_batches;
use wyelog::number;
use wyelog::sql::{question, refused, tables};
use wyelog::store::Store;
use wyelog::tables::{TEXT, to_csv_lines, to_json, to_text};

use super::{Failure, Outcome};

/// Ask a store in SQL: every table by its name, only what the question needs is read.
///
/// Each table has the feeder of its bank as a column; `banks` is the register of the banks. Times are UTC, to the
/// millisecond. The SQL is that of polars: SELECT, WITH, joins, groups, windows. Two columns of one name are refused: give one
/// another (min(time) AS first, max(time) AS last). To count rows use count(*): sum(1) is 1.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog sql --store desk --tables
  wyelog sql --store desk \"SELECT bank, max(u2_percent) AS u2 FROM intervals GROUP BY bank ORDER BY u2 DESC\"
  wyelog sql --store desk --csv \"SELECT * FROM events WHERE condition = 'blown_fuse'\" > fuses.csv")]
pub struct Arguments {
    /// Folder of the store
    #[arg(long, value_name = "DIR")]
    store: PathBuf,
    /// The question
    #[arg(value_name = "SQL", required_unless_present = "tables")]
    question: Option<String>,
    /// Show which tables and columns there are
    #[arg(long, conflicts_with_all = ["question", "csv", "rows"])]
    tables: bool,
    /// How many rows the text form shows; CSV and JSON have all
    #[arg(long, value_name = "N", default_value_t = 100, conflicts_with_all = ["csv", "json"])]
    rows: u32,
    /// JSON, one object a line
    #[arg(long)]
    json: bool,
    /// CSV, with a head line
    #[arg(long, conflicts_with = "json")]
    csv: bool,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let store = Store::open(&arguments.store)?;
    let Some(text) = arguments.question.as_deref().filter(|_| !arguments.tables) else {
        return list(&store, arguments.json, out);
    };
    let frame = question(&store, text)?;
    let failed = |error: PolarsError| Failure::from(refused(&store, text, &error));
    if arguments.json {
        in_batches(frame, failed, |rows| {
            to_json(&rows, "row").iter().try_for_each(|object| Ok(writeln!(out, "{object}")?))
        })?;
    } else if arguments.csv {
        csv(frame, failed, out)?;
    } else {
        let rows = frame.limit(arguments.rows.saturating_add(1)).collect().map_err(failed)?;
        show(&rows, arguments.rows, out)?;
    }
    Ok(Outcome::Whole)
}

fn csv(
    frame: LazyFrame,
    failed: impl Fn(PolarsError) -> Failure,
    out: &mut impl Write,
) -> Result<(), Failure> {
    // The head line is there also where no row is.
    let mut head = frame.clone().limit(0).collect().map_err(&failed)?;
    out.write_all(&to_csv_lines(&mut head, true).map_err(&failed)?)?;
    in_batches(frame, &failed, |mut rows| {
        if rows.height() > 0 {
            out.write_all(&to_csv_lines(&mut rows, false).map_err(&failed)?)?;
        }
        Ok(())
    })
}

fn show(rows: &DataFrame, most: u32, out: &mut impl Write) -> Result<(), Failure> {
    if rows.height() == 0 {
        writeln!(out, "No row in the store for that.")?;
        return Ok(());
    }
    let shown = rows.head(usize::try_from(most).ok());
    let schema = rows.schema();
    let columns: Vec<(&str, &str, usize)> = schema
        .iter()
        .map(|(name, kind)| {
            let decimals = match kind {
                kind if kind.is_float() => 4,
                kind if kind.is_integer() => 0,
                _ => TEXT,
            };
            (name.as_str(), name.as_str(), decimals)
        })
        .collect();
    write!(out, "{}", to_text(&shown, &columns))?;
    if rows.height() > shown.height() {
        let shown = number::count(shown.height() as u64, "row");
        writeln!(
            out,
            "\nThe first {shown}; there are more: --rows N shows more, --csv and --json have all."
        )?;
    }
    Ok(())
}

fn list(store: &Store, json: bool, out: &mut impl Write) -> Result<Outcome, Failure> {
    for (table, columns) in tables(store)? {
        for (column, holds) in &columns {
            if json {
                let object = serde_json::json!({
                    "type": "column", "table": table, "column": column, "holds": holds,
                });
                writeln!(out, "{object}")?;
            }
        }
        if !json {
            let names: Vec<&str> = columns.iter().map(|(name, _)| name.as_str()).collect();
            writeln!(out, "{table}\n{}", wrapped(&names))?;
        }
    }
    if !json {
        writeln!(
            out,
            "What each holds, with its unit: host/STORE.md of the source; as text, number or time: --json."
        )?;
    }
    Ok(Outcome::Whole)
}

/// Names in lines of a terminal's width, indented.
fn wrapped(names: &[&str]) -> String {
    let mut lines = String::new();
    let mut line = String::new();
    for (index, name) in names.iter().enumerate() {
        let word = if index + 1 < names.len() { format!("{name}, ") } else { (*name).to_owned() };
        if line.chars().count() + word.trim_end().chars().count() > 96 {
            lines.push_str(&format!("  {}\n", line.trim_end()));
            line.clear();
        }
        line.push_str(&word);
    }
    lines.push_str(&format!("  {line}\n"));
    lines
}
