//! `wyelog acknowledge`

use std::io::Write;
use std::path::PathBuf;

use wyelog::analysis::Filter;
use wyelog::analysis::alarm_book::{Found, find};
use wyelog::rtc::now_ms;
use wyelog::store::{Acknowledgement, Store};
use wyelog::time::utc;

use super::{Failure, Outcome};

/// Note beside an alarm of a store that somebody has looked at it.
///
/// It stays in every answer, marked; nothing is hidden or ended by it. The note survives ingesting the logs anew. The id of an event
/// of a feeder stands for the alarms of all its banks.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog acknowledge --store desk 5b0c9a41d7 --note \"work order written\"
  wyelog acknowledge --store desk 5b0c --undo          the beginning of the id will do")]
pub struct Arguments {
    /// Folder of the store
    #[arg(long, value_name = "DIR")]
    store: PathBuf,
    /// The alarm: its id as `wyelog alarms --store` shows it, or so much of it that no other begins with
    #[arg(value_name = "ALARM")]
    alarm: String,
    /// What to write beside it
    #[arg(long, value_name = "TEXT", required_unless_present = "undo")]
    note: Option<String>,
    /// Take it back
    #[arg(long, conflicts_with = "note")]
    undo: bool,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let store = Store::open(&arguments.store)?;
    let found = find(&store, &Filter::default(), &arguments.alarm)?;
    let [Found { id, alarms, later, words }] = found.as_slice() else {
        let all: Vec<String> =
            found.iter().take(5).map(|found| format!("{} ({})", found.id, found.words)).collect();
        return Err(Failure::new(match all.as_slice() {
            [] => format!(
                "no alarm in {} has an id that begins with \"{}\"; `wyelog alarms --store` shows the ids",
                arguments.store.display(),
                arguments.alarm
            ),
            all => format!(
                "\"{}\" is the beginning of several: {}; give more of it",
                arguments.alarm,
                all.join(", ")
            ),
        }));
    };
    let mut is_new = false;
    // Written before it was known that they are the same alarm.
    for id in later {
        is_new |= store.withdraw(id)?;
    }
    for id in alarms {
        is_new |= match &arguments.note {
            _ if arguments.undo => store.withdraw(id)?,
            note => store.acknowledge(Acknowledgement {
                id: id.clone(),
                alarm: words.clone(),
                acknowledged: utc(now_ms()),
                note: note.clone().unwrap_or_default(),
            })?,
        };
    }
    let said = match (arguments.undo, is_new) {
        (false, true) => "acknowledged",
        (false, false) => "was acknowledged with this note already: nothing changed",
        (true, true) => "is no longer acknowledged",
        (true, false) => "was not acknowledged: nothing changed",
    };
    writeln!(out, "{id} ({words}) {said}.")?;
    Ok(Outcome::Whole)
}
