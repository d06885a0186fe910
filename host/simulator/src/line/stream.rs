//! A socket or terminal of the operating system as a line.

use std::collections::VecDeque;
use std::io::{self, ErrorKind};
use std::net::TcpStream;

use embedded_io::{ErrorType, Read, ReadReady, Write, WriteReady};

use super::{Connection, LineError};

/// Bytes that wait, either way, before a sender finds no room.
const CAPACITY: usize = 2048;

/// What a hang-up of the other end means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Hangup {
    /// The connection is over: a socket.
    Ends,
    /// Nobody is there at the moment: the near end of a pseudo-terminal.
    Waits,
}

/// A stream that answers at once (a socket set to non-blocking, a terminal with a time-out of zero), as a line.
#[derive(Debug)]
pub struct StreamLine<S> {
    stream: S,
    hangup: Hangup,
    incoming: VecDeque<u8>,
    outgoing: VecDeque<u8>,
    gone: bool,
}

impl StreamLine<TcpStream> {
    /// A connected socket.
    ///
    /// # Errors
    /// The system cannot make it non-blocking.
    pub fn tcp(stream: TcpStream) -> io::Result<Self> {
        stream.set_nonblocking(true)?;
        stream.set_nodelay(true)?;
        Ok(Self::new(stream, Hangup::Ends))
    }
}

impl<S: io::Read + io::Write> StreamLine<S> {
    /// A stream whose reads and writes answer at once.
    pub const fn new(stream: S, hangup: Hangup) -> Self {
        Self { stream, hangup, incoming: VecDeque::new(), outgoing: VecDeque::new(), gone: false }
    }

    /// Takes in what has arrived.
    fn fill(&mut self) {
        let mut bytes = [0; 1024];
        // Also when bytes wait: only a read notices that the other end has gone.
        if self.incoming.len() >= CAPACITY || self.gone {
            return;
        }
        match self.stream.read(&mut bytes) {
            Ok(0) => self.hung_up(),
            Ok(count) => self.incoming.extend(bytes.iter().take(count)),
            Err(error) => self.failed(&error),
        }
    }

    /// Sends what there is room for.
    fn drain(&mut self) {
        while !self.outgoing.is_empty() && !self.gone {
            let (front, _) = self.outgoing.as_slices();
            match self.stream.write(front) {
                Ok(0) => return,
                Ok(count) => drop(self.outgoing.drain(..count)),
                Err(error) => return self.failed(&error),
            }
        }
    }

    fn failed(&mut self, error: &io::Error) {
        if !matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut | ErrorKind::Interrupted) {
            self.hung_up();
        }
    }

    fn hung_up(&mut self) {
        match self.hangup {
            Hangup::Ends => self.gone = true,
            // What nobody read is lost, as on a wire with nobody at its end.
            Hangup::Waits => self.outgoing.clear(),
        }
    }
}

impl<S> ErrorType for StreamLine<S> {
    type Error = LineError;
}

impl<S: io::Read + io::Write> ReadReady for StreamLine<S> {
    fn read_ready(&mut self) -> Result<bool, LineError> {
        self.drain();
        self.fill();
        Ok(!self.incoming.is_empty())
    }
}

impl<S: io::Read + io::Write> Read for StreamLine<S> {
    /// Takes what is there; nothing if nothing is.
    fn read(&mut self, buffer: &mut [u8]) -> Result<usize, LineError> {
        self.fill();
        let count = self.incoming.len().min(buffer.len());
        for (slot, byte) in buffer.iter_mut().zip(self.incoming.drain(..count)) {
            *slot = byte;
        }
        if count == 0 && self.gone { Err(LineError::Disconnected) } else { Ok(count) }
    }
}

impl<S: io::Read + io::Write> WriteReady for StreamLine<S> {
    fn write_ready(&mut self) -> Result<bool, LineError> {
        self.drain();
        Ok(self.outgoing.len() < CAPACITY)
    }
}

impl<S: io::Read + io::Write> Write for StreamLine<S> {
    /// Puts what there is room for.
    fn write(&mut self, bytes: &[u8]) -> Result<usize, LineError> {
        if self.gone {
            return Err(LineError::Disconnected);
        }
        let count = CAPACITY.saturating_sub(self.outgoing.len()).min(bytes.len());
        self.outgoing.extend(bytes.iter().take(count));
        self.drain();
        Ok(count)
    }

    fn flush(&mut self) -> Result<(), LineError> {
        self.drain();
        Ok(())
    }
}

impl<S: io::Read + io::Write> Connection for StreamLine<S> {
    fn is_gone(&self) -> bool {
        self.gone
    }
}
