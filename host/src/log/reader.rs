//! Reading a log file, piece by piece, whatever has happened to it.

use std::fmt;
use std::io::{self, Read};

use wyelog_protocol::frame::{Decoder, FrameError};
use wyelog_protocol::message::{Extent, FromLogger, Reply};
use wyelog_protocol::record::{DecodeError, Envelope};

use super::DeviceIdentity;

/// One piece of a log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// Offset of its first byte in the file.
    pub start: u64,
    /// Offset behind its last byte, the closing zero included.
    pub end: u64,
    /// What it holds.
    pub content: Content,
}

/// What a piece of a log holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Content {
    /// Who wrote what follows.
    Identity(DeviceIdentity),
    /// Records with consecutive numbers, as bytes.
    Records {
        /// Number of the first.
        first: u32,
        /// The records.
        records: Vec<Vec<u8>>,
    },
    /// The logger has no records from `from` on up to, not including, `to`.
    Missing {
        /// First missing number.
        from: u32,
        /// First number behind.
        to: u32,
    },
    /// Everything asked for is there.
    End(Extent),
    /// Bytes that are none of these.
    Damage(Harm),
}

/// Why bytes are unreadable.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Harm {
    /// They are no frame.
    Frame(FrameError),
    /// An intact frame holds no message of a log that this version knows.
    Message,
    /// An intact frame holds a record that makes no sense.
    Record(DecodeError),
    /// The file ends inside a frame.
    Cut,
}

impl fmt::Display for Harm {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Frame(error) => error.fmt(f),
            Self::Message => f.write_str("no message of a log that this version knows"),
            Self::Record(error) => error.fmt(f),
            Self::Cut => f.write_str("the file ends inside a frame"),
        }
    }
}

/// A damaged piece of a log.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Damage {
    /// Offset of its first byte in the file.
    pub start: u64,
    /// Bytes.
    pub length: u64,
    /// What is wrong.
    pub harm: Harm,
}

impl fmt::Display for Damage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "byte {}: {} unreadable ({})",
            self.start,
            crate::number::count(self.length, "byte"),
            self.harm
        )
    }
}

/// Reads a log piece by piece. After damage of any kind it is in step again at the next frame.
pub struct Reader<R> {
    source: R,
    buffer: Vec<u8>,
    at: usize,
    offset: u64,
    start: u64,
    decoder: Decoder,
    is_over: bool,
}

impl<R> fmt::Debug for Reader<R> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Reader").field("offset", &self.offset).finish_non_exhaustive()
    }
}

impl<R: Read> Reader<R> {
    /// At the start of `source`. Reads are large: no buffer is needed below.
    pub const fn new(source: R) -> Self {
        Self {
            source,
            buffer: Vec::new(),
            at: 0,
            offset: 0,
            start: 0,
            decoder: Decoder::new(),
            is_over: false,
        }
    }

    /// Bytes read so far, those between pieces included.
    pub const fn offset(&self) -> u64 {
        self.offset
    }

    /// The next piece, `None` at the end.
    ///
    /// # Errors
    /// The source cannot be read.
    pub fn entry(&mut self) -> io::Result<Option<Entry>> {
        while let Some(byte) = self.byte()? {
            let content = match self.decoder.push(byte) {
                None => {
                    if byte == 0 {
                        self.start = self.offset;
                    }
                    continue;
                }
                Some(Ok(packet)) => content(packet),
                Some(Err(error)) => Content::Damage(Harm::Frame(error)),
            };
            let start = std::mem::replace(&mut self.start, self.offset);
            return Ok(Some(Entry { start, end: self.offset, content }));
        }
        if std::mem::replace(&mut self.is_over, true) || self.start == self.offset {
            return Ok(None);
        }
        Ok(Some(Entry { start: self.start, end: self.offset, content: Content::Damage(Harm::Cut) }))
    }

    fn byte(&mut self) -> io::Result<Option<u8>> {
        if self.at == self.buffer.len() && !self.is_over {
            self.buffer.resize(1 << 16, 0);
            let count = loop {
                match self.source.read(&mut self.buffer) {
                    Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                    other => break other?,
                }
            };
            self.buffer.truncate(count);
            self.at = 0;
        }
        let byte = self.buffer.get(self.at).copied();
        if byte.is_some() {
            self.at += 1;
            self.offset += 1;
        }
        Ok(byte)
    }
}

fn content(packet: &[u8]) -> Content {
    match postcard::from_bytes::<FromLogger<'_>>(packet).map(|message| message.reply) {
        Ok(Reply::Identity(identity)) => Content::Identity(DeviceIdentity::from(&identity)),
        Ok(Reply::Records { first, bytes }) => match split(bytes) {
            Ok(records) => Content::Records { first, records },
            Err(error) => Content::Damage(Harm::Record(error)),
        },
        Ok(Reply::Missing { from, to }) if from < to => Content::Missing { from, to },
        Ok(Reply::LogEnd(extent)) => Content::End(extent),
        _ => Content::Damage(Harm::Message),
    }
}

/// The records that lie one behind the other in `bytes`.
pub(crate) fn split(mut bytes: &[u8]) -> Result<Vec<Vec<u8>>, DecodeError> {
    let mut records = Vec::new();
    while !bytes.is_empty() {
        let (_, rest) = Envelope::parse(bytes)?;
        let (record, _) = bytes.split_at_checked(bytes.len() - rest.len()).ok_or(DecodeError::Truncated)?;
        records.push(record.to_vec());
        bytes = rest;
    }
    Ok(records)
}
