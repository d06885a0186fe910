//! Two ends in one process.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

use embedded_io::{ErrorType, Read, ReadReady, Write, WriteReady};

use super::{Connection, LineError};

/// Bytes that wait in one direction before the sender finds no room: about what a serial driver holds.
const CAPACITY: usize = 4096;

/// One end of a byte pipe in memory. Both ends may be in different threads. Disconnected when the other is dropped.
#[derive(Debug)]
pub struct MemoryLine {
    incoming: Arc<Mutex<VecDeque<u8>>>,
    outgoing: Arc<Mutex<VecDeque<u8>>>,
}

/// Both ends of a new line.
pub fn memory_line() -> (MemoryLine, MemoryLine) {
    let (here, there) = (Arc::default(), Arc::default());
    let near = MemoryLine { incoming: Arc::clone(&here), outgoing: Arc::clone(&there) };
    (near, MemoryLine { incoming: there, outgoing: here })
}

impl MemoryLine {
    fn with<T>(queue: &Mutex<VecDeque<u8>>, work: impl FnOnce(&mut VecDeque<u8>) -> T) -> T {
        // A queue of bytes is whole whatever its other user was doing when it panicked.
        work(&mut queue.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

impl ErrorType for MemoryLine {
    type Error = LineError;
}

impl ReadReady for MemoryLine {
    fn read_ready(&mut self) -> Result<bool, LineError> {
        Ok(Self::with(&self.incoming, |queue| !queue.is_empty()))
    }
}

impl Read for MemoryLine {
    /// Takes what is there; nothing if nothing is.
    fn read(&mut self, buffer: &mut [u8]) -> Result<usize, LineError> {
        let count = Self::with(&self.incoming, |queue| {
            let count = queue.len().min(buffer.len());
            for (slot, byte) in buffer.iter_mut().zip(queue.drain(..count)) {
                *slot = byte;
            }
            count
        });
        if count == 0 && self.is_gone() { Err(LineError::Disconnected) } else { Ok(count) }
    }
}

impl WriteReady for MemoryLine {
    fn write_ready(&mut self) -> Result<bool, LineError> {
        Ok(Self::with(&self.outgoing, |queue| queue.len() < CAPACITY))
    }
}

impl Write for MemoryLine {
    /// Puts what there is room for.
    fn write(&mut self, bytes: &[u8]) -> Result<usize, LineError> {
        if self.is_gone() {
            return Err(LineError::Disconnected);
        }
        Ok(Self::with(&self.outgoing, |queue| {
            let count = CAPACITY.saturating_sub(queue.len()).min(bytes.len());
            queue.extend(bytes.iter().take(count));
            count
        }))
    }

    fn flush(&mut self) -> Result<(), LineError> {
        Ok(())
    }
}

impl Connection for MemoryLine {
    fn is_gone(&self) -> bool {
        Arc::strong_count(&self.incoming) < 2
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bytes_cross_in_order_and_both_ways() {
        let (mut a, mut b) = memory_line();
        assert_eq!(a.write(b"out"), Ok(3));
        assert_eq!(b.write(b"back"), Ok(4));
        let mut bytes = [0; 8];
        assert_eq!(b.read(&mut bytes), Ok(3));
        assert_eq!(&bytes[..3], b"out");
        assert_eq!(a.read(&mut bytes[..2]), Ok(2));
        assert_eq!(a.read(&mut bytes[2..]), Ok(2));
        assert_eq!(&bytes[..4], b"back");
        assert_eq!(a.read_ready(), Ok(false));
    }

    #[test]
    fn a_full_line_takes_no_more() {
        let (mut a, _b) = memory_line();
        assert_eq!(a.write(&[0; 5000]), Ok(CAPACITY));
        assert_eq!(a.write_ready(), Ok(false));
        assert_eq!(a.write(&[0; 1]), Ok(0));
    }

    #[test]
    fn a_dropped_end_disconnects_after_the_last_byte() {
        let (mut a, b) = memory_line();
        assert_eq!(a.write(b"x"), Ok(1));
        drop(a);
        let mut b = b;
        assert!(b.is_gone());
        assert_eq!(b.read(&mut [0; 4]), Ok(1));
        assert_eq!(b.read(&mut [0; 4]), Err(LineError::Disconnected));
        assert_eq!(b.write(b"y"), Err(LineError::Disconnected));
    }
}
