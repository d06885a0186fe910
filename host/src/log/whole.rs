//! A log file as a whole: its records, and everything that could not be read.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use thiserror::Error;
use wyelog_protocol::message::Extent;
use wyelog_protocol::record::{DecodeError, Envelope, Record};

use super::{Content, Damage, DeviceIdentity, Harm, Reader};
use crate::number;

/// Pieces of damage that are kept one by one; more are only counted.
const DAMAGE_KEPT: usize = 1000;

/// A file that is no log.
#[derive(Debug, Error)]
pub enum LogError {
    /// The operating system refused the file.
    #[error("{}: {source}; check the name and the rights of the file", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What the system answered.
        source: io::Error,
    },
    /// There is nothing in it.
    #[error("{}: the file is empty; download the log again", path.display())]
    Empty {
        /// The file.
        path: PathBuf,
    },
    /// Not one intact frame in it.
    #[error(
        "{}: this is not a wyelog log (no intact frame in {bytes} bytes); use a file that `wyelog download` wrote",
        path.display()
    )]
    NotALog {
        /// The file.
        path: PathBuf,
        /// Its length.
        bytes: u64,
    },
}

/// A record and its number.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sequenced {
    /// Number in the logger's log.
    pub sequence: u32,
    /// The record.
    pub record: Record,
}

/// What of a log could not be read.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Unread {
    /// Damaged pieces, the first thousand of them.
    pub damage: Vec<Damage>,
    /// How many damaged pieces there are.
    pub damaged_pieces: u64,
    /// Intact records of a kind and version that this program does not know, with their number.
    pub unknown: BTreeMap<(u8, u8), u64>,
    /// Numbers for which the file has neither a record nor the logger's word that there is none: first one, and
    /// first one behind.
    pub holes: Vec<(u32, u32)>,
    /// Whether the end mark is missing: the download was broken off, or the file was cut.
    pub is_cut: bool,
}

impl Unread {
    /// Whether everything was read.
    pub fn is_nothing(&self) -> bool {
        self.damaged_pieces == 0 && self.unknown.is_empty() && self.holes.is_empty() && !self.is_cut
    }

    /// Records that are known to have been lost to the holes.
    pub fn lost_records(&self) -> u64 {
        self.holes.iter().map(|(from, to)| u64::from(to.saturating_sub(*from))).sum()
    }

    /// Intact records that are not understood.
    pub fn unknown_records(&self) -> u64 {
        self.unknown.values().sum()
    }

    /// A sentence for each thing that is wrong, the first few of each kind.
    pub fn sentences(&self) -> Vec<String> {
        const SHOWN: usize = 5;
        let mut out: Vec<String> = self.damage.iter().take(SHOWN).map(Damage::to_string).collect();
        let more = self.damaged_pieces.saturating_sub(out.len() as u64);
        if more > 0 {
            out.push(number::count(more, "more damaged piece"));
        }
        for (from, to) in self.holes.iter().take(SHOWN) {
            out.push(match to.saturating_sub(*from) {
                1 => format!("record {from} is lost"),
                count => format!("records {from} to {} are lost ({count})", to.saturating_sub(1)),
            });
        }
        if let Some(rest) = self.holes.get(SHOWN..).filter(|rest| !rest.is_empty()) {
            out.push(format!("{} more", number::count(rest.len() as u64, "gap")));
        }
        for ((kind, version), count) in &self.unknown {
            out.push(format!(
                "{} of kind {kind} version {version} not known here: a newer logger wrote that; update wyelog",
                number::count(*count, "record")
            ));
        }
        if self.is_cut {
            out.push("the end mark is missing: the download was broken off or the file was cut".to_owned());
        }
        out
    }
}

/// A log.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Log {
    /// Who wrote it; `None` if that piece is damaged.
    pub identity: Option<DeviceIdentity>,
    /// The records, in order.
    pub records: Vec<Sequenced>,
    /// Numbers that the logger itself had no records for any more: first one, and first one behind.
    pub missing: Vec<(u32, u32)>,
    /// Extent of the logger's own log at the end of the download.
    pub end: Option<Extent>,
    /// What could not be read.
    pub unread: Unread,
    /// Bytes in the file.
    pub bytes: u64,
    intact: u64,
    next: Option<u32>,
}

impl Log {
    /// Reads a log file.
    ///
    /// # Errors
    /// The file cannot be read, or is no log at all; damage inside a log is no error but [`Log::unread`].
    pub fn read(path: &Path) -> Result<Self, LogError> {
        let file = |source| LogError::File { path: path.to_owned(), source };
        Self::of_file(path, File::open(path).map_err(file)?)
    }

    /// Reads a log from the content of the file `path`.
    ///
    /// # Errors
    /// As [`Log::read`].
    pub fn of_file(path: &Path, content: impl Read) -> Result<Self, LogError> {
        let file = |source| LogError::File { path: path.to_owned(), source };
        let log = Self::from_source(content).map_err(file)?;
        match (log.intact, log.bytes) {
            (0, 0) => Err(LogError::Empty { path: path.to_owned() }),
            (0, bytes) => Err(LogError::NotALog { path: path.to_owned(), bytes }),
            _ => Ok(log),
        }
    }

    /// Reads a log from anything.
    ///
    /// # Errors
    /// The source cannot be read.
    pub fn from_source(source: impl Read) -> io::Result<Self> {
        let mut reader = Reader::new(source);
        let mut log = Self::default();
        while let Some(entry) = reader.entry()? {
            let at = (entry.start, entry.end - entry.start);
            match entry.content {
                Content::Damage(harm) => log.damaged(at, harm),
                content => {
                    log.intact += 1;
                    log.take(at, content);
                }
            }
        }
        log.bytes = reader.offset();
        if let Some(end) = log.end {
            log.reach(end.next);
        }
        log.unread.is_cut = log.end.is_none();
        Ok(log)
    }

    /// Records that the logger's flash refused since its last start, by the end mark; `None` without one.
    pub fn refused(&self) -> Option<u32> {
        self.end.map(|end| end.refused)
    }

    /// A sentence about them, if there are any.
    pub fn refused_sentence(&self) -> Option<String> {
        let end = self.end.filter(|end| end.refused > 0)?;
        Some(format!(
            "the logger's flash has refused {} since start {}: measured, and lost for good; replace the logger before it \
             loses more",
            number::count(u64::from(end.refused), "record"),
            end.boot
        ))
    }

    /// Numbers of `from..to` that the logger itself had no records for any more.
    pub fn missing_records(&self, from: u32, to: u32) -> u64 {
        let part = |gap: &(u32, u32)| u64::from(gap.1.min(to).saturating_sub(gap.0.max(from)));
        self.missing.iter().map(part).sum()
    }

    /// A sentence about all of these, if there are any. They are no damage: a logger overwrites intervals first, and keeps
    /// events between them for longer, so that there may be thousands of gaps.
    pub fn missing_sentence(&self) -> Option<String> {
        let (first, last) = (self.missing.first()?.0, self.missing.last()?.1.saturating_sub(1));
        if let [(from, to)] = self.missing.as_slice() {
            return Some(format!("the logger has no records {from} to {} any more", to.saturating_sub(1)));
        }
        let count = self.missing_records(0, u32::MAX);
        Some(format!(
            "of the records {first} to {last} the logger has {count} no more ({}): it overwrites what is measured all the \
             time before events, operations and what happened to itself",
            number::count(self.missing.len() as u64, "gap")
        ))
    }

    fn take(&mut self, at: (u64, u64), content: Content) {
        // What follows an end mark belongs to a later download: the mark that counts is the last one.
        self.end = None;
        match content {
            Content::Identity(identity) => self.identity = Some(identity),
            Content::Records { first, records } => {
                for (sequence, bytes) in (first..=u32::MAX).zip(records) {
                    // A number twice: the first one counts.
                    if self.next.is_none_or(|next| sequence >= next) {
                        self.reach(sequence);
                        self.record(at, sequence, &bytes);
                        self.next = Some(sequence.saturating_add(1));
                    }
                }
            }
            Content::Missing { from, to } => {
                self.reach(from);
                self.missing.push((from, to));
                self.next = self.next.max(Some(to));
            }
            Content::End(extent) => self.end = Some(extent),
            Content::Damage(_) => {}
        }
    }

    fn record(&mut self, at: (u64, u64), sequence: u32, bytes: &[u8]) {
        match Envelope::parse(bytes).and_then(|(envelope, _)| envelope.decode()) {
            Ok(record) => self.records.push(Sequenced { sequence, record }),
            Err(DecodeError::Unknown { kind, version }) => {
                *self.unread.unknown.entry((kind, version)).or_default() += 1;
            }
            Err(error) => self.damaged(at, Harm::Record(error)),
        }
    }

    /// The log goes on at `sequence`: whatever lies between is a hole.
    fn reach(&mut self, sequence: u32) {
        if let Some(next) = self.next.filter(|next| *next < sequence) {
            self.unread.holes.push((next, sequence));
        }
    }

    fn damaged(&mut self, (start, length): (u64, u64), harm: Harm) {
        self.unread.damaged_pieces += 1;
        if self.unread.damage.len() < DAMAGE_KEPT {
            self.unread.damage.push(Damage { start, length, harm });
        }
    }
}

#[cfg(test)]
mod tests;
