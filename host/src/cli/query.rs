//! What every question to a store is asked with, and how its answer is shown.

use std::io::Write;
use std::path::PathBuf;

use polars::prelude::DataFrame;
use wyelog::analysis::{Filter, Unknown};
use wyelog::store::Store;
use wyelog::tables;
use wyelog::time::moment;

use super::{Failure, Outcome, say};

/// A store, a range, and a form.
#[derive(Debug, clap::Args)]
pub struct Query {
    /// Folder of the store
    #[arg(long, value_name = "DIR")]
    pub store: PathBuf,
    #[command(flatten)]
    pub range: Range,
}

/// A range of time: UTC in ms.
#[derive(Debug, clap::Args)]
pub struct Times {
    /// From this day or moment on, UTC: 2030-05-14 or 2030-05-14T06:30
    #[arg(long, value_name = "TIME", value_parser = moment)]
    pub from: Option<i64>,
    /// To just before this day or moment, UTC
    #[arg(long, value_name = "TIME", value_parser = moment)]
    pub to: Option<i64>,
}

/// Which rows.
#[derive(Debug, clap::Args)]
pub struct Selection {
    #[command(flatten)]
    times: Times,
    /// This bank only; may be given several times
    #[arg(long, value_name = "NAME")]
    bank: Vec<String>,
    /// Banks on this feeder only; may be given several times
    #[arg(long, value_name = "NAME")]
    feeder: Vec<String>,
}

impl Selection {
    /// As the library wants it: of banks and feeders that this store knows.
    ///
    /// # Errors
    /// Nobody knows one of them, or the range ends before it begins.
    pub fn filter(&self, store: &Store) -> Result<Filter, Failure> {
        known(store, self.as_given())
    }

    fn as_given(&self) -> Filter {
        Filter {
            from_ms: self.times.from,
            to_ms: self.times.to,
            banks: self.bank.clone(),
            feeders: self.feeder.clone(),
        }
    }
}

/// Which rows, in which form.
#[derive(Debug, clap::Args)]
pub struct Range {
    #[command(flatten)]
    selection: Selection,
    /// CSV, with a head line
    #[arg(long, conflicts_with = "json")]
    pub csv: bool,
}

/// The filter, if this store knows what it asks for.
pub fn known(store: &Store, filter: Filter) -> Result<Filter, Failure> {
    if filter.is_reversed() {
        return Err(Failure::usage(
            "the end of the range is not after its beginning; give a later --to or an earlier --from",
        ));
    }
    let unknown: Vec<String> = filter.unknown(store).iter().map(Unknown::to_string).collect();
    if unknown.is_empty() {
        return Ok(filter);
    }
    let dir = store.dir().display();
    Err(Failure::new(format!("{dir}: {}; `wyelog banks --store` lists all", unknown.join("; "))))
}

impl Range {
    /// As [`Selection::filter`].
    pub fn filter(&self, store: &Store) -> Result<Filter, Failure> {
        self.selection.filter(store)
    }

    /// Whether any of it was given.
    pub fn is_given(&self) -> bool {
        self.csv || self.selection.as_given() != Filter::default()
    }
}

/// How an answer looks.
pub struct Form<'f> {
    /// `type` of each JSON object.
    pub kind: &'static str,
    /// Columns of the text table: name, head, decimals.
    pub columns: &'f [(&'f str, &'f str, usize)],
    /// A line below the text table.
    pub foot: &'f str,
}

/// Asks the store and shows the answer.
pub fn answer(
    store: &std::path::Path,
    range: &Range,
    json: bool,
    form: &Form<'_>,
    ask: impl FnOnce(&Store, &Filter) -> Result<DataFrame, wyelog::store::StoreError>,
    out: &mut impl Write,
) -> Result<Outcome, Failure> {
    let store = Store::open(store)?;
    for problem in store.banks().problems() {
        say(&problem.to_string());
    }
    let mut frame = ask(&store, &range.filter(&store)?)?;
    if json {
        for object in tables::to_json(&frame, form.kind) {
            writeln!(out, "{object}")?;
        }
    } else if range.csv {
        write_csv(&mut frame, out)?;
    } else if frame.height() == 0 {
        writeln!(out, "Nothing in the store for that.")?;
    } else {
        write!(out, "{}", tables::to_text(&frame, form.columns))?;
        writeln!(out, "\n{}", form.foot)?;
    }
    Ok(Outcome::Whole)
}

/// Shows a table as CSV.
pub fn write_csv(frame: &mut DataFrame, out: &mut impl Write) -> Result<(), Failure> {
    let bytes = tables::to_csv(frame).map_err(|error| Failure::new(format!("{error}; show it as --json")))?;
    Ok(out.write_all(&bytes)?)
}
