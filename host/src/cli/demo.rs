//! `wyelog demo`

use std::collections::BTreeSet;
use std::io::Write;
use std::path::PathBuf;
use std::sync::Mutex;
use std::time::Instant;

use wyelog::store::Store;
use wyelog::{demo, report};

use super::progress::Progress;
use super::sheet::count;
use super::{Failure, Outcome};

/// An invented fleet of loggers, from its signals to the report: nothing attached, nothing needed.
///
/// Thirteen banks on three feeders. Their loggers run the shipped firmware: sample by sample around everything that happens,
/// window by window where nothing does.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog demo                            two weeks, in the folder wyelog-demo
  wyelog demo --days 3 --out three-days
  wyelog kvar --store wyelog-demo/store  ask its store what you like")]
pub struct Arguments {
    /// Days that the loggers live through
    #[arg(long, value_name = "N", default_value_t = 14, value_parser = clap::value_parser!(u16).range(1..=60))]
    days: u16,
    /// Folder for logs, store and report; an earlier demo in it is replaced
    #[arg(long, value_name = "DIR", default_value = "wyelog-demo")]
    out: PathBuf,
}

/// Banks that have a line of their own at the end: the worst.
const FOUND: usize = 3;

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let started = Instant::now();
    let fleet = demo::fleet(arguments.days)?;
    demo::clear(&arguments.out)?;
    let played = {
        let progress = Mutex::new(Progress::new(1000, "parts"));
        demo::play(&fleet, arguments.days, &arguments.out, &|part| {
            if let Ok(mut progress) = progress.lock() {
                progress.update((part * 1000.0) as u64, 1000, String::new);
            }
        })?
    };
    let store = arguments.out.join("store");
    let page = arguments.out.join("report.html");
    let report = report::report(&Store::open(&store)?, &report::Options::default())?;
    report::save(&page, &report.html, true)?;

    let feeders: BTreeSet<&str> = fleet.iter().map(|member| member.feeder).collect();
    let hours = (played.sampled_s + played.windowed_s) / 3600.0;
    writeln!(
        out,
        "{} on {} feeders, {}: {hours:.0} h of simulated signal through the shipped firmware in {:.0} s, {:.1} h of it sample by \
         sample around everything that happens, the rest window by window.",
        count(fleet.len() as u64, "bank"),
        feeders.len(),
        count(arguments.days.into(), "day"),
        started.elapsed().as_secs_f64(),
        played.sampled_s / 3600.0,
    )?;
    for row in report.rows.iter().take(FOUND) {
        let found = report::sentence(row).unwrap_or_else(|| "nothing found".to_owned());
        writeln!(out, "{}: {found}.", row.bank)?;
    }
    writeln!(
        out,
        "{}: open {} ({:.1} MB), or ask the store: wyelog kvar --store {}",
        report.headline(),
        page.display(),
        report.html.len() as f64 / 1e6,
        store.display(),
    )?;
    Ok(Outcome::Whole)
}
