//! `wyelog worklist`

use std::io::Write;

use wyelog::alarms::meaning;
use wyelog::analysis::worklist::{COORDINATE, WorkItem, hazards, items, worklist};
use wyelog::store::Store;
use wyelog::tables::TEXT;

use super::query::{Form, Query, answer};
use super::{Failure, Outcome};

/// What crews and engineers have to see to, the most pressing bank first: what is wrong, what else it may be, what to bring.
///
/// What is dangerous stands first, by its kind, then what costs most kvarh a day, as far as that is certain. --csv is a work
/// order a line, with asset, pole and position out of the store's banks.toml.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog worklist --store desk
  wyelog worklist --store desk --full              each with explanation, what to look for and bring, and cautions
  wyelog worklist --store desk --csv > orders.csv  for the work-order system")]
pub struct Arguments {
    #[command(flatten)]
    query: Query,
    /// Show each bank in full
    #[arg(long, conflicts_with_all = ["json", "csv"])]
    full: bool,
    /// JSON, one object a line
    #[arg(long)]
    json: bool,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    if arguments.full {
        let store = Store::open(&arguments.query.store)?;
        let items = items(&store, &arguments.query.range.filter(&store)?)?;
        if items.is_empty() {
            writeln!(out, "Nothing that a crew or an engineer has to see to.")?;
        }
        for (number, item) in (1..).zip(&items) {
            write!(out, "{}", in_full(number, item))?;
        }
        return Ok(Outcome::Whole);
    }
    let foot = format!(
        "First what is dangerous ({}), then by kvarh lost a day × certainty. Explanation, what to bring and cautions: --full. This \
         informs; it proves no line dead, and no capacitor discharged.",
        hazards()
    );
    let form = Form {
        kind: "work",
        columns: &[
            ("rank", "#", 0),
            ("bank", "bank", TEXT),
            ("feeder", "feeder", TEXT),
            ("pole", "pole", TEXT),
            ("state", "needs", TEXT),
            ("hazard", "hazard", TEXT),
            ("what", "what", TEXT),
            ("kvarh_lost_per_day", "kvarh/day", 0),
            ("certainty", "certainty", 2),
            ("fuse_link", "fuse link", TEXT),
            ("acknowledged", "acknowledged", TEXT),
        ],
        foot: &foot,
    };
    answer(&arguments.query.store, &arguments.query.range, arguments.json, &form, worklist, out)
}

fn in_full(number: usize, item: &WorkItem) -> String {
    let place =
        |name: &str, text: Option<&String>| text.map(|text| format!(", {name}{text}")).unwrap_or_default();
    let bank = item.bank.as_ref();
    let mut out = format!(
        "{number}. {}{}{}{}{} ({})\n",
        item.row.bank,
        place("feeder ", item.row.feeder.as_ref()),
        place("asset ", bank.and_then(|bank| bank.asset.as_ref())),
        place("pole ", bank.and_then(|bank| bank.pole.as_ref())),
        place("", bank.and_then(|bank| bank.position.as_ref())),
        item.class(),
    );
    let mut line = |name: &str, text: &str| out.push_str(&format!("{name:12}{text}\n"));
    for what in &item.what {
        line("what", what);
    }
    if let Some(lost) = item.kvarh_lost_per_day() {
        line("costs", &format!("{lost:.0} kvarh a day; certainty {:.2}", item.rank.certainty));
    }
    if let Some(note) = item.acknowledged() {
        line("acknowledged", &format!(" {note}"));
    }
    if let Some(link) = &item.fuse_link {
        line("fuse link", &format!("{} ({}); {COORDINATE}", link.link, link.from.replace('_', " ")));
    }
    out.push_str(&meaning(&item.explanation));
    out.push('\n');
    out
}
