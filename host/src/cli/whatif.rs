//! `wyelog whatif`

use std::io::Write;

use wyelog::analysis::Filter;
use wyelog::analysis::whatif::{Limit, whatif};
use wyelog::store::Store;
use wyelog::tables::TEXT;

use super::query::{Form, Query, answer};
use super::{Failure, Outcome};

/// Hold the stored intervals of the fleet against other limits: would they have caught what was announced, and how often would
/// they have called falsely?
///
/// The limit is that of the neutral current which the voltages do not explain, in per unit of the rated current. Each limit is
/// tried with each persistence.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog whatif --store desk --residual 0.25 --persistence 60
  wyelog whatif --store desk --residual 0.1,0.15,0.25 --persistence 60,600 --feeder \"Quillmere East\"")]
pub struct Arguments {
    #[command(flatten)]
    query: Query,
    /// Limits to try, in per unit
    #[arg(long, value_name = "PU", value_delimiter = ',', default_values_t = [0.1, 0.15, 0.25, 0.5], value_parser = positive)]
    residual: Vec<f64>,
    /// How long each must be reached without a break, in s
    #[arg(long, value_name = "S", value_delimiter = ',', default_values_t = [60.0, 600.0], value_parser = positive)]
    persistence: Vec<f64>,
    /// JSON, one object a line
    #[arg(long)]
    json: bool,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let with = |residual_pu: &f64| {
        let residual_pu = *residual_pu;
        arguments.persistence.iter().map(move |seconds| Limit { residual_pu, persistence_s: *seconds })
    };
    let limits: Vec<Limit> = arguments.residual.iter().flat_map(with).collect();
    let form = Form {
        kind: "whatif",
        columns: &[
            ("residual_pu", "limit pu", 3),
            ("persistence_s", "for s", 0),
            ("alarms", "alarms", 0),
            ("caught", "caught", 0),
            ("delay_s", "after s", 0),
            ("calls", "calls", 0),
            ("false_calls", "false", 0),
            ("false_calls_per_bank_year", "false/bank-year", 2),
            ("missed", "missed", TEXT),
        ],
        foot: "Alarms: what the loggers announced by the limits that they had; a call that falls into none of them is false. An \
               interval counts as a whole: nothing shorter can be told.",
    };
    let ask = |store: &Store, filter: &Filter| whatif(store, filter, &limits);
    answer(&arguments.query.store, &arguments.query.range, arguments.json, &form, ask, out)
}

fn positive(text: &str) -> Result<f64, String> {
    let value = text.parse::<f64>().ok().filter(|value| *value > 0.0 && value.is_finite());
    value.ok_or_else(|| "give a number above 0, such as 0.25".to_owned())
}
