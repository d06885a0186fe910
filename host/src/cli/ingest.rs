//! `wyelog ingest`

use std::io::Write;
use std::path::PathBuf;

use wyelog::store::{Store, Verdict, collect_files};

use super::progress::Progress;
use super::sheet::count;
use super::{Failure, Outcome, say};

/// Take logs into a store, where they become tables.
///
/// The logs themselves are kept too, by their hash. The same log twice changes nothing, and neither does one that
/// overlaps another of the same logger: each record is in once.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog ingest b3.log --store desk          makes the store if there is none
  wyelog ingest downloads/ --store desk      every file in a folder
  wyelog alarms --store desk                 what is in it")]
pub struct Arguments {
    /// Log files, and folders of them
    #[arg(required = true, value_name = "PATH")]
    paths: Vec<PathBuf>,
    /// Folder of the store
    #[arg(long, value_name = "DIR")]
    store: PathBuf,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let mut files = Vec::new();
    for path in &arguments.paths {
        if path.is_dir() {
            collect_files(path, &mut files);
        } else {
            files.push(path.clone());
        }
    }
    let mut store = Store::open_or_create(&arguments.store)?;
    let mut writer = store.writer()?;
    let (mut taken, mut known, mut no_logs, mut in_part, mut records) = (0_u64, 0_u64, 0_u64, 0_u64, 0_u64);
    let all = files.len() as u64;
    let mut progress = Progress::new(all, "files");
    let mut done = 0;
    writer.ingest_all(&files, &mut |ingested| {
        done += 1;
        progress.update(done, all, String::new);
        let name = ingested.path.display();
        match &ingested.verdict {
            Verdict::Taken { records: new, unread, notes, .. } => {
                taken += 1;
                records += new;
                in_part += u64::from(!unread.is_empty());
                for sentence in unread.iter().chain(notes) {
                    say(&format!("{name}: {sentence}"));
                }
            }
            Verdict::Known => known += 1,
            Verdict::NotALog(error) => {
                no_logs += 1;
                say(&error.to_string());
            }
        }
    })?;
    drop(progress);
    writeln!(
        out,
        "{}: {} taken with {}, {known} known already, {no_logs} not readable.",
        arguments.store.display(),
        count(taken, "log"),
        count(records, "new record"),
    )?;
    if in_part > 0 {
        writeln!(out, "{} read in part: everything intact is in.", count(in_part, "log"))?;
    }
    Ok(if no_logs == 0 && in_part == 0 { Outcome::Whole } else { Outcome::Partly })
}
