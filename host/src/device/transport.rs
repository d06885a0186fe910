//! What a session needs of a line.

use std::io;
use std::sync::OnceLock;
use std::time::{Duration, Instant};

use embedded_io::{Read, Write};
use wyelog_simulator::board::Board;
use wyelog_simulator::line::{MemoryLine, memory_line};

use super::DeviceError;

/// A byte pipe to a logger, from the host's end.
pub trait Transport {
    /// Name for messages.
    fn name(&self) -> &str;

    /// Sends all bytes.
    ///
    /// # Errors
    /// The line is gone.
    fn send(&mut self, bytes: &[u8]) -> io::Result<()>;

    /// Takes what has come, waiting for something at most `limit`. Zero if nothing came.
    ///
    /// # Errors
    /// The line is gone.
    fn receive(&mut self, buffer: &mut [u8], limit: Duration) -> io::Result<usize>;

    /// Makes the line new after it was gone.
    ///
    /// # Errors
    /// It cannot be opened.
    fn reopen(&mut self) -> Result<(), DeviceError>;

    /// Whether `error` means that the other end did not want to talk at all, if nothing had come before it.
    fn is_turned_away(&self, _error: &io::Error) -> bool {
        false
    }

    /// Whether nothing will come however long one waits: never so on a real line.
    fn is_idle(&self) -> bool {
        false
    }

    /// Time by the line's clock, from some moment on. That of a simulated line runs by the bytes it carries.
    fn now(&self) -> Duration {
        static START: OnceLock<Instant> = OnceLock::new();
        START.get_or_init(Instant::now).elapsed()
    }

    /// Lets this time pass by.
    fn pause(&mut self, time: Duration) {
        std::thread::sleep(time);
    }
}

impl<T: Transport + ?Sized> Transport for &mut T {
    fn name(&self) -> &str {
        (**self).name()
    }

    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        (**self).send(bytes)
    }

    fn receive(&mut self, buffer: &mut [u8], limit: Duration) -> io::Result<usize> {
        (**self).receive(buffer, limit)
    }

    fn reopen(&mut self) -> Result<(), DeviceError> {
        (**self).reopen()
    }

    fn is_turned_away(&self, error: &io::Error) -> bool {
        (**self).is_turned_away(error)
    }

    fn is_idle(&self) -> bool {
        (**self).is_idle()
    }

    fn now(&self) -> Duration {
        (**self).now()
    }

    fn pause(&mut self, time: Duration) {
        (**self).pause(time);
    }
}

/// A board in this process. Its link is served while the host waits: no threads, no time.
#[derive(Debug)]
pub struct Wired<'w, 'b> {
    board: &'w mut Board<'b>,
    near: MemoryLine,
    far: MemoryLine,
}

impl<'w, 'b> Wired<'w, 'b> {
    /// A line to `board`.
    pub fn new(board: &'w mut Board<'b>) -> Self {
        let (near, far) = memory_line();
        Self { board, near, far }
    }
}

impl Transport for Wired<'_, '_> {
    fn name(&self) -> &str {
        "in this process"
    }

    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        let mut rest = bytes;
        while !rest.is_empty() {
            let sent = self.near.write(rest).map_err(io::Error::other)?;
            rest = rest.get(sent..).unwrap_or_default();
            if !rest.is_empty() && !self.board.serve(&mut self.far) {
                return Err(io::ErrorKind::WriteZero.into());
            }
        }
        Ok(())
    }

    fn receive(&mut self, buffer: &mut [u8], _limit: Duration) -> io::Result<usize> {
        loop {
            let busy = self.board.serve(&mut self.far);
            let count = self.near.read(buffer).map_err(io::Error::other)?;
            // A board that has nothing more to do answers nothing more, however long one waits.
            if count > 0 || !busy {
                return Ok(count);
            }
        }
    }

    fn reopen(&mut self) -> Result<(), DeviceError> {
        (self.near, self.far) = memory_line();
        Ok(())
    }

    fn is_idle(&self) -> bool {
        true
    }
}
