//! `wyelog quality`

use std::io::Write;

use wyelog::analysis::quality::quality;
use wyelog::tables::TEXT;

use super::query::{Form, Query, answer};
use super::{Failure, Outcome};

/// How far the records of each logger in a store can be relied on.
///
/// First and last record, time that no interval covers, records that are missing by their numbers, flagged intervals, how the
/// times are known, what was in several logs, what could not be read, loggers not heard from. Numbers of records and of logs are
/// of all logs of a logger, whatever the range. Silent is a logger whose records end more than a day before those of the store,
/// which end at the latest moment that two banks have records of. Never heard from is a logger that the register says to hang
/// on a bank, and of which there is no log.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog quality --store desk                  the most suspicious first
  wyelog quality --store desk --from 2030-05-01 --to 2030-06-01 --csv > may.csv
  wyelog quality --store desk --bank \"Quillmere 3\" --json")]
pub struct Arguments {
    #[command(flatten)]
    query: Query,
    /// JSON, one object a line
    #[arg(long)]
    json: bool,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let form = Form {
        kind: "quality",
        columns: &[
            ("bank", "bank", TEXT),
            ("device", "logger", TEXT),
            ("first_time", "first (UTC)", TEXT),
            ("last_time", "last (UTC)", TEXT),
            ("heard", "heard from", TEXT),
            ("silent_hours", "silent h", 1),
            ("uncovered_hours", "h missing", 1),
            ("missing_records", "records missing", 0),
            ("flagged_percent", "flagged %", 2),
            ("guessed_percent", "time guessed %", 1),
            ("unknown_percent", "unknown %", 1),
            ("time_error_s", "error s", 1),
            ("logs_in_part", "logs in part", 0),
            ("known_again", "known again", 0),
            ("double_numbers", "double", 0),
            ("other_loggers", "same name", 0),
        ],
        foot: "h missing: between the first interval and the last; records missing: by their numbers, from the first interval \
               on. Known again: records that several logs bring, which are in once. Double: numbers that two records have. Same \
               name: other loggers on a bank of this name. Guessed: between what was before and after.",
    };
    answer(&arguments.query.store, &arguments.query.range, arguments.json, &form, quality, out)
}
