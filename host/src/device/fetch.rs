//! Fetching records: by number, again and again from the first one that is still wanted.

use std::io;
use std::time::Duration;

use thiserror::Error;
use wyelog_protocol::message::{Extent, Reply, Request};

use super::{DeviceError, LinkCounts, Session, Transport};
use crate::log::{LogWriter, split_records};

/// Where records go, in the order of their numbers, each once.
pub trait Sink {
    /// One record.
    ///
    /// # Errors
    /// It cannot be kept.
    fn record(&mut self, sequence: u32, record: &[u8]) -> io::Result<()>;

    /// The logger has no records from `from` on up to, not including, `to`.
    ///
    /// # Errors
    /// It cannot be kept.
    fn missing(&mut self, from: u32, to: u32) -> io::Result<()>;
}

impl<W: io::Write> Sink for LogWriter<W> {
    fn record(&mut self, sequence: u32, record: &[u8]) -> io::Result<()> {
        Self::record(self, sequence, record)
    }

    fn missing(&mut self, from: u32, to: u32) -> io::Result<()> {
        Self::missing(self, from, to)
    }
}

/// How far a download is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Progress {
    /// Number of the first record wanted.
    pub from: u32,
    /// Number of the first record not fetched yet.
    pub next: u32,
    /// Number behind the last record wanted.
    pub to: u32,
    /// What happened on the link.
    pub link: LinkCounts,
}

/// Why a download stopped. What was fetched until then is in the sink.
#[derive(Debug, Error)]
pub enum FetchError {
    /// The logger, or the line to it.
    #[error(transparent)]
    Device(#[from] DeviceError),
    /// The sink.
    #[error(transparent)]
    Sink(io::Error),
}

/// What one reply of a stream brings.
enum Step {
    /// Go on listening.
    On,
    /// A frame was lost, or the stream has ended: ask again for what is still wanted.
    Again,
    /// The sink refuses.
    Failed(io::Error),
    /// The logger refuses.
    NotUnderstood,
}

/// When a record came last, and what had happened on the link until then.
#[derive(Clone, Copy)]
struct Last {
    at: Duration,
    counts: LinkCounts,
}

/// The stream of one request.
struct Stream<'s> {
    next: u32,
    to: u32,
    sink: &'s mut dyn Sink,
}

impl Stream<'_> {
    fn take(&mut self, reply: &Reply<'_>) -> Step {
        let result = match *reply {
            Reply::Records { first, bytes } if first == self.next => self.records(bytes),
            // Words for what is here already: a reply can be late, never early.
            Reply::Records { first, .. } if first < self.next => return Step::On,
            Reply::Missing { from, to } if from <= self.next => self.missing(to),
            Reply::NotUnderstood => return Step::NotUnderstood,
            _ => return Step::Again,
        };
        match result {
            Ok(()) if self.next >= self.to => Step::Again,
            Ok(()) => Step::On,
            Err(error) => Step::Failed(error),
        }
    }

    fn records(&mut self, bytes: &[u8]) -> io::Result<()> {
        // A frame that holds no records brings the download no further, and that is counted.
        for record in split_records(bytes).unwrap_or_default() {
            if self.next < self.to {
                self.sink.record(self.next, &record)?;
                self.next += 1;
            }
        }
        Ok(())
    }

    fn missing(&mut self, to: u32) -> io::Result<()> {
        let to = to.min(self.to);
        if to > self.next {
            self.sink.missing(self.next, to)?;
            self.next = to;
        }
        Ok(())
    }
}

impl<T: Transport> Session<T> {
    /// Fetches the records from `from` to the newest one there is now. Returns the extent at the start: its `next` is
    /// where the next download begins.
    ///
    /// Lost frames, wrong bytes and a vanished port cost time, never a record.
    ///
    /// # Errors
    /// Several requests in a row brought nothing, or the sink fails.
    pub fn fetch(
        &mut self,
        from: u32,
        sink: &mut dyn Sink,
        progress: &mut dyn FnMut(&Progress),
    ) -> Result<Extent, FetchError> {
        let extent = self.extent()?;
        let mut next = from;
        let mut idle = 0;
        // Long frames do not pass a line that turns over every second of them: then it is one record a time.
        let mut limit = u32::MAX;
        let mut last = Last { at: self.transport.now(), counts: self.counts };
        progress(&Progress { from, next, to: extent.next, link: self.counts });
        while next < extent.next {
            let to = next.saturating_add(limit).min(extent.next);
            let mut stream = Stream { next, to, sink };
            let outcome = self.stream((from, extent.next), &mut stream, progress);
            let reached = stream.next;
            if reached > next {
                (idle, limit) = (0, limit.saturating_mul(2));
                last = Last { at: self.transport.now(), counts: self.counts };
            } else {
                (idle, limit) = (idle + 1, 1);
            }
            next = reached;
            self.stopped()?;
            let gone = match outcome {
                Ok(Step::Failed(error)) => return Err(FetchError::Sink(error)),
                Ok(Step::NotUnderstood) => {
                    return Err(DeviceError::NotUnderstood { port: self.port(), request: "read log" }.into());
                }
                Ok(Step::On | Step::Again) => None,
                Err(error) => Some(self.recover(&error)?),
            };
            if next < to {
                self.counts.retries += 1;
                if let Some(error) = self.given_up(idle, last, gone) {
                    return Err(error.into());
                }
            }
        }
        Ok(extent)
    }

    /// What to say once enough requests in a row brought nothing. Where answers come damaged at once, they have to have
    /// done so for as long as a silent line is waited for.
    fn given_up(&self, idle: u32, last: Last, gone: Option<DeviceError>) -> Option<DeviceError> {
        let attempts = self.patience.attempts.max(1);
        let waited = self.transport.now().saturating_sub(last.at);
        let is_over = gone.is_some() || self.transport.is_idle() || waited >= self.patience.reply * attempts;
        if idle < attempts || !is_over {
            return None;
        }
        Some(gone.unwrap_or_else(|| {
            if self.counts.damaged_frames > last.counts.damaged_frames {
                DeviceError::Garbled { port: self.port(), bytes: self.counts.bytes - last.counts.bytes }
            } else {
                self.no_answer(idle, waited)
            }
        }))
    }

    /// One request and everything that comes of it; `from` and `to` are those of the whole download.
    fn stream(
        &mut self,
        (from, to): (u32, u32),
        stream: &mut Stream<'_>,
        progress: &mut dyn FnMut(&Progress),
    ) -> io::Result<Step> {
        self.send(Request::ReadLog { from: stream.next, limit: stream.to.saturating_sub(stream.next) })?;
        loop {
            let deadline = self.transport.now() + self.patience.reply;
            let Some(step) = self.receive(deadline, &mut |reply| Some(stream.take(&reply)))? else {
                return Ok(Step::Again);
            };
            progress(&Progress { from, next: stream.next, to, link: self.counts });
            if !matches!(step, Step::On) {
                return Ok(step);
            }
        }
    }
}
