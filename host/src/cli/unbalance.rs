//! `wyelog unbalance`

use std::io::Write;

use wyelog::analysis::Filter;
use wyelog::analysis::unbalance::{EN_50160_U2_PERCENT, unbalance_by_weeks};
use wyelog::store::Store;
use wyelog::tables::TEXT;

use super::query::{Form, Query, answer};
use super::{Failure, Outcome};

/// Voltage unbalance of each bank in a store, by every definition.
///
/// Means, 95th percentiles and largest values are of the intervals. Ten-minute values are made of them as IEC 61000-4-30 says:
/// root of the mean of the squares within the clock's ten minutes. A ten-minute value is left out, and counted, if one interval
/// in it is flagged. EN 50160 asks that 95 % of the ten-minute values of u2 in each week be at most 2 %; weeks begin on
/// Monday, 00:00 UTC, and count with at least half of their 1008 values.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog unbalance --store desk
  wyelog unbalance --store desk --from 2030-05-01 --to 2030-06-01 --feeder \"Quillmere East\"
  wyelog unbalance --store desk --limit 3     time above 3 %
  wyelog unbalance --store desk --csv > may.csv")]
pub struct Arguments {
    #[command(flatten)]
    query: Query,
    /// Count the time in which ten-minute values are above so many percent (EN 50160: 2 % for u2)
    #[arg(long, value_name = "PERCENT", default_value_t = EN_50160_U2_PERCENT, value_parser = limit)]
    limit: f64,
    /// JSON, one object a line
    #[arg(long)]
    json: bool,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let foot = format!(
        "u2, u0: negative, zero over positive sequence (IEC 61000-4-30); NEMA: line to line (MG 1); PVUR and IEEE 936: phase \
         voltages, blind to angles. Means are root mean square, without flagged intervals. Over: u2 of the clock's ten minutes \
         above {} %; a week is from Monday on, UTC, with at least half of its ten-minute values, by which EN 50160 asks for a \
         95th percentile of u2 of at most {EN_50160_U2_PERCENT} %.",
        arguments.limit
    );
    let form = Form {
        kind: "unbalance",
        columns: &[
            ("bank", "bank", TEXT),
            ("feeder", "feeder", TEXT),
            ("hours", "hours", 1),
            ("u2_mean_percent", "u2 %", 2),
            ("u2_p95_percent", "95th", 2),
            ("u2_max_percent", "max", 2),
            ("u2_over_hours", "h over", 1),
            ("u2_over_percent", "% over", 2),
            ("u2_week_p95_percent", "worst week's 95th", 2),
            ("u2_last_week_p95_percent", "last week's", 2),
            ("u0_mean_percent", "u0 %", 2),
            ("u0_p95_percent", "95th", 2),
            ("nema_mean_percent", "NEMA %", 2),
            ("nema_p95_percent", "95th", 2),
            ("pvur_mean_percent", "PVUR %", 2),
            ("ieee_936_mean_percent", "IEEE 936 %", 2),
        ],
        foot: &foot,
    };
    let ask = |store: &Store, filter: &Filter| unbalance_by_weeks(store, filter, arguments.limit);
    answer(&arguments.query.store, &arguments.query.range, arguments.json, &form, ask, out)
}

/// A limit in percent.
fn limit(text: &str) -> Result<f64, String> {
    let limit = text.trim_end_matches('%').parse::<f64>().ok().filter(|limit| (0.0..=100.0).contains(limit));
    limit.ok_or_else(|| "give a number of percent from 0 to 100, such as 2".to_owned())
}
