//! A download into a file that can be taken up again.
//!
//! While it runs, the file is called `NAME.part`; it gets its name when the end mark is written. Whatever stops it,
//! `NAME.part` holds what had come, and the same call goes on behind its last record. A finished log is brought up to
//! date in the same way, by way of a copy.

use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use thiserror::Error;

use crate::device::{FetchError, Hello, Progress, Session, Transport};
use crate::log::{Content, DeviceIdentity, LogWriter, Reader};

/// Why a download did not come to its end.
#[derive(Debug, Error)]
pub enum DownloadError {
    /// The logger, or the line to it. What had come is kept.
    #[error(transparent)]
    Device(#[from] crate::device::DeviceError),
    /// The file system refused.
    #[error("{}: {source}; check the folder, its rights and the room on the disk", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What the system answered.
        source: io::Error,
    },
    /// A folder or a device.
    #[error("{}: this is no plain file but {what}; give the name of a file", path.display())]
    NoFile {
        /// What is there.
        path: PathBuf,
        /// Its kind.
        what: &'static str,
    },
    /// The file that is there is something else.
    #[error("{}: the file is there and is no wyelog log; choose another name", path.display())]
    NotALog {
        /// The file.
        path: PathBuf,
    },
    /// The file that is there is another logger's.
    #[error("{}: the file is the log of logger {theirs}, and this is logger {ours}; choose another name", path.display())]
    OtherDevice {
        /// The file.
        path: PathBuf,
        /// Whose it is.
        theirs: String,
        /// Who answers.
        ours: String,
    },
    /// The file knows records that the logger has not written yet.
    #[error(
        "{}: the file ends with record {last} and the logger with record {newest}: its memory was replaced or erased; choose another name",
        path.display()
    )]
    Ahead {
        /// The file.
        path: PathBuf,
        /// Last record in the file.
        last: u32,
        /// Newest record of the logger.
        newest: u32,
    },
    /// A start was asked for, but the file has one.
    #[error("{}: the file is there and goes on behind its last record; leave --from away, or choose another name", path.display())]
    HasStart {
        /// The file.
        path: PathBuf,
    },
}

/// What a download brought.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Downloaded {
    /// Number of the first record that was asked for.
    pub from: u32,
    /// Number behind the newest record.
    pub next: u32,
    /// Whether a file was there and went on.
    pub went_on: bool,
    /// What happened on the link, and how far it came.
    pub progress: Progress,
}

/// `NAME.part`.
pub fn part_of(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".part");
    PathBuf::from(name)
}

/// What is there already.
struct Held {
    origin: Origin,
    /// Which of the two files it is in.
    file: PathBuf,
    /// Bytes up to here are worth keeping.
    keep: u64,
    next: Option<u32>,
    identity: Option<DeviceIdentity>,
}

/// Where that is.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Origin {
    Nowhere,
    Part,
    Finished,
}

/// Downloads everything newer than what `path`, or its `.part`, holds; into a new file everything from number `from`
/// (the oldest record if `None`).
///
/// # Errors
/// See [`DownloadError`].
pub fn to_file<T: Transport>(
    session: &mut Session<T>,
    hello: &Hello,
    path: &Path,
    from: Option<u32>,
    progress: &mut dyn FnMut(&Progress),
) -> Result<Downloaded, DownloadError> {
    let part = part_of(path);
    let fail = |source| DownloadError::File { path: part.clone(), source };
    let Held { origin, file: held, keep, next, identity } = prepare(path, &part)?;
    if let Some(theirs) = identity.as_ref().filter(|theirs| theirs.serial != hello.identity.serial) {
        let (theirs, ours) = (theirs.serial.clone(), hello.identity.serial.clone());
        return Err(DownloadError::OtherDevice { path: held, theirs, ours });
    }
    if next.is_some() && from.is_some() {
        return Err(DownloadError::HasStart { path: held });
    }
    let extent = session.extent()?;
    if let Some(next) = next.filter(|next| *next > extent.next) {
        let (last, newest) = (next.saturating_sub(1), extent.next.saturating_sub(1));
        return Err(DownloadError::Ahead { path: held, last, newest });
    }
    let start = next.or(from).unwrap_or(extent.oldest);
    match origin {
        Origin::Nowhere => File::create(&part).map(drop),
        // The finished log stays as it is until the new one is whole.
        Origin::Finished => fs::copy(path, &part).map(drop),
        Origin::Part => Ok(()),
    }
    .map_err(fail)?;
    let mut file = OpenOptions::new().write(true).open(&part).map_err(fail)?;
    file.set_len(keep).and_then(|()| file.seek(SeekFrom::Start(keep))).map_err(fail)?;
    let mut writer = LogWriter::new(BufWriter::new(file));
    if identity.as_ref() != Some(&hello.identity) {
        writer.identity(&hello.identity.message()).map_err(fail)?;
    }
    let mut last = Progress::default();
    let fetched = session.fetch(start, &mut writer, &mut |now| {
        last = *now;
        progress(now);
    });
    let fetched = match fetched {
        Ok(extent) => writer.end(extent).map(|()| extent).map_err(FetchError::Sink),
        Err(error) => Err(error),
    };
    // Also when it was broken off: what had come is kept.
    let file = writer.into_sink().and_then(|buffer| buffer.into_inner().map_err(io::Error::from));
    let synced = file.and_then(|file| file.sync_all());
    let extent = fetched.map_err(|error| match error {
        FetchError::Device(error) => DownloadError::Device(error),
        FetchError::Sink(source) => DownloadError::File { path: part.clone(), source },
    })?;
    synced.map_err(fail)?;
    fs::rename(&part, path).map_err(fail)?;
    Ok(Downloaded { from: start, next: extent.next, went_on: next.is_some(), progress: last })
}

/// Looks what is there: a download that was broken off, or a finished log.
fn prepare(path: &Path, part: &Path) -> Result<Held, DownloadError> {
    for (file, origin) in [(part, Origin::Part), (path, Origin::Finished)] {
        // Others, such as devices, may never come to an end.
        match fs::metadata(file) {
            Ok(kind) if kind.is_dir() => {
                return Err(DownloadError::NoFile { path: file.to_owned(), what: "a folder" });
            }
            Ok(kind) if !kind.is_file() => {
                return Err(DownloadError::NoFile { path: file.to_owned(), what: "a device" });
            }
            _ => {}
        }
        let source = match File::open(file) {
            Ok(source) => source,
            Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
            Err(source) => return Err(DownloadError::File { path: file.to_owned(), source }),
        };
        let held = hold(source, file, origin)
            .map_err(|source| DownloadError::File { path: file.to_owned(), source })?;
        // A part without one intact frame is what a cut left of a download that had just begun.
        if held.keep == 0 && origin == Origin::Finished {
            return Err(DownloadError::NotALog { path: file.to_owned() });
        }
        if held.keep > 0 {
            return Ok(held);
        }
    }
    Ok(Held { origin: Origin::Nowhere, file: path.to_owned(), keep: 0, next: None, identity: None })
}

fn hold(source: impl io::Read, file: &Path, origin: Origin) -> io::Result<Held> {
    let mut held = Held { origin, file: file.to_owned(), keep: 0, next: None, identity: None };
    let mut reader = Reader::new(source);
    while let Some(entry) = reader.entry()? {
        match entry.content {
            Content::Identity(identity) => held.identity = Some(identity),
            Content::Records { first, records } => {
                held.next = held.next.max(Some(first.saturating_add(records.len() as u32)));
            }
            Content::Missing { to, .. } => held.next = held.next.max(Some(to)),
            Content::End(_) | Content::Damage(_) => continue,
        }
        held.keep = entry.end;
    }
    Ok(held)
}
