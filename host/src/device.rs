//! A session with a logger: over a serial port, over TCP, or with a board in this process.
//!
//! Requests are repeated when no answer comes; a port that vanishes is opened again. Both have limits, and what then
//! remains is an error that says what happened and what to do.

mod clock;
mod error;
mod fetch;
mod port;
mod session;
mod transport;

pub use clock::{Reading, Setting};
pub use error::DeviceError;
pub use fetch::{FetchError, Progress, Sink};
pub use port::Port;
pub use session::{Hello, LinkCounts, Patience, Session};
pub use transport::{Transport, Wired};
