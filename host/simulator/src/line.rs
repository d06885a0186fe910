//! Lines: byte pipes between a simulated board and whoever talks to it.
//!
//! - [`MemoryLine`]: both ends in one process.
//! - [`PacedLine`]: the same with the rate of a serial line, on a clock of its own.
//! - [`StreamLine`]: a socket or a terminal of the operating system.
//! - [`FaultyLine`]: any of them, with what goes wrong on a real one.
//! - [`Clients`]: one client after the other on a TCP port.
//!
//! All implement the `embedded-io` traits that the firmware's link asks for, so the link runs on them unchanged.

mod clients;
mod faulty;
mod memory;
mod paced;
mod stream;

pub use clients::{ClientLine, Clients, carry};
pub use faulty::{FaultCounts, FaultyLine, LineFaults};
pub use memory::{MemoryLine, memory_line};
pub use paced::{PacedEnd, PacedLine, paced_line};
pub use stream::{Hangup, StreamLine};

use thiserror::Error;

/// Why a line carries nothing any more.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum LineError {
    /// The other end has gone.
    #[error("the line is disconnected; connect again")]
    Disconnected,
    /// The operating system says no.
    #[error("the line failed ({0}); connect again")]
    System(std::io::ErrorKind),
}

impl embedded_io::Error for LineError {
    fn kind(&self) -> embedded_io::ErrorKind {
        match self {
            Self::Disconnected => embedded_io::ErrorKind::BrokenPipe,
            Self::System(_) => embedded_io::ErrorKind::Other,
        }
    }
}

/// A line that knows whether it still has another end.
pub trait Connection: wyelog_firmware::keeper::Line {
    /// Whether it is disconnected for good.
    fn is_gone(&self) -> bool;
}
