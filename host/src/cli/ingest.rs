//! `wyelog ingest`

use std::io::Write;
use std::path::{Path, PathBuf};

use wyelog::store::{Compacted, Compaction, Ingested, Store, Verdict, collect_files};

use super::progress::Progress;
use super::sheet::count;
use super::{Failure, Outcome, compact, say};

/// Take logs into a store, where they become tables.
///
/// The logs themselves are kept too, by their hash. The same log twice changes nothing, and neither does one that
/// overlaps another of the same logger: each record is in once. Killed at any moment, each log is wholly in or not at
/// all.
///
/// A log whose first piece is damaged does not say of which logger it is. Where a log in the store, or one named beside it, has
/// the same records, it is that logger's; else it is kept in the folder `unclaimed` of the store and in no table, until
/// somebody says whose it is.
///
/// Files at which somebody should look are in a table at the end, the others only counted; the exit code is 1 then, also
/// for mistakes in banks.toml. Where 16 small files have come together for a table and month they become one (see `wyelog
/// compact`).
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog ingest b3.log --store desk          makes the store if there is none
  wyelog ingest downloads/ --store desk      every file in a folder
  wyelog ingest b7.log --device WY-0007 --store desk   a log that does not say whose it is
  wyelog alarms --store desk                 what is in it")]
pub struct Arguments {
    /// Log files, and folders of them
    #[arg(required = true, value_name = "PATH")]
    paths: Vec<PathBuf>,
    /// Folder of the store
    #[arg(long, value_name = "DIR")]
    store: PathBuf,
    /// Serial number of the logger of those files that do not say it
    #[arg(long, value_name = "SERIAL", value_parser = clap::builder::NonEmptyStringValueParser::new())]
    device: Option<String>,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let mut files = Vec::new();
    for path in &arguments.paths {
        if path.is_dir() {
            if arguments.device.is_some() {
                return Err(Failure::usage(format!(
                    "{}: a folder may hold logs of other loggers too; name the files of which --device is true",
                    path.display()
                )));
            }
            collect_files(path, &mut files);
        } else {
            files.push(path.clone());
        }
    }
    let mut store = Store::open_or_create(&arguments.store)?;
    let mut writer = store.writer()?;
    if let Some(device) = &arguments.device {
        writer.say_device(device);
    }
    let mut summary = Summary { is_said: arguments.device.is_some(), ..Summary::default() };
    let all = files.len() as u64;
    let mut progress = Progress::new(all, "files");
    let mut done = 0;
    let result = writer.ingest_all(&files, &mut |ingested| {
        done += 1;
        progress.update(done, all, String::new);
        summary.take(&ingested);
    });
    drop(progress);
    summary.write(&arguments.store, out)?;
    if let Err(error) = result {
        return Err(Failure::new(format!(
            "{error} ({} of {} done; the others are not in)",
            done,
            count(all, "file")
        )));
    }
    let mut folders: Vec<Compacted> = Vec::new();
    let compacted = writer.compact(&Compaction::WHEN_IT_PAYS, &mut |one| folders.push(one.clone()));
    drop(writer);
    if !folders.is_empty() {
        writeln!(out, "{}", compact::sentence(&folders))?;
    }
    // The logs are in all the same.
    let mut is_whole = summary.is_whole();
    if let Err(error) = compacted {
        say(&format!("small files could not be put together: {error}"));
        is_whole = false;
    }
    let unclaimed = store.unclaimed().len() as u64;
    if unclaimed > summary.unclaimed {
        say(&format!(
            "{}: {} of unknown loggers; ingest them again now that other logs are in, or with --device SERIAL",
            arguments.store.join("unclaimed").display(),
            count(unclaimed, "log")
        ));
    }
    for problem in store.problems() {
        say(&problem.to_string());
        is_whole = false;
    }
    Ok(if is_whole { Outcome::Whole } else { Outcome::Partly })
}

/// What became of the files.
#[derive(Debug, Default)]
struct Summary {
    taken: u64,
    known: u64,
    no_logs: u64,
    in_part: u64,
    unclaimed: u64,
    /// Somebody says whose logs are that do not.
    is_said: bool,
    records: u64,
    /// Of the files that somebody should look at: file, what became of it, new and known records, why.
    rows: Vec<[String; 5]>,
}

impl Summary {
    fn take(&mut self, ingested: &Ingested) {
        let name = ingested.path.display().to_string();
        match &ingested.verdict {
            Verdict::Taken { records, known, unread, notes, .. } => {
                self.taken += 1;
                self.records += records;
                self.in_part += u64::from(!unread.is_empty());
                let sentences: Vec<&String> = unread.iter().chain(notes).collect();
                for sentence in &sentences {
                    say(&format!("{name}: {sentence}"));
                }
                let Some((first, others)) = sentences.split_first() else { return };
                let more = match others.len() {
                    0 => String::new(),
                    n => format!(" (and {n} more)"),
                };
                let what = if unread.is_empty() { "taken, see why" } else { "taken in part" };
                let why = format!("{first}{more}");
                self.rows.push([name, what.to_owned(), records.to_string(), known.to_string(), why]);
            }
            Verdict::Known => self.known += 1,
            Verdict::Unclaimed(why) => {
                self.unclaimed += 1;
                say(&format!("{name}: {why}"));
                self.rows.push([
                    name,
                    "kept, in no table".to_owned(),
                    "-".to_owned(),
                    "-".to_owned(),
                    why.clone(),
                ]);
            }
            Verdict::NotALog(error) => {
                self.no_logs += 1;
                let sentence = error.to_string();
                say(&sentence);
                let why = sentence.strip_prefix(&format!("{name}: ")).unwrap_or(&sentence).to_owned();
                self.rows.push([name, "not taken".to_owned(), "-".to_owned(), "-".to_owned(), why]);
            }
        }
    }

    fn write(&self, store: &Path, out: &mut impl Write) -> std::io::Result<()> {
        writeln!(
            out,
            "{}: {} taken with {}, {} known already, {} not readable.",
            store.display(),
            count(self.taken, "log"),
            count(self.records, "new record"),
            self.known,
            self.no_logs,
        )?;
        if self.in_part > 0 {
            writeln!(out, "{} read in part: everything intact is in.", count(self.in_part, "log"))?;
        }
        if self.unclaimed > 0 {
            writeln!(out, "{} of unknown loggers kept aside: in no table.", count(self.unclaimed, "log"))?;
        }
        if self.is_said && self.known > 0 {
            writeln!(out, "Whose those known already are, --device does not change.")?;
        }
        if !self.rows.is_empty() {
            let head = ["file", "what became of it", "new", "known", "why"].map(str::to_owned);
            writeln!(out)?;
            let rows: Vec<&[String; 5]> = std::iter::once(&head).chain(&self.rows).collect();
            let width = |column: usize| {
                let cells = rows.iter().filter_map(|row| row.get(column));
                cells.map(|cell| cell.chars().count()).max().unwrap_or(0)
            };
            let [a, b, c, d] = [0, 1, 2, 3].map(width);
            for [file, what, new, known, why] in rows {
                writeln!(out, "{file:<a$}  {what:<b$}  {new:>c$}  {known:>d$}  {why}")?;
            }
        }
        Ok(())
    }

    fn is_whole(&self) -> bool {
        self.rows.is_empty()
    }
}
