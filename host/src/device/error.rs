//! What can go wrong with a logger at the other end of a line.

use thiserror::Error;

/// What went wrong, with which port. [`DeviceError::hint`] says what to do.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum DeviceError {
    /// The port's name makes no sense.
    #[error("{port}: not the name of a port ({why})")]
    Name {
        /// The port.
        port: String,
        /// What is wrong with it.
        why: String,
    },
    /// There is no such port.
    #[error("{port}: there is no such port ({why})")]
    NoSuchPort {
        /// The port.
        port: String,
        /// What the system says.
        why: String,
    },
    /// Another program has it.
    #[error("{port}: the port is taken by another program")]
    Taken {
        /// The port.
        port: String,
    },
    /// This user may not open it.
    #[error("{port}: this user may not open the port")]
    NotAllowed {
        /// The port.
        port: String,
    },
    /// The system refused it for another reason.
    #[error("{port}: the port cannot be opened ({why})")]
    CannotOpen {
        /// The port.
        port: String,
        /// What the system says.
        why: String,
    },
    /// It was there, and is not any more.
    #[error("{port}: the port has vanished ({why})")]
    Vanished {
        /// The port.
        port: String,
        /// What the system says.
        why: String,
    },
    /// No byte came.
    #[error("{port}: the logger is silent: no answer to {attempts} requests in {seconds:.1} s", seconds = *.milliseconds as f64 / 1000.0)]
    Silent {
        /// The port.
        port: String,
        /// Requests sent.
        attempts: u32,
        /// Waited for so long.
        milliseconds: u64,
    },
    /// Bytes came, but no intact frame.
    #[error("{port}: {bytes} bytes came, but nothing intact that answers a request")]
    Garbled {
        /// The port.
        port: String,
        /// Bytes that came.
        bytes: u64,
    },
    /// The user wants no more.
    #[error("{port}: stopped, as asked for")]
    Stopped {
        /// The port.
        port: String,
    },
    /// Intact frames came that this version does not understand at all.
    #[error("{port}: the logger speaks another language than this program (schema {})", hex(.schema))]
    OtherSchema {
        /// The port.
        port: String,
        /// Its schema, if it could be read.
        schema: Option<u64>,
    },
    /// The logger says that it does not know the request.
    #[error("{port}: the logger does not understand the request ({request})")]
    NotUnderstood {
        /// The port.
        port: String,
        /// The request.
        request: &'static str,
    },
    /// A value of the request is outside what the logger takes.
    #[error("{port}: the logger does not take that time: its clock goes from 2026 to 2099")]
    OutOfRange {
        /// The port.
        port: String,
    },
    /// It measures nothing yet.
    #[error("{port}: the logger has not measured a whole window yet")]
    NotYet {
        /// The port.
        port: String,
    },
    /// An answer holds what cannot be.
    #[error("{port}: the logger's answer makes no sense ({what})")]
    Nonsense {
        /// The port.
        port: String,
        /// What.
        what: &'static str,
    },
}

fn hex(schema: &Option<u64>) -> String {
    schema.map_or_else(|| "unknown".to_owned(), |schema| format!("{schema:016x}"))
}

impl DeviceError {
    /// What to do about it.
    pub fn hint(&self) -> &'static str {
        match self {
            Self::Name { .. } => {
                "give a serial port such as /dev/ttyUSB0 or COM3, or tcp:HOST:PORT such as tcp:127.0.0.1:4100"
            }
            Self::NoSuchPort { port, .. } if port.starts_with("tcp:") => {
                "check host and port, and start what serves it"
            }
            Self::NoSuchPort { .. } => {
                "plug the cable in, look which port the system gives it, and start what serves it"
            }
            Self::Taken { .. } => "close the other program, or wait until it is done",
            Self::NotAllowed { .. } => "give this user the right to it (on Linux usually the group dialout)",
            Self::CannotOpen { .. } => "check that this is the logger's port",
            Self::Vanished { .. } => {
                "plug the cable in again and repeat the command: it goes on where it stopped"
            }
            Self::Silent { .. } => {
                "check that this is the logger's port, that it has power, and the cable (RX and TX crossed)"
            }
            Self::Garbled { .. } => {
                "check the speed (--baud), the cable and its ground, and that this is the logger's port"
            }
            Self::Stopped { .. } => "repeat the command: it goes on where it stopped",
            Self::OtherSchema { .. } => "use a wyelog as new as the logger's firmware",
            Self::NotUnderstood { .. } => "use a wyelog that fits the logger's firmware",
            Self::OutOfRange { .. } => "set this computer's clock right first",
            Self::NotYet { .. } => "repeat the command in a second",
            Self::Nonsense { .. } => {
                "repeat the command; if it stays, use a wyelog as new as the logger's firmware"
            }
        }
    }
}
