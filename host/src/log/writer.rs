//! Writing a log file.

use std::io::{self, Write};

use wyelog_protocol::frame::{self, MAX_FRAME_BYTES};
use wyelog_protocol::message::{Extent, FromLogger, Identity, MAX_PACKET_BYTES, Reply};

/// Writes a log, frame by frame. Gaps that follow each other become one: a log does not depend on how often the
/// download had to ask.
#[derive(Debug)]
pub struct LogWriter<W: Write> {
    sink: W,
    gap: Option<(u32, u32)>,
}

impl<W: Write> LogWriter<W> {
    /// Nothing is written yet; [`LogWriter::identity`] goes first.
    pub const fn new(sink: W) -> Self {
        Self { sink, gap: None }
    }

    /// Who the logger is.
    ///
    /// # Errors
    /// What the sink answers, here as everywhere below.
    pub fn identity(&mut self, identity: &Identity<'_>) -> io::Result<()> {
        self.close_gap()?;
        self.frame(Reply::Identity(identity.clone()))
    }

    /// One record, as bytes.
    ///
    /// # Errors
    /// See [`LogWriter::identity`].
    pub fn record(&mut self, sequence: u32, record: &[u8]) -> io::Result<()> {
        self.close_gap()?;
        self.frame(Reply::Records { first: sequence, bytes: record })
    }

    /// The logger has no records from `from` on up to, not including, `to`.
    ///
    /// # Errors
    /// See [`LogWriter::identity`].
    pub fn missing(&mut self, from: u32, to: u32) -> io::Result<()> {
        match &mut self.gap {
            Some((_, end)) if *end == from => *end = to,
            _ => {
                self.close_gap()?;
                self.gap = Some((from, to));
            }
        }
        Ok(())
    }

    /// Everything asked for is there.
    ///
    /// # Errors
    /// See [`LogWriter::identity`].
    pub fn end(&mut self, extent: Extent) -> io::Result<()> {
        self.close_gap()?;
        self.frame(Reply::LogEnd(extent))?;
        self.sink.flush()
    }

    /// Writes what is still held back, and gives the sink back.
    ///
    /// # Errors
    /// See [`LogWriter::identity`].
    pub fn into_sink(mut self) -> io::Result<W> {
        self.close_gap()?;
        self.sink.flush()?;
        Ok(self.sink)
    }

    fn close_gap(&mut self) -> io::Result<()> {
        match self.gap.take() {
            Some((from, to)) => self.frame(Reply::Missing { from, to }),
            None => Ok(()),
        }
    }

    fn frame(&mut self, reply: Reply<'_>) -> io::Result<()> {
        let too_long = || io::Error::new(io::ErrorKind::InvalidInput, "longer than any record");
        let (mut packet, mut bytes) = ([0; MAX_PACKET_BYTES], [0; MAX_FRAME_BYTES]);
        let packet =
            postcard::to_slice(&FromLogger { number: 0, reply }, &mut packet).map_err(|_| too_long())?;
        let frame = frame::encode(packet, &mut bytes).ok_or_else(too_long)?;
        self.sink.write_all(frame)
    }
}
