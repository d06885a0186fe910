//! `wyelog download`

use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use wyelog::device::{DeviceError, Patience, Port, Session};
use wyelog::download::{self, DownloadError, Downloaded, part_of};
use wyelog::log::Log;

use super::progress::{Progress, Waiting};
use super::sheet::count;
use super::{Failure, Outcome, say};

/// Download the log of a logger into a file.
///
/// A file that is there goes on behind its last record: the same command brings it up to date, and takes up a download
/// that was broken off.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog download --port /dev/ttyUSB0 --out b3.log
  wyelog download --port COM3 --out b3.log
  wyelog download --port tcp:127.0.0.1:4100 --out b3.log --from 12000")]
pub struct Arguments {
    /// Serial port, or tcp:HOST:PORT
    #[arg(long, value_name = "PORT")]
    port: String,
    /// Log file to write or to bring up to date
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// Number of the first record wanted in a new file; the oldest one unless given
    #[arg(long, value_name = "NUMBER")]
    from: Option<u32>,
    /// Speed of a serial port in bits a second
    #[arg(long, value_name = "SPEED", default_value_t = Port::BAUD)]
    baud: u32,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let mut session = Session::new(Port::open(&arguments.port, arguments.baud)?, Patience::default());
    let hello = {
        let _waiting = Waiting::for_what(format!("waiting for the logger on {}", arguments.port));
        session.identify()?
    };
    if hello.is_other_schema {
        say(&format!(
            "logger {} (firmware {}) writes another schema than this program knows; what both know is read, all of it \
             is kept, a newer wyelog will read the rest",
            hello.identity.serial, hello.identity.firmware
        ));
    }
    session.stop_on(stop_flag());
    let result = {
        let mut progress = Progress::new(0, "records");
        download::to_file(&mut session, &hello, &arguments.out, arguments.from, &mut |now| {
            let seconds = progress.seconds();
            progress.update(u64::from(now.next - now.from), u64::from(now.to - now.from), || {
                let rate = now.link.bytes as f64 / seconds / 1000.0;
                format!(", {rate:.1} kB/s, {}", count(u64::from(now.link.retries), "retry"))
            });
        })
    };
    let done = result.map_err(|error| broken_off(error, &arguments.out))?;
    report(arguments, &hello.identity.serial, &done, out)
}

/// Ctrl-C ends the download with everything that came in the file; a second one ends the program at once.
fn stop_flag() -> Arc<AtomicBool> {
    let flag = Arc::new(AtomicBool::new(false));
    let asked = Arc::clone(&flag);
    // Where it cannot be caught, it ends the program: what had been written by then is there.
    let _ = ctrlc::set_handler(move || {
        if asked.swap(true, Ordering::Relaxed) {
            std::process::exit(1);
        }
    });
    flag
}

fn broken_off(error: DownloadError, out: &Path) -> Failure {
    let goes_on = match &error {
        // They say so themselves.
        DownloadError::Device(DeviceError::Vanished { .. } | DeviceError::Stopped { .. }) => "",
        DownloadError::Device(_) | DownloadError::File { .. } => ", and the same command goes on from there",
        _ => return error.into(),
    };
    let failure = Failure::from(error);
    let part = part_of(out);
    if part.exists() {
        Failure::new(format!("{failure} (what had come is kept in {}{goes_on})", part.display()))
    } else {
        failure
    }
}

fn report(
    arguments: &Arguments,
    serial: &str,
    done: &Downloaded,
    out: &mut impl Write,
) -> Result<Outcome, Failure> {
    let name = arguments.out.display();
    // What was there before may be damaged, and the logger itself may have lost records.
    let log = Log::read(&arguments.out)?;
    let new = u64::from(done.next - done.from) - log.missing_records(done.from, done.next);
    let went_on = if done.went_on { ", behind what was there" } else { "" };
    writeln!(out, "{name}: {} from logger {serial}{went_on}", count(new, "record"))?;
    let link = done.progress.link;
    if link.retries + link.damaged_frames + link.reconnects > 0 {
        say(&format!(
            "the line was not clean: {} damaged, {} asked again, connected again {}; nothing is lost by it",
            count(u64::from(link.damaged_frames), "frame"),
            count(u64::from(link.retries), "time"),
            count(u64::from(link.reconnects), "time")
        ));
    }
    if let Some(sentence) = log.refused_sentence() {
        say(&format!("{name}: {sentence}"));
    }
    if let Some(sentence) = log.missing_sentence() {
        say(&format!("{name}: {sentence}"));
    }
    if log.unread.is_nothing() {
        return Ok(Outcome::Whole);
    }
    for sentence in log.unread.sentences() {
        say(&format!("{name}: {sentence}"));
    }
    say(&format!("{name}: the rest is intact; to get what is damaged again, download into a new file"));
    Ok(Outcome::Partly)
}
