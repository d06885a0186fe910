//! `wyelog stress`

use std::io::Write;

use wyelog::analysis::stress::{
    LEAST_RISE_PERCENT, LEAST_RISE_RATIO, LEAST_VALUES, RECENT_MS, limits, stress,
};
use wyelog::tables::TEXT;

use super::query::{Form, Query, answer};
use super::{Failure, Outcome};

/// What the voltages load the capacitors of each bank with, beside the limits of IEEE Std 18.
///
/// Voltage, crest, current and reactive power in percent of the units' ratings, of the worst phase and while the bank is not
/// open: 95th percentiles, largest values and hours above 110, 120, 135 and 135 %; a ten-minute value counts as ten minutes.
/// Crest is an upper bound: as if the crests of
/// all harmonics met. Resonance: which harmonic of the voltage is higher with the bank in than with it out, at the same hours of
/// the day; the JSON also has the order at which bank and feeder resonate by the voltage step at closings (√(1/step)).
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog stress --store desk                     the most loaded first
  wyelog stress --store desk --from 2030-05-01 --to 2030-06-01 --feeder \"Quillmere East\"
  wyelog stress --store desk --bank \"Quillmere 3\" --json")]
pub struct Arguments {
    #[command(flatten)]
    query: Query,
    /// JSON, one object a line
    #[arg(long)]
    json: bool,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let [voltage, crest, current, reactive] = limits();
    let over = [voltage, crest, current, reactive].map(|of| format!("h > {} %", of.limit_percent));
    let [over_voltage, over_crest, over_current, over_reactive] = &over;
    let days = RECENT_MS / 86_400_000;
    let foot = format!(
        "Percent of the units' ratings, worst phase, while the bank is not open; limits: IEEE Std 18. V: of intervals; the rest: \
         of ten minutes, each of which stands for its ten minutes. Crest: fundamental and all harmonics, as if their crests met: at most \
         that. Resonance: a harmonic rises \
         that is at least {LEAST_RISE_RATIO} times and {LEAST_RISE_PERCENT} % of rated voltage higher with the bank in, of at \
         least {LEAST_VALUES} ten-minute values each at the same hours of the day in the bank's last {days} days (our choice: common \
         practice, no source)."
    );
    let form = Form {
        kind: "stress",
        columns: &[
            ("bank", "bank", TEXT),
            ("feeder", "feeder", TEXT),
            ("loaded_hours", "hours", 1),
            ("voltage_p95_percent", "V % 95th", 1),
            ("voltage_max_percent", "max", 1),
            ("voltage_over_hours", over_voltage, 1),
            ("crest_p95_percent", "crest % 95th", 1),
            ("crest_over_hours", over_crest, 1),
            ("thd_p95_percent", "THD % 95th", 2),
            ("current_p95_percent", "A % 95th", 1),
            ("current_over_hours", over_current, 1),
            ("reactive_p95_percent", "kvar % 95th", 1),
            ("reactive_over_hours", over_reactive, 1),
            ("resonance", "resonance", TEXT),
        ],
        foot: &foot,
    };
    answer(&arguments.query.store, &arguments.query.range, arguments.json, &form, stress, out)
}
