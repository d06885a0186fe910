//! A line that goes wrong the way field lines do, by seed.
//!
//! # Fault model
//!
//! In both directions, each with its own probability for a byte:
//! - **Byte error**: one bit of it is flipped.
//! - **Lost byte**: it does not arrive.
//! - **Lost burst**: it and the bytes behind it, 1 to [`LineFaults::burst_bytes`] of them, do not arrive: an overrun
//!   buffer, a frame or several. It ends early where the sender pauses: coming in, when nothing more waits; going out,
//!   when the other end has said something.
//! - **Disconnect**: after every [`LineFaults::bytes_to_disconnect`] bytes the line is gone; what was under way is lost.
//!   [`FaultyLine::reconnect`] puts the next connection in its place; the faults go on where they were.
//!
//! Not modelled: bytes that nobody sent, bytes that change places, and delays.

use embedded_io::{ErrorType, Read, ReadReady, Write, WriteReady};
use rand_pcg::Pcg32;
use rand_pcg::rand_core::Rng;

use super::{Connection, LineError};

/// What goes wrong, and how often.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LineFaults {
    /// Seed of all of it.
    pub seed: u64,
    /// Probability of a flipped bit, for a byte: 0 to 1.
    pub byte_error: f64,
    /// Probability that a byte is lost: 0 to 1.
    pub byte_loss: f64,
    /// Probability that a burst is lost from a byte on: 0 to 1.
    pub burst_loss: f64,
    /// Longest lost burst in bytes.
    pub burst_bytes: u32,
    /// Bytes between two disconnects; `None` for never.
    pub bytes_to_disconnect: Option<u64>,
}

impl LineFaults {
    /// A line without faults.
    pub const NONE: Self = Self {
        seed: 1,
        byte_error: 0.0,
        byte_loss: 0.0,
        burst_loss: 0.0,
        burst_bytes: 1500,
        bytes_to_disconnect: None,
    };
}

/// What has gone wrong.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct FaultCounts {
    /// Bytes that entered the line.
    pub bytes: u64,
    /// Flipped bits.
    pub byte_errors: u64,
    /// Bytes lost, alone or in bursts.
    pub lost_bytes: u64,
    /// Disconnects.
    pub disconnects: u64,
}

/// Seen from whoever holds the line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Way {
    In,
    Out,
}

/// A line with faults.
#[derive(Debug)]
pub struct FaultyLine<L> {
    /// `None` after a disconnect: dropped, so that the other end notices.
    line: Option<L>,
    faults: LineFaults,
    random: Pcg32,
    /// Bytes of the present burst that are still to be lost, coming in and going out.
    bursts: [u32; 2],
    counts: FaultCounts,
}

impl<L> FaultyLine<L> {
    /// `line` with faults.
    pub fn new(line: L, faults: LineFaults) -> Self {
        Self { line: Some(line), ..Self::unconnected(faults) }
    }

    /// A line that waits for its first connection.
    pub fn unconnected(faults: LineFaults) -> Self {
        let random = Pcg32::new(faults.seed, 0xda3e_39cb_94b9_5bdb);
        Self { line: None, faults, random, bursts: [0; 2], counts: FaultCounts::default() }
    }

    /// The first connection, or the next one after a disconnect.
    pub fn reconnect(&mut self, line: L) {
        self.bursts = [0; 2];
        self.line = Some(line);
    }

    /// What has gone wrong so far.
    pub const fn counts(&self) -> FaultCounts {
        self.counts
    }

    fn happens(&mut self, probability: f64) -> bool {
        probability > 0.0 && f64::from(self.random.next_u32()) < probability * 4_294_967_296.0
    }

    /// What becomes of one byte: `None` if it is lost.
    fn pass(&mut self, byte: u8, way: Way) -> Option<u8> {
        self.counts.bytes += 1;
        if self.faults.bytes_to_disconnect.is_some_and(|every| self.counts.bytes.is_multiple_of(every.max(1)))
        {
            self.line = None;
            self.counts.disconnects += 1;
        }
        let [incoming, outgoing] = self.bursts;
        let mut burst = if way == Way::In { incoming } else { outgoing };
        if burst == 0 && self.happens(self.faults.burst_loss) {
            burst = 1 + self.random.next_u32() % self.faults.burst_bytes.max(1);
        }
        let left = burst.saturating_sub(1);
        // Who is spoken to pauses.
        self.bursts = if way == Way::In { [left, 0] } else { [incoming, left] };
        if burst > 0 {
            self.counts.lost_bytes += 1;
            return None;
        }
        if self.line.is_none() || self.happens(self.faults.byte_loss) {
            self.counts.lost_bytes += 1;
            return None;
        }
        if self.happens(self.faults.byte_error) {
            self.counts.byte_errors += 1;
            return Some(byte ^ 1 << (self.random.next_u32() % 8));
        }
        Some(byte)
    }
}

impl<L> ErrorType for FaultyLine<L> {
    type Error = LineError;
}

impl<L: Connection> FaultyLine<L> {
    fn line(&mut self) -> Result<&mut L, LineError> {
        self.line.as_mut().ok_or(LineError::Disconnected)
    }
}

impl<L: Connection> ReadReady for FaultyLine<L> {
    fn read_ready(&mut self) -> Result<bool, LineError> {
        let is_ready = self.line()?.read_ready().map_err(|_| LineError::Disconnected)?;
        if !is_ready {
            self.bursts = [0, self.bursts[1]];
        }
        Ok(is_ready)
    }
}

impl<L: Connection> Read for FaultyLine<L> {
    /// Takes what arrives: less than was there, or nothing.
    fn read(&mut self, buffer: &mut [u8]) -> Result<usize, LineError> {
        let count = self.line()?.read(buffer).map_err(|_| LineError::Disconnected)?;
        let mut kept = 0;
        for at in 0..count {
            let arrived = buffer.get(at).copied().and_then(|byte| self.pass(byte, Way::In));
            if let (Some(byte), Some(slot)) = (arrived, buffer.get_mut(kept)) {
                *slot = byte;
                kept += 1;
            }
        }
        Ok(kept)
    }
}

impl<L: Connection> WriteReady for FaultyLine<L> {
    fn write_ready(&mut self) -> Result<bool, LineError> {
        self.line()?.write_ready().map_err(|_| LineError::Disconnected)
    }
}

impl<L: Connection> Write for FaultyLine<L> {
    /// Takes all there is room for; what is lost counts as written.
    fn write(&mut self, bytes: &[u8]) -> Result<usize, LineError> {
        let mut written = 0;
        for byte in bytes {
            if !self.write_ready()? {
                break;
            }
            if let Some(byte) = self.pass(*byte, Way::Out) {
                self.line()?.write(&[byte]).map_err(|_| LineError::Disconnected)?;
            }
            written += 1;
        }
        Ok(written)
    }

    fn flush(&mut self) -> Result<(), LineError> {
        self.line()?.flush().map_err(|_| LineError::Disconnected)
    }
}

impl<L: Connection> Connection for FaultyLine<L> {
    fn is_gone(&self) -> bool {
        self.line.as_ref().is_none_or(Connection::is_gone)
    }
}

#[cfg(test)]
mod tests {
    use super::super::memory_line;
    use super::*;

    /// What arrives of 4000 zero bytes, and the counts.
    fn send(faults: LineFaults) -> (Vec<u8>, FaultCounts) {
        let (near, mut far) = memory_line();
        let mut line = FaultyLine::new(near, faults);
        let _ = line.write(&[0; 4000]);
        let mut bytes = vec![0; 4000];
        let count = far.read(&mut bytes).unwrap();
        bytes.truncate(count);
        (bytes, line.counts())
    }

    #[test]
    fn without_faults_nothing_changes() {
        let (bytes, counts) = send(LineFaults::NONE);
        assert_eq!(bytes, [0; 4000]);
        assert_eq!(counts, FaultCounts { bytes: 4000, ..FaultCounts::default() });
    }

    #[test]
    fn every_fault_happens_as_often_as_asked_and_by_seed() {
        let faults = LineFaults { byte_error: 0.05, byte_loss: 0.05, ..LineFaults::NONE };
        let (bytes, counts) = send(faults);
        // 200 expected of each, with a standard deviation of 14.
        assert!((150..250).contains(&counts.byte_errors), "{counts:?}");
        assert!((150..250).contains(&counts.lost_bytes), "{counts:?}");
        assert_eq!(bytes.len() as u64, 4000 - counts.lost_bytes);
        assert_eq!(bytes.iter().filter(|byte| byte.count_ones() == 1).count() as u64, counts.byte_errors);
        assert_eq!(send(faults).0, bytes);
        assert_ne!(send(LineFaults { seed: 2, ..faults }).0, bytes);
        let (_, counts) = send(LineFaults { burst_loss: 0.001, burst_bytes: 100, ..LineFaults::NONE });
        assert!(counts.lost_bytes > 10, "{counts:?}");
    }

    #[test]
    fn a_disconnect_lasts_until_the_next_connection() {
        let (near, _far) = memory_line();
        let faults = LineFaults { bytes_to_disconnect: Some(10), ..LineFaults::NONE };
        let mut line = FaultyLine::new(near, faults);
        assert_eq!(line.write(&[0; 20]), Err(LineError::Disconnected));
        assert!(line.is_gone());
        let (near, mut far) = memory_line();
        line.reconnect(near);
        assert_eq!(line.write(&[0; 9]), Ok(9));
        assert_eq!(far.read(&mut [0; 20]), Ok(9));
    }
}
