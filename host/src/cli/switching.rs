//! `wyelog switching`

use std::io::Write;

use wyelog::analysis::Filter;
use wyelog::analysis::switching::switching;
use wyelog::store::Store;
use wyelog::tables::TEXT;

use super::query::{Form, Query, answer};
use super::{Failure, Outcome};

/// What the switch of each bank in a store did, and how it changes.
///
/// Operations as currents and voltages show them: how many a day, how many untold (where a contact is wired), the spacing of the
/// poles' current zeros at openings, the neutral inrush at closings (band-limited, below 2.4 kHz: the crest is higher), the
/// trends of both by least squares with their standard deviations, closings while charged and closings sooner than five minutes
/// after an opening (IEEE Std 18: a unit above 600 V may take that long to discharge).
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog switching --store desk                  the busiest switch first
  wyelog switching --store desk --from 2030-03-01 --maintenance 2500
                                                 how many operations are left since a service on 1 March
  wyelog switching --store desk --bank \"Quillmere 3\" --json")]
pub struct Arguments {
    #[command(flatten)]
    query: Query,
    /// JSON, one object a line
    #[arg(long)]
    json: bool,
    /// Operations after which the switch is to be serviced, as its manual says; counted from the beginning of the range.
    /// There is no default: it depends on the switch
    #[arg(long, value_name = "OPERATIONS", value_parser = clap::value_parser!(u32).range(1..))]
    maintenance: Option<u32>,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let mut columns = vec![
        ("bank", "bank", TEXT),
        ("feeder", "feeder", TEXT),
        ("watched_days", "days", 1),
        ("operations", "operations", 0),
        ("operations_per_day", "a day", 2),
        ("untold", "untold", 0),
        ("zero_spread_median_ms", "zeros ms", 2),
        ("zero_spread_slope_ms_per_year", "a year", 2),
        ("zero_spread_slope_sigma", "±", 2),
        ("inrush_median_a", "inrush A", 1),
        ("inrush_max_a", "max", 1),
        ("inrush_slope_a_per_year", "a year", 1),
        ("inrush_slope_sigma", "±", 1),
        ("charged_closings", "charged", 0),
        ("early_closings", "< 5 min", 0),
    ];
    if arguments.maintenance.is_some() {
        columns.extend([("operations_left", "left", 0), ("maintenance_time", "service (UTC)", TEXT)]);
    }
    let form = Form {
        kind: "switching",
        columns: &columns,
        foot: "Zeros: from the first pole's current zero to the last one's, at openings. Inrush: largest neutral current at \
               closings, band-limited, below 2.4 kHz. ±: standard deviation of the slope. Charged: closed while the logger saw \
               that capacitors could hold charge; < 5 min: closed that soon after an opening (IEEE Std 18).",
    };
    let ask = |store: &Store, filter: &Filter| switching(store, filter, arguments.maintenance);
    answer(&arguments.query.store, &arguments.query.range, arguments.json, &form, ask, out)
}
