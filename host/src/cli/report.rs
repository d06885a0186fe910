//! `wyelog report`

use std::io::Write;
use std::path::PathBuf;

use wyelog::report::{Options, report, save};
use wyelog::store::Store;

use super::query::Selection;
use super::sheet::count;
use super::{Failure, Outcome};

/// Make one page of a store that opens from a mail: the fleet, then a page for each of the worst banks.
///
/// The page needs no network and no script; the same store gives the same file.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog report --store desk --out fleet.html
  wyelog report --store desk --out east.html --feeder \"Quillmere East\" --worst 10")]
pub struct Arguments {
    /// Folder of the store
    #[arg(long, value_name = "DIR")]
    store: PathBuf,
    /// The page to write: HTML
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// Replace what has that name, also if it is no report of wyelog
    #[arg(long)]
    force: bool,
    /// How many banks get a page of their own, the worst first
    #[arg(long, value_name = "N", default_value_t = 50)]
    worst: usize,
    #[command(flatten)]
    selection: Selection,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let store = Store::open(&arguments.store)?;
    let options = Options { worst: arguments.worst, filter: arguments.selection.filter(&store)? };
    let report = report(&store, &options)?;
    save(&arguments.out, &report.html, arguments.force)?;
    writeln!(out, "{}.", report.headline())?;
    writeln!(
        out,
        "{}: {:.1} MB, {} with a page of their own.",
        arguments.out.display(),
        report.html.len() as f64 / 1e6,
        count(report.rows.len().min(arguments.worst) as u64, "bank"),
    )?;
    Ok(Outcome::Whole)
}
