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
///
/// --poles shows each pole instead: how much later than the mean of the three it clears. One opening says more about the point
/// on the wave than about the pole (up to a sixth of a cycle either way); over many openings at random points that averages out,
/// and what is left is a pole that parts late. JSON and CSV have both.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog switching --store desk                  the busiest switch first
  wyelog switching --store desk --from 2030-03-01 --maintenance 2500
                                                 how many operations are left since a service on 1 March
  wyelog switching --store desk --poles          does one pole part later than the others, and more and more so?
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
    /// Show the current zeros of each pole against the mean of the three, in the place of the rest; JSON and CSV have both
    #[arg(long)]
    poles: bool,
}

const POLES: [(&str, &str, usize); 15] = [
    ("bank", "bank", TEXT),
    ("feeder", "feeder", TEXT),
    ("pole_openings", "openings", 0),
    ("pole_a_late_ms", "A ms", 2),
    ("pole_a_late_sigma_ms", "±", 2),
    ("pole_a_late_slope_ms_per_year", "A a year", 2),
    ("pole_a_late_slope_sigma", "±", 2),
    ("pole_b_late_ms", "B ms", 2),
    ("pole_b_late_sigma_ms", "±", 2),
    ("pole_b_late_slope_ms_per_year", "B a year", 2),
    ("pole_b_late_slope_sigma", "±", 2),
    ("pole_c_late_ms", "C ms", 2),
    ("pole_c_late_sigma_ms", "±", 2),
    ("pole_c_late_slope_ms_per_year", "C a year", 2),
    ("pole_c_late_slope_sigma", "±", 2),
];

const POLES_FOOT: &str = "Of the openings at which all three current zeros were seen: mean of how much later each pole clears than \
                          the mean of the three, in ms, and where that goes. ± is a standard deviation. One opening says more \
                          about the point on the wave than about the pole.";

const FOOT: &str = "Zeros: from the first pole's current zero to the last one's, at openings. Inrush: largest neutral current at \
                    closings, band-limited, below 2.4 kHz. ±: standard deviation of the slope. Charged: closed while the logger \
                    saw that capacitors could hold charge; < 5 min: closed that soon after an opening (IEEE Std 18).";

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
    if arguments.poles {
        columns = POLES.to_vec();
    }
    if arguments.maintenance.is_some() {
        columns.extend([("operations_left", "left", 0), ("maintenance_time", "service (UTC)", TEXT)]);
    }
    let form =
        Form { kind: "switching", columns: &columns, foot: if arguments.poles { POLES_FOOT } else { FOOT } };
    let ask = |store: &Store, filter: &Filter| switching(store, filter, arguments.maintenance);
    answer(&arguments.query.store, &arguments.query.range, arguments.json, &form, ask, out)
}
