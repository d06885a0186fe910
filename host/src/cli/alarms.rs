//! `wyelog alarms`

use std::io::Write;
use std::path::PathBuf;

use wyelog::alarms::{Alarm, Collector, table, to_json};
#[cfg(feature = "desk")]
use wyelog::analysis::Filter;
#[cfg(feature = "desk")]
use wyelog::analysis::alarm_book::{alarm_book, folded};
#[cfg(feature = "desk")]
use wyelog::analysis::alarm_rates::alarm_rates;
#[cfg(feature = "desk")]
use wyelog::analysis::feeder_events::feeder_events;
use wyelog::log::Log;
#[cfg(feature = "desk")]
use wyelog::store::Store;
#[cfg(feature = "desk")]
use wyelog::tables::TEXT;

use super::progress::Progress;
#[cfg(feature = "desk")]
use super::query::{Form, Range, answer};
use super::sheet::{self, count};
use super::{Failure, Outcome, say};

/// Show what the loggers found, from one or many log files.
///
/// Logs of the same logger may overlap: each occurrence is shown once. Of a store, the open alarms come first, and what
/// several banks of a feeder saw is one line; what a logger finds again after it was started anew is one line too, since it was
/// first found. JSON and CSV have every alarm. A range of time shows what stood in it, as it was known at the end of the range:
/// an alarm that ended later goes on there.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog alarms b3.log
  wyelog alarms --full b3.log             with evidence, explanation and cautions
  wyelog alarms --json *.log | jq .       one object a line; type is log or alarm
  wyelog alarms --store desk              the open ones first
  wyelog alarms --store desk --feeder-events        each event of a feeder once, and who did not come back
  wyelog alarms --store desk --rates      alarms a year of each bank and feeder, fuses that go again and again")]
pub struct Arguments {
    /// Log files, as `wyelog download` writes them
    #[cfg_attr(feature = "desk", arg(required_unless_present = "store"))]
    #[cfg_attr(not(feature = "desk"), arg(required = true))]
    #[arg(value_name = "FILE")]
    files: Vec<PathBuf>,
    #[cfg(feature = "desk")]
    /// Folder of a store, in the place of files
    #[arg(long, value_name = "DIR", conflicts_with_all = ["files", "full"])]
    store: Option<PathBuf>,
    #[cfg(feature = "desk")]
    #[command(flatten)]
    range: Range,
    #[cfg(feature = "desk")]
    /// Of a store: voltage events of each feeder, one line each, and the banks that did not come back
    #[arg(long, requires = "store", conflicts_with = "rates")]
    feeder_events: bool,
    #[cfg(feature = "desk")]
    /// Of a store: how often each bank and feeder raises alarms
    #[arg(long, requires = "store")]
    rates: bool,
    /// Show each alarm in full
    #[arg(long, conflicts_with = "json")]
    full: bool,
    /// JSON, one object a line
    #[arg(long)]
    json: bool,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    #[cfg(feature = "desk")]
    if let Some(store) = &arguments.store {
        return in_store(store, arguments, out);
    }
    #[cfg(feature = "desk")]
    if arguments.range.is_given() || arguments.feeder_events || arguments.rates {
        return Err(Failure::usage(
            "--from, --to, --bank, --feeder, --csv, --feeder-events and --rates need a store; name it with --store DIR",
        ));
    }
    let mut collector = Collector::default();
    let (mut whole, mut unreadable, mut records) = (0_u64, 0_u64, 0_u64);
    let files = arguments.files.len() as u64;
    let mut progress = (!arguments.json).then(|| Progress::new(files, "files"));
    for (done, path) in (0..).zip(&arguments.files) {
        if let Some(progress) = &mut progress {
            progress.update(done, files, String::new);
        }
        let name = path.display().to_string();
        let log = match Log::read(path) {
            Ok(log) => log,
            Err(error) => {
                say(&error.to_string());
                unreadable += 1;
                continue;
            }
        };
        records += log.records.len() as u64;
        collector.log(&name, &log);
        if let Some(sentence) = log.refused_sentence() {
            say(&format!("{name}: {sentence}"));
        }
        if log.unread.is_nothing() {
            whole += 1;
        } else {
            report(&name, &log);
        }
        if arguments.json {
            writeln!(out, "{}", log_json(&name, &log))?;
        }
    }
    drop(progress);
    let alarms = collector.into_alarms();
    if arguments.json {
        for alarm in &alarms {
            writeln!(out, "{}", to_json(alarm))?;
        }
    } else if unreadable < files {
        show(&alarms, arguments.full, (records, whole == files), out)?;
    }
    if whole == files {
        return Ok(Outcome::Whole);
    }
    let partly = files - whole - unreadable;
    say(&format!(
        "of {}, {whole} read whole, {partly} in part, {unreadable} not at all; everything intact is shown",
        count(files, "file")
    ));
    Ok(Outcome::Partly)
}

#[cfg(feature = "desk")]
fn in_store(
    store: &std::path::Path,
    arguments: &Arguments,
    out: &mut impl Write,
) -> Result<Outcome, Failure> {
    let (range, json) = (&arguments.range, arguments.json);
    if arguments.feeder_events {
        return answer(store, range, json, &EVENTS, feeder_events, out);
    }
    if arguments.rates {
        return answer(store, range, json, &RATES, alarm_rates, out);
    }
    let is_table = !json && !range.csv;
    let ask = |store: &Store, filter: &Filter| {
        let book = alarm_book(store, filter)?;
        if is_table { folded(&book) } else { Ok(book) }
    };
    answer(store, range, json, &BOOK, ask, out)
}

#[cfg(feature = "desk")]
const BOOK: Form<'_> = Form {
    kind: "alarm",
    columns: &[
        ("id", "alarm", TEXT),
        ("is_open", "open", TEXT),
        ("who", "bank", TEXT),
        ("feeder", "feeder", TEXT),
        ("what", "condition", TEXT),
        ("phases", "phase", TEXT),
        ("route", "route", TEXT),
        ("begin_time", "began (UTC)", TEXT),
        ("time_quality", "time is", TEXT),
        ("announced_time", "announced", TEXT),
        ("end_time", "ended", TEXT),
        ("duration_s", "lasted s", 0),
        ("kvarh_lost", "kvarh lost", 1),
        ("note", "acknowledged", TEXT),
    ],
    foot: "Several banks in one line: one event of their feeder (--feeder-events). Acknowledge with wyelog acknowledge. This \
           informs; it proves no line dead, and no capacitor discharged.",
};

#[cfg(feature = "desk")]
const EVENTS: Form<'_> = Form {
    kind: "feeder_event",
    columns: &[
        ("id", "event", TEXT),
        ("feeder", "feeder", TEXT),
        ("begin_time", "began (UTC)", TEXT),
        ("time_error_s", "± s", 1),
        ("duration_s", "lasted s", 2),
        ("conditions", "what", TEXT),
        ("phases", "phase", TEXT),
        ("voltage_a_pu", "A pu", 2),
        ("voltage_b_pu", "B pu", 2),
        ("voltage_c_pu", "C pu", 2),
        ("seen_by", "banks", 0),
        ("feeder_banks", "of", 0),
        ("did_not_come_back", "did not come back", TEXT),
    ],
    foot: "One event is what banks of a feeder saw alike: phases, duration, voltages at their worst (medians); clocks only bound \
           where to look.",
};

#[cfg(feature = "desk")]
const RATES: Form<'_> = Form {
    kind: "alarm_rate",
    columns: &[
        ("level", "of a", TEXT),
        ("bank", "bank", TEXT),
        ("feeder", "feeder", TEXT),
        ("years", "years", 2),
        ("hazard_per_year", "hazard/year", 1),
        ("crew_per_year", "crew/year", 1),
        ("engineer_per_year", "engineer/year", 1),
        ("log_only_per_year", "log only/year", 1),
        ("voltage_events_per_year", "voltage events/year", 1),
        ("fuse_operations", "fuses", 0),
        ("fuse_phases", "on phase", TEXT),
        ("repeated_fuse", "repeated", TEXT),
    ],
    foot: "Years of a feeder are those of its banks together; its voltage events count once each. Repeated: two fuses of one bank \
           within a year. Less than a year is extrapolated, less than 30 days has no rate.",
};

fn report(name: &str, log: &Log) {
    for sentence in log.unread.sentences() {
        say(&format!("{name}: {sentence}"));
    }
    say(&format!(
        "{name}: {} read; not read: {}, {} lost, {} unknown; download it again while the logger still holds them",
        count(log.records.len() as u64, "record"),
        count(log.unread.damaged_pieces, "damaged piece"),
        log.unread.lost_records(),
        log.unread.unknown_records(),
    ));
}

fn show(
    alarms: &[Alarm],
    full: bool,
    (records, is_all): (u64, bool),
    out: &mut impl Write,
) -> Result<(), Failure> {
    let records = count(records, "record");
    if alarms.is_empty() {
        // Nobody may take a damaged log for a healthy bank.
        let rest = if is_all { "" } else { " that could be read; there may be one in what could not" };
        writeln!(out, "No alarm in {records}{rest}.")?;
    } else if full {
        write!(out, "{}", sheet::in_full(alarms))?;
    } else {
        write!(out, "{}", table(alarms))?;
        writeln!(
            out,
            "\n{} in {records}. Evidence, meaning and cautions: --full.",
            count(alarms.len() as u64, "alarm")
        )?;
        writeln!(out, "This informs; it proves no line dead, and no capacitor discharged.")?;
    }
    Ok(())
}

fn log_json(name: &str, log: &Log) -> serde_json::Value {
    let identity = log.identity.as_ref();
    serde_json::json!({
        "type": "log",
        "file": name,
        "device": identity.map(|identity| &identity.serial),
        "firmware": identity.map(|identity| &identity.firmware),
        "records": log.records.len(),
        "first": log.records.first().map(|kept| kept.sequence),
        "last": log.records.last().map(|kept| kept.sequence),
        "missing": log.missing_records(0, u32::MAX),
        "damaged_pieces": log.unread.damaged_pieces,
        "lost_records": log.unread.lost_records(),
        "unknown_records": log.unread.unknown_records(),
        "refused_records": log.refused(),
        "is_whole": log.unread.is_nothing(),
    })
}
