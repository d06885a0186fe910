//! `wyelog banks`

use std::cell::Cell;
use std::io::Write;

use wyelog::analysis::register::register;
use wyelog::tables::TEXT;

use super::query::{Form, Query, answer};
use super::{Failure, Outcome, say};

/// The register of a store: which logger hung on which bank, from when to when, where it is, and its nameplate.
///
/// It comes from the logs, and from banks.toml or banks.csv in the folder of the store, which you edit. Where that file
/// says which logger hung on a bank at a time, the rows of that logger are counted to that bank; else the name on the
/// logger's nameplate counts. Entries that make no sense are named and left out.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog banks --store desk
  wyelog banks --store desk --csv > desk/banks.csv     a register to go on with (without banks.toml)
  wyelog banks --store desk --feeder \"Quillmere East\" --json")]
pub struct Arguments {
    #[command(flatten)]
    query: Query,
    /// JSON, one object a line
    #[arg(long)]
    json: bool,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let form = Form {
        kind: "bank",
        columns: &[
            ("bank", "bank", TEXT),
            ("feeder", "feeder", TEXT),
            ("pole", "pole", TEXT),
            ("device", "logger", TEXT),
            ("from", "from", TEXT),
            ("to", "to", TEXT),
            ("source", "by", TEXT),
            ("first_time", "first interval", TEXT),
            ("last_time", "last interval", TEXT),
            ("phases", "phases", TEXT),
            ("rated_kvar", "kvar", 0),
            ("system_voltage_v", "V", 0),
            ("fuse_link", "fuse link", TEXT),
            ("baseline", "baseline", TEXT),
        ],
        foot: "from, to: as the register has them, `to` to just before; by: who says that the logger hung there. kvar, V: rated, of \
               the bank and line to line. Times are UTC.",
    };
    let is_whole = Cell::new(true);
    let outcome = answer(
        &arguments.query.store,
        &arguments.query.range,
        arguments.json,
        &form,
        |store, filter| {
            let problems = store.problems();
            is_whole.set(problems.is_empty());
            // Those of the file are said with every question; these only here.
            for problem in problems.iter().skip(store.banks().problems().len()) {
                say(&problem.to_string());
            }
            register(store, filter)
        },
        out,
    )?;
    Ok(if is_whole.get() { outcome } else { Outcome::Partly })
}
