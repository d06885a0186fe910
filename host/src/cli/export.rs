//! `wyelog export`

use std::io::Write;
use std::path::{Path, PathBuf};

use clap::ValueEnum;
use wyelog::export::{self, Format};
use wyelog::store::{ALL_TABLES, CAPTURES, Store, Table};

use super::query::Selection;
use super::sheet::count;
use super::{Failure, Outcome, say};

/// Write a table of a store as Parquet or CSV, or its waveforms as COMTRADE, for other programs.
///
/// Columns are those of the store, with their units in their names, and the feeder of each bank. Waveforms become pairs of
/// files (IEEE C37.111-2013, 16-bit binary, 4800 samples a second) out of the raw logs that the store keeps.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
TABLE is intervals, days, spectra, events, captures, status, settings, operations, bank or baselines.

Examples:
  wyelog export intervals --store desk --out june.parquet --from 2030-06-01 --to 2030-07-01
  wyelog export events --store desk --out east.csv --feeder \"Quillmere East\"
  wyelog export captures --store desk --out waveforms --as comtrade --bank \"Quillmere 3\"")]
pub struct Arguments {
    /// The table
    #[arg(value_name = "TABLE", value_parser = table)]
    table: &'static Table,
    /// Folder of the store
    #[arg(long, value_name = "DIR")]
    store: PathBuf,
    /// The file to write; the folder, for COMTRADE
    #[arg(long, value_name = "PATH")]
    out: PathBuf,
    /// As what; without it the ending of the file says it
    #[arg(long = "as", value_name = "FORMAT", value_enum)]
    form: Option<Form>,
    /// Replace what has that name
    #[arg(long)]
    force: bool,
    #[command(flatten)]
    selection: Selection,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Form {
    Parquet,
    Csv,
    Comtrade,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let format = match arguments.form.or_else(|| by_ending(&arguments.out)) {
        Some(Form::Parquet) => Format::Parquet,
        Some(Form::Csv) => Format::Csv,
        Some(Form::Comtrade) => return waveforms(arguments, out),
        None => {
            let path = arguments.out.display();
            return Err(Failure::usage(format!(
                "{path}: its ending is neither .parquet nor .csv; give it one, or say --as parquet, csv or comtrade"
            )));
        }
    };
    let store = Store::open(&arguments.store)?;
    let filter = arguments.selection.filter(&store)?;
    let rows = export::table(&store, arguments.table, &filter, format, &arguments.out, arguments.force)?;
    let bytes = arguments.out.metadata().map_or(0, |file| file.len());
    writeln!(out, "{}: {}, {:.1} MB.", arguments.out.display(), count(rows, "row"), bytes as f64 / 1e6)?;
    Ok(Outcome::Whole)
}

fn waveforms(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    if arguments.table.name != CAPTURES.name {
        return Err(Failure::usage(format!(
            "{} has no waveforms; export captures as COMTRADE, or this as Parquet or CSV",
            arguments.table.name
        )));
    }
    let store = Store::open(&arguments.store)?;
    let filter = arguments.selection.filter(&store)?;
    let written = export::waveforms(&store, &filter, &arguments.out, arguments.force)?;
    let part = match written.in_part {
        0 => String::new(),
        part => format!("; {part} not whole: broken off by the logger, or samples lost"),
    };
    writeln!(out, "{}: {}{part}.", arguments.out.display(), count(written.captures, "capture"))?;
    for sentence in &written.unread {
        say(sentence);
    }
    Ok(if written.unread.is_empty() { Outcome::Whole } else { Outcome::Partly })
}

fn by_ending(path: &Path) -> Option<Form> {
    let ending = path.extension()?.to_string_lossy().to_lowercase();
    match ending.as_str() {
        "parquet" => Some(Form::Parquet),
        "csv" => Some(Form::Csv),
        _ => None,
    }
}

fn table(name: &str) -> Result<&'static Table, String> {
    let found = ALL_TABLES.into_iter().find(|table| table.name == name);
    found.ok_or_else(|| {
        let names: Vec<&str> = ALL_TABLES.iter().map(|table| table.name).collect();
        format!("there are {}", names.join(", "))
    })
}
