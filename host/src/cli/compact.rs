//! `wyelog compact`

use std::io::Write;
use std::path::PathBuf;

use wyelog::store::{Compacted, Compaction, Store};

use super::sheet::count;
use super::{Failure, Outcome};

/// Put the small files of a store together.
///
/// For each table and month, files below 64 MiB become one, or several of 64 to 256 MiB, sorted by bank and time.
/// Questions are answered faster then, and other programs can read the folder of a table as one. `wyelog ingest` does it
/// on its own where 16 small files have come together.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog compact --store desk")]
pub struct Arguments {
    /// Folder of the store
    #[arg(long, value_name = "DIR")]
    store: PathBuf,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let mut store = Store::open(&arguments.store)?;
    let mut folders: Vec<Compacted> = Vec::new();
    store.writer()?.compact(&Compaction::NOW, &mut |compacted| folders.push(compacted.clone()))?;
    writeln!(out, "{}: {}", arguments.store.display(), sentence(&folders))?;
    Ok(Outcome::Whole)
}

/// What was put together.
pub fn sentence(folders: &[Compacted]) -> String {
    let sum = |of: &dyn Fn(&Compacted) -> (usize, u64)| {
        let (files, bytes) =
            folders.iter().map(of).fold((0, 0), |sum, one| (sum.0 + one.0 as u64, sum.1 + one.1));
        format!("{} ({:.1} MB)", count(files, "file"), bytes as f64 / 1e6)
    };
    if folders.is_empty() {
        return "no small files to put together.".to_owned();
    }
    format!("{} put together into {}.", sum(&|one| one.before), sum(&|one| one.after))
}
