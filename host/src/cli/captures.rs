//! `wyelog captures`

use std::io::Write;
use std::path::{Path, PathBuf};

use wyelog::captures::{Capture, Captures, Ending};
use wyelog::log::Log;
use wyelog::time::duration;

use super::sheet::count;
use super::{Failure, Outcome, say};

/// Show the waveforms a log holds, and write them as COMTRADE.
///
/// A logger keeps all four channels around every event and operation: 3 cycles before at least, 12 after. With --out each
/// becomes a pair of files (IEEE C37.111-2013, 16-bit binary, 4800 samples a second): voltages to ground of A, B, C in V,
/// neutral current in A, primary.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog captures b3.log
  wyelog captures b3.log --out waveforms
  wyelog captures b3.log --json | jq .    one object a line; type is capture")]
pub struct Arguments {
    /// Log file, as `wyelog download` writes it
    #[arg(value_name = "LOG")]
    log: PathBuf,
    /// Folder for the COMTRADE files; it is made if it is not there
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// JSON, one object a line
    #[arg(long)]
    json: bool,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let name = arguments.log.display().to_string();
    let log = Log::read(&arguments.log)?;
    let found = Captures::of(&log).map_err(|error| Failure::new(format!("{name}: {error}")))?;
    if let Some(folder) = &arguments.out {
        std::fs::create_dir_all(folder).map_err(|error| cannot_write(folder, &error))?;
    }
    if !arguments.json && !found.captures.is_empty() {
        writeln!(
            out,
            "{:<27}{:>10}{:>9}{:>9}  conditions that began in it",
            "begin", "lasts", "samples", "missing"
        )?;
    }
    for capture in &found.captures {
        let file = arguments.out.as_ref().map(|folder| write(folder, capture)).transpose()?;
        if arguments.json {
            writeln!(out, "{}", json(capture, file.as_deref()))?;
        } else {
            writeln!(out, "{}", line(capture))?;
        }
    }
    if !arguments.json {
        let captures = count(found.captures.len() as u64, "capture");
        match &arguments.out {
            Some(folder) if !found.captures.is_empty() => {
                writeln!(out, "{captures} written to {}", folder.display())?;
            }
            _ => writeln!(out, "{captures} in {}", count(log.records.len() as u64, "record"))?,
        }
    }
    for sentence in log.unread.sentences() {
        say(&format!("{name}: {sentence}"));
    }
    if found.damaged_records > 0 {
        say(&format!(
            "{name}: the samples of {} make no sense and are missing; download the log again",
            count(found.damaged_records, "record")
        ));
    }
    Ok(if log.unread.is_nothing() && found.damaged_records == 0 { Outcome::Whole } else { Outcome::Partly })
}

/// Writes both files; returns the path of the `.cfg` one.
fn write(folder: &Path, capture: &Capture) -> Result<PathBuf, Failure> {
    let path = folder.join(capture.file_name() + ".cfg");
    capture.to_comtrade().write(&path).map_err(|error| Failure::new(error.to_string()))?;
    Ok(path)
}

fn cannot_write(path: &Path, error: &std::io::Error) -> Failure {
    Failure::new(format!("cannot write {}: {error}; choose another --out", path.display()))
}

fn line(capture: &Capture) -> String {
    let mut what: Vec<String> = capture
        .events
        .iter()
        .map(|event| {
            let phases: String = event.phases.letters().collect();
            format!("{} {phases}", event.condition.name())
        })
        .collect();
    match capture.ending {
        Ending::Whole => {}
        Ending::BrokenOff => what.push("(broken off by the logger)".to_owned()),
        Ending::Cut => what.push("(its end is not in the log)".to_owned()),
    }
    let line = format!(
        "{:<27}{:>10}{:>9}{:>9}  {}",
        capture.begin.to_string(),
        duration(capture.duration_s()),
        capture.samples.len(),
        capture.missing(),
        what.join(", ")
    );
    line.trim_end().to_owned()
}

fn json(capture: &Capture, file: Option<&Path>) -> serde_json::Value {
    let events: Vec<_> = capture
        .events
        .iter()
        .map(|event| {
            serde_json::json!({
                "occurrence": event.occurrence,
                "condition": event.condition.name(),
                "phases": event.phases.letters().collect::<Vec<_>>(),
                "begin_s": wyelog::time::frames_to_seconds(event.begin.frame),
            })
        })
        .collect();
    serde_json::json!({
        "type": "capture",
        "device": capture.device,
        "bank": capture.settings.nameplate.name.as_str(),
        "boot": capture.begin.boot,
        "frame": capture.begin.frame,
        "begin_utc": capture.begin.utc(),
        "begin_s": capture.begin.seconds(),
        "duration_s": capture.duration_s(),
        "samples": capture.samples.len(),
        "missing": capture.missing(),
        "ending": capture.ending.name(),
        "events": events,
        "file": file.map(|path| path.display().to_string()),
    })
}
