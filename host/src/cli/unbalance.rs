//! `wyelog unbalance`

use std::io::Write;

use wyelog::analysis::unbalance::unbalance;
use wyelog::tables::TEXT;

use super::query::{Form, Query, answer};
use super::{Failure, Outcome};

/// Voltage unbalance of each bank in a store, by every definition.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog unbalance --store desk
  wyelog unbalance --store desk --from 2030-05-01 --to 2030-06-01 --feeder \"Quillmere East\"
  wyelog unbalance --store desk --csv > may.csv")]
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
        kind: "unbalance",
        columns: &[
            ("bank", "bank", TEXT),
            ("feeder", "feeder", TEXT),
            ("hours", "hours", 1),
            ("u2_mean_percent", "u2 %", 2),
            ("u2_p95_percent", "95th", 2),
            ("u2_max_percent", "max", 2),
            ("u0_mean_percent", "u0 %", 2),
            ("u0_p95_percent", "95th", 2),
            ("nema_mean_percent", "NEMA %", 2),
            ("nema_p95_percent", "95th", 2),
            ("pvur_mean_percent", "PVUR %", 2),
            ("ieee_936_mean_percent", "IEEE 936 %", 2),
        ],
        foot: "u2, u0: negative, zero over positive sequence (IEC 61000-4-30); NEMA: line to line (MG 1); PVUR and \
               IEEE 936: phase voltages, blind to angles. Means are root mean square, without flagged intervals.",
    };
    answer(&arguments.query.store, &arguments.query.range, arguments.json, &form, unbalance, out)
}
