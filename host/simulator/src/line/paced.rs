//! A serial line with a rate, on a clock of its own: hours of it pass in seconds, and always in the same way.
//!
//! A byte takes ten bits: a start bit, eight of data, a stop bit. The board's end has a transmit buffer of the size that boards
//! have; what arrives there is taken at once.

use std::cell::RefCell;
use std::collections::VecDeque;
use std::rc::Rc;

use embedded_io::{ErrorType, Read, ReadReady, Write, WriteReady};

use super::{Connection, LineError};

/// Bytes that the board may have waiting for the line.
const TRANSMIT_BUFFER: usize = 1024;
/// Bits that a byte takes.
const BITS: u64 = 10;

/// What is under way and what has arrived, each way.
#[derive(Debug, Default)]
struct Wire {
    to_board: VecDeque<u8>,
    at_board: VecDeque<u8>,
    to_host: VecDeque<u8>,
    at_host: VecDeque<u8>,
}

/// The board's end.
#[derive(Debug)]
pub struct PacedLine(Rc<RefCell<Wire>>);

/// The host's end.
#[derive(Debug)]
pub struct PacedEnd(Rc<RefCell<Wire>>);

/// Both ends of a new line.
pub fn paced_line() -> (PacedEnd, PacedLine) {
    let wire = Rc::<RefCell<Wire>>::default();
    (PacedEnd(Rc::clone(&wire)), PacedLine(wire))
}

fn shift(from: &mut VecDeque<u8>, to: &mut VecDeque<u8>, most: usize) {
    let count = most.min(from.len());
    to.extend(from.drain(..count));
}

impl PacedEnd {
    /// Nanoseconds that so many bytes take at `baud` bits a second.
    pub fn nanoseconds(bytes: u64, baud: u32) -> u64 {
        bytes * BITS * 1_000_000_000 / u64::from(baud.max(1))
    }

    /// Has bytes sent.
    pub fn send(&mut self, bytes: &[u8]) {
        self.0.borrow_mut().to_board.extend(bytes);
    }

    /// Lets the time of so many bytes pass, in both directions.
    pub fn pass(&mut self, bytes: usize) {
        let Wire { to_board, at_board, to_host, at_host } = &mut *self.0.borrow_mut();
        shift(to_board, at_board, bytes);
        shift(to_host, at_host, bytes);
    }

    /// Takes what has arrived.
    pub fn take(&mut self, buffer: &mut [u8]) -> usize {
        take(&mut self.0.borrow_mut().at_host, buffer)
    }

    /// Whether the other end has gone.
    pub fn is_gone(&self) -> bool {
        Rc::strong_count(&self.0) < 2
    }
}

fn take(queue: &mut VecDeque<u8>, buffer: &mut [u8]) -> usize {
    let count = queue.len().min(buffer.len());
    for (slot, byte) in buffer.iter_mut().zip(queue.drain(..count)) {
        *slot = byte;
    }
    count
}

impl ErrorType for PacedLine {
    type Error = LineError;
}

impl ReadReady for PacedLine {
    fn read_ready(&mut self) -> Result<bool, LineError> {
        Ok(!self.0.borrow().at_board.is_empty())
    }
}

impl Read for PacedLine {
    /// Takes what is there; nothing if nothing is.
    fn read(&mut self, buffer: &mut [u8]) -> Result<usize, LineError> {
        Ok(take(&mut self.0.borrow_mut().at_board, buffer))
    }
}

impl WriteReady for PacedLine {
    fn write_ready(&mut self) -> Result<bool, LineError> {
        Ok(self.0.borrow().to_host.len() < TRANSMIT_BUFFER)
    }
}

impl Write for PacedLine {
    /// Puts what there is room for.
    fn write(&mut self, bytes: &[u8]) -> Result<usize, LineError> {
        let queue = &mut self.0.borrow_mut().to_host;
        let count = TRANSMIT_BUFFER.saturating_sub(queue.len()).min(bytes.len());
        queue.extend(bytes.iter().take(count));
        Ok(count)
    }

    fn flush(&mut self) -> Result<(), LineError> {
        Ok(())
    }
}

impl Connection for PacedLine {
    fn is_gone(&self) -> bool {
        Rc::strong_count(&self.0) < 2
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bytes_take_their_time() {
        let (mut host, mut board) = paced_line();
        assert_eq!(board.write(&[7; 2000]), Ok(TRANSMIT_BUFFER));
        assert_eq!((board.write_ready(), host.take(&mut [0; 10])), (Ok(false), 0));
        host.pass(3);
        assert_eq!((board.write_ready(), host.take(&mut [0; 10])), (Ok(true), 3));
        host.send(b"ab");
        host.pass(1);
        let mut bytes = [0; 4];
        assert_eq!((board.read(&mut bytes), bytes), (Ok(1), *b"a\0\0\0"));
        // 115200 baud: 11 520 bytes a second.
        assert_eq!(PacedEnd::nanoseconds(11_520, 115_200), 1_000_000_000);
        drop(board);
        assert!(host.is_gone());
    }
}
