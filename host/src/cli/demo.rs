//! `wyelog demo`

use std::io::Write;
use std::path::PathBuf;
use std::sync::Mutex;
use std::time::Instant;

use wyelog::demo;

use super::progress::Progress;
use super::{Failure, Outcome};

/// An invented fleet of loggers, from its signals to the report: nothing attached, nothing needed.
///
/// Thirteen banks on three feeders. Their loggers run the shipped firmware: sample by sample around everything that happens,
/// window by window where nothing does.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog demo                            two weeks, in the folder wyelog-demo
  wyelog demo --days 3 --out /tmp/d3
  wyelog kvar --store wyelog-demo/store  ask its store what you like")]
pub struct Arguments {
    /// Days that the loggers live through
    #[arg(long, value_name = "N", default_value_t = 14, value_parser = clap::value_parser!(u16).range(1..=60))]
    days: u16,
    /// Folder for logs, store and report; an earlier demo in it is replaced
    #[arg(long, value_name = "DIR", default_value = "wyelog-demo")]
    out: PathBuf,
}

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
    writeln!(out, "{played:?} {:?}", started.elapsed())?;
    Ok(Outcome::Whole)
}
