//! `wyelog usage`

use std::io::Write;

use wyelog::analysis::Filter;
use wyelog::analysis::usage::{Levels, usage};
use wyelog::store::Store;
use wyelog::tables::TEXT;

use super::query::{Form, Query, answer};
use super::{Failure, Outcome};

/// Is anybody using this bank? Hours in and out, beside the hours in which voltages were low or high.
///
/// A low voltage asks for kvar; a high one says that there are more than needed. Voltages tell no more than that, and a bank
/// raises the voltage that it is judged by (common practice, no source). Low and high are the mean of the phases' voltages to
/// ground, in percent of the system's rated voltage; by default range A of ANSI C84.1 above 600 V (97.5 and 105 %, from memory).
/// A visit is what only somebody at the logger can have done: a host set the clock, settings were changed, a baseline was
/// learned or discarded.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog usage --store desk                        the least used first
  wyelog usage --store desk --low 99 --high 103
  wyelog usage --store desk --from 2030-06-01 --feeder \"Quillmere East\" --csv > june.csv")]
pub struct Arguments {
    #[command(flatten)]
    query: Query,
    /// JSON, one object a line
    #[arg(long)]
    json: bool,
    /// Voltages below this are low, in percent of the rated one
    #[arg(long, value_name = "PERCENT", default_value_t = Levels::default().low_percent, value_parser = percent)]
    low: f64,
    /// Voltages above this are high, in percent of the rated one
    #[arg(long, value_name = "PERCENT", default_value_t = Levels::default().high_percent, value_parser = percent)]
    high: f64,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let foot = format!(
        "Low: below {} % of rated voltage, the feeder needs kvar; high: above {} %, it has more than it needs; as far as \
         voltages tell (common practice, no source). Hours of low and high voltage are without flagged intervals. Untold: with a \
         contact that did not say so. Left open: hours since the last visit, if the bank has been open since.",
        arguments.low, arguments.high
    );
    let form = Form {
        kind: "usage",
        columns: &[
            ("bank", "bank", TEXT),
            ("feeder", "feeder", TEXT),
            ("use", "use", TEXT),
            ("closed_hours", "h in", 1),
            ("open_hours", "h out", 1),
            ("unknown_hours", "h unknown", 1),
            ("low_closed_hours", "low: h in", 1),
            ("low_open_hours", "h out", 1),
            ("high_closed_hours", "high: h in", 1),
            ("high_open_hours", "h out", 1),
            ("operations", "operations", 0),
            ("untold_operations", "untold", 0),
            ("failed_operations", "failed", 0),
            ("hunting", "hunting", 0),
            ("visit_time", "last visit (UTC)", TEXT),
            ("left_open_hours", "left open h", 1),
        ],
        foot: &foot,
    };
    let levels = Levels { low_percent: arguments.low, high_percent: arguments.high };
    let ask = |store: &Store, filter: &Filter| usage(store, filter, levels);
    answer(&arguments.query.store, &arguments.query.range, arguments.json, &form, ask, out)
}

/// A part of the rated voltage.
fn percent(text: &str) -> Result<f64, String> {
    let percent = text.trim_end_matches('%').parse::<f64>().ok();
    let percent = percent.filter(|percent| (50.0..=150.0).contains(percent));
    percent.ok_or_else(|| "give percent of the rated voltage, from 50 to 150, such as 97.5".to_owned())
}
