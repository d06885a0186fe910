//! `wyelog kvar`

use std::io::Write;

use wyelog::analysis::Filter;
use wyelog::analysis::kvar::{BASIS, LEAST_DAYS, LIMIT_PU, UNCORRECTED, kvar_with};
use wyelog::store::Store;
use wyelog::tables::TEXT;

use super::query::{Form, Query, answer};
use super::{Failure, Outcome};

/// Reactive power of each bank in a store: delivered, rated and lost, by phase; how sure that is and since when; where the
/// differences between the phases go.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog kvar --store desk
  wyelog kvar --store desk --trend                 differences between phases: slope a year, date of crossing
  wyelog kvar --store desk --from 2030-05-14 --bank \"Quillmere 3\" --json")]
pub struct Arguments {
    #[command(flatten)]
    query: Query,
    /// Show where the differences between the phases go, in the place of kvar; JSON and CSV have both
    #[arg(long)]
    trend: bool,
    /// Change of a difference between phases that counts as crossing, in per unit of a phase
    #[arg(long, value_name = "PU", default_value_t = LIMIT_PU, value_parser = limit)]
    limit: f64,
    /// JSON, one object a line
    #[arg(long)]
    json: bool,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let kvar_foot = format!(
        "kvar while in: mean delivered over the known hours, in which the bank was in and its capacitance could be told; nothing here \
         is about the other hours. kvarh lost: less than whole phases would have given at the voltages there were; ±: standard \
         deviation of the common part. Basis: {BASIS}, unless the row says better."
    );
    let trend_foot = format!(
        "Per unit of a phase, from its mean with the others; ± is a standard deviation. Days since the last change of a phase, at \
         least {LEAST_DAYS}. Crossing: a change of {} pu. Common part: {UNCORRECTED}.",
        arguments.limit
    );
    let kvar_columns = [
        ("bank", "bank", TEXT),
        ("feeder", "feeder", TEXT),
        ("hours", "hours", 1),
        ("known_hours", "known", 1),
        ("rated_kvar_phase", "rated kvar/phase", 1),
        ("kvar_a", "A kvar while in", 1),
        ("kvar_b", "B kvar while in", 1),
        ("kvar_c", "C kvar while in", 1),
        ("kvarh_lost_a", "A kvarh lost", 1),
        ("kvarh_lost_b", "B kvarh lost", 1),
        ("kvarh_lost_c", "C kvarh lost", 1),
        ("available_percent", "available %", 1),
        ("available_sigma_percent", "± %", 1),
        ("common_basis", "rests on", TEXT),
        ("last_proven_time", "last proven (UTC)", TEXT),
    ];
    let trend_columns = [
        ("bank", "bank", TEXT),
        ("feeder", "feeder", TEXT),
        ("trend_from_time", "from (UTC)", TEXT),
        ("trend_days", "days", 0),
        ("difference_a_pu", "A pu", 4),
        ("difference_slope_a_pu_per_year", "A a year", 4),
        ("difference_slope_sigma_a_pu_per_year", "±", 4),
        ("difference_b_pu", "B pu", 4),
        ("difference_slope_b_pu_per_year", "B a year", 4),
        ("difference_slope_sigma_b_pu_per_year", "±", 4),
        ("difference_c_pu", "C pu", 4),
        ("difference_slope_c_pu_per_year", "C a year", 4),
        ("difference_slope_sigma_c_pu_per_year", "±", 4),
        ("crossing_phase", "first", TEXT),
        ("crossing_time", "crosses (UTC)", TEXT),
        ("common_pu", "common pu", 3),
        ("common_slope_pu_per_year", "a year", 4),
    ];
    let form = Form {
        kind: "kvar",
        columns: if arguments.trend { &trend_columns } else { &kvar_columns },
        foot: if arguments.trend { &trend_foot } else { &kvar_foot },
    };
    let ask = |store: &Store, filter: &Filter| kvar_with(store, filter, arguments.limit);
    answer(&arguments.query.store, &arguments.query.range, arguments.json, &form, ask, out)
}

fn limit(text: &str) -> Result<f64, String> {
    let limit = text.parse::<f64>().ok().filter(|limit| *limit > 0.0 && *limit <= 1.0);
    limit.ok_or_else(|| "give a part of a phase above 0, at most 1, such as 0.04".to_owned())
}
