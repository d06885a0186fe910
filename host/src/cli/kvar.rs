//! `wyelog kvar`

use std::io::Write;

use wyelog::analysis::kvar::{BASIS, kvar};
use wyelog::tables::TEXT;

use super::query::{Form, Query, answer};
use super::{Failure, Outcome};

/// Reactive power of each bank in a store: delivered, rated and lost, by phase.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog kvar --store desk
  wyelog kvar --store desk --from 2030-05-14 --bank \"Quillmere 3\" --json")]
pub struct Arguments {
    #[command(flatten)]
    query: Query,
    /// JSON, one object a line
    #[arg(long)]
    json: bool,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let foot = format!(
        "kvar: mean delivered; kvarh lost: less than whole phases would have given at the voltages there were. Basis: {BASIS}."
    );
    let form = Form {
        kind: "kvar",
        columns: &[
            ("bank", "bank", TEXT),
            ("feeder", "feeder", TEXT),
            ("known_hours", "hours", 1),
            ("rated_kvar_phase", "rated kvar/phase", 1),
            ("kvar_a", "A kvar", 1),
            ("kvar_b", "B kvar", 1),
            ("kvar_c", "C kvar", 1),
            ("kvarh_lost_a", "A kvarh lost", 1),
            ("kvarh_lost_b", "B kvarh lost", 1),
            ("kvarh_lost_c", "C kvarh lost", 1),
            ("available_percent", "available %", 1),
        ],
        foot: &foot,
    };
    answer(&arguments.query.store, &arguments.query.range, arguments.json, &form, kvar, out)
}
