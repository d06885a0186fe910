//! `wyelog certificate`

use std::io::Write;
use std::path::PathBuf;

use wyelog::analysis::Filter;
use wyelog::analysis::certificate::{Certificate, certificate, frame};
use wyelog::report::{certificate_html, certificate_text, save};
use wyelog::store::Store;
use wyelog::time::utc;

use super::query::{Times, known, write_csv};
use super::{Failure, Outcome};

/// Make the proving page of one upgrade: as found and as left, seven days of soak, the baseline, what is open, and what no
/// record proves.
///
/// --from and --to say which records it rests on: those of one upgrade out of several, or all up to a day. The soak begins when
/// a baseline was learned in the range, else with the range's first interval; a baseline that was learned before the range is
/// shown, but proves nothing. As found are the settings in force when the range begins and the first day from the
/// commissioning on, as left those in force when the range ends and its last day. An alarm is open if it has not ended when the
/// range ends, also one that began before.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog certificate --store desk --bank \"Quillmere 3\"
  wyelog certificate --store desk --bank \"Quillmere 3\" --out q3.html     a page to print and sign
  wyelog certificate --store desk --bank \"Quillmere 3\" --from 2031-03-01T09:00
                                                 of the second upgrade, that morning
  wyelog certificate --store desk --bank \"Quillmere 3\" --to 2030-06-01 --csv     as of that day")]
pub struct Arguments {
    /// Folder of the store
    #[arg(long, value_name = "DIR")]
    store: PathBuf,
    /// Which bank
    #[arg(long, value_name = "NAME")]
    bank: String,
    #[command(flatten)]
    times: Times,
    /// Write a page: HTML
    #[arg(long, value_name = "FILE", conflicts_with_all = ["json", "csv"])]
    out: Option<PathBuf>,
    /// Replace what has that name, also if it is no such page of wyelog
    #[arg(long, requires = "out")]
    force: bool,
    /// CSV, with a head line
    #[arg(long, conflicts_with = "json")]
    csv: bool,
    /// JSON
    #[arg(long)]
    json: bool,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let store = Store::open(&arguments.store)?;
    let filter = Filter {
        from_ms: arguments.times.from,
        to_ms: arguments.times.to,
        banks: vec![arguments.bank.clone()],
        ..Filter::default()
    };
    let Filter { from_ms, to_ms, .. } = known(&store, filter)?;
    let Some(page) = certificate(&store, &arguments.bank, (from_ms, to_ms))? else {
        return Err(Failure::new(format!(
            "{}: it has no log of the bank \"{}\"; ingest one of its logger",
            arguments.store.display(),
            arguments.bank
        )));
    };
    if arguments.json {
        writeln!(out, "{}", to_json(&page))?;
    } else if arguments.csv {
        write_csv(&mut frame(&page)?, out)?;
    } else if let Some(path) = &arguments.out {
        save(path, &certificate_html(&page), arguments.force)?;
        writeln!(out, "{}.\n{}.", page.headline(), path.display())?;
    } else {
        write!(out, "{}", certificate_text(&page))?;
    }
    Ok(Outcome::Whole)
}

fn to_json(page: &Certificate) -> serde_json::Value {
    let time = |ms: Option<i64>| ms.and_then(|ms| u64::try_from(ms).ok()).map(utc);
    let soak = &page.soak;
    let baseline = page.baseline.as_ref().map(|baseline| {
        serde_json::json!({
            "state": baseline.state,
            "reason": baseline.reason,
            "learned_time": time(baseline.learned_ms),
            "confirmed_time": time(baseline.confirmed_ms),
            "connected": baseline.connected,
            "difference_sigma_pu": baseline.sigmas.0,
            "common_sigma_pu": baseline.sigmas.1,
            "common_basis": baseline.basis,
            "watched_hours": baseline.watched.0,
            "openings": baseline.watched.1,
            "closings": baseline.watched.2,
        })
    });
    let changes = page.changes.iter().map(
        |change| serde_json::json!({ "setting": change.setting, "found": change.found, "left": change.left }),
    );
    let mut all = serde_json::json!({
        "type": "certificate",
        "bank": page.row.bank,
        "feeder": page.row.feeder,
        "device": page.row.device,
        "is_proven": page.is_proven(),
        "range_from_time": time(page.range.0),
        "range_to_time": time(page.range.1),
        "commissioned_time": time(page.commissioned_ms),
        "settings_records": page.settings_records,
        "changes": changes.collect::<Vec<_>>(),
        "soak_days": soak.days,
        "soak_hours": soak.hours.0,
        "soak_passed_hours": soak.hours.1,
        "soak_known_hours": soak.known_hours(),
        "soak_known_in_hours": soak.values.known_hours,
        "soak_open_hours": soak.values.open_hours,
        "soak_closed_hours": soak.values.closed_hours,
        "soak_flagged_hours": soak.values.flagged_hours,
        "soak_openings": soak.operations.0,
        "soak_closings": soak.operations.1,
        "soak_is_done": soak.is_done(),
        "soak_alarms": soak.alarms,
        "baseline": baseline,
        "open": page.open,
        "not_proven": page.not_proven,
    });
    for (name, values) in page.stretches() {
        for (what, value) in [
            ("voltage_v", serde_json::json!(values.voltage_v)),
            ("connected", serde_json::json!(values.connected)),
            ("kvar", serde_json::json!(values.kvar)),
            ("neutral_a", serde_json::json!(values.neutral_a)),
            ("residual_pu", serde_json::json!(values.residual_pu)),
            ("u2_percent", serde_json::json!(values.u2_percent)),
        ] {
            if let Some(object) = all.as_object_mut() {
                object.insert(format!("{name}_{what}"), value);
            }
        }
    }
    all
}
