//! Serial ports, and TCP where a serial line is carried over a network or a simulated board listens.

use std::io::{self, ErrorKind, Read, Write};
use std::net::{TcpStream, ToSocketAddrs};
use std::time::{Duration, Instant};

use serialport::SerialPort;

use super::{DeviceError, Transport};

/// How long a TCP connection may take, and a write.
const PATIENCE: Duration = Duration::from_secs(5);

/// An open port.
#[derive(Debug)]
pub struct Port {
    name: String,
    baud: u32,
    wire: Option<Wire>,
}

#[derive(Debug)]
enum Wire {
    Serial(Box<dyn SerialPort>),
    Tcp(TcpStream),
}

impl Port {
    /// Speed of a logger's serial line in bits a second, 8 data bits, no parity, one stop bit.
    pub const BAUD: u32 = 115_200;

    /// Opens `tcp:HOST:PORT`, or the serial port of that name for this program alone.
    ///
    /// # Errors
    /// What is wrong with the port, by kind.
    pub fn open(name: &str, baud: u32) -> Result<Self, DeviceError> {
        Ok(Self { name: name.to_owned(), baud, wire: Some(open(name, baud)?) })
    }
}

impl Transport for Port {
    fn name(&self) -> &str {
        &self.name
    }

    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        match self.wire.as_mut().ok_or(ErrorKind::NotConnected)? {
            Wire::Serial(port) => {
                port.set_timeout(PATIENCE)?;
                port.write_all(bytes)
            }
            Wire::Tcp(stream) => stream.write_all(bytes),
        }
    }

    fn receive(&mut self, buffer: &mut [u8], limit: Duration) -> io::Result<usize> {
        // The system takes a time-out of zero for 'for ever'.
        let limit = limit.max(Duration::from_millis(1));
        let started = Instant::now();
        let result = match self.wire.as_mut().ok_or(ErrorKind::NotConnected)? {
            Wire::Serial(port) => {
                port.set_timeout(limit)?;
                port.read(buffer)
            }
            Wire::Tcp(stream) => {
                stream.set_read_timeout(Some(limit))?;
                stream.read(buffer)
            }
        };
        match result {
            Ok(0) if !buffer.is_empty() => {
                Err(io::Error::new(ErrorKind::UnexpectedEof, "the other end has closed it"))
            }
            Err(error)
                if matches!(
                    error.kind(),
                    ErrorKind::WouldBlock | ErrorKind::TimedOut | ErrorKind::Interrupted
                ) =>
            {
                // A terminal whose other end is gone may answer at once and for ever that nothing came.
                if error.kind() != ErrorKind::Interrupted && started.elapsed() < limit / 2 {
                    std::thread::sleep(limit.min(Duration::from_millis(10)));
                }
                Ok(0)
            }
            other => other,
        }
    }

    fn reopen(&mut self) -> Result<(), DeviceError> {
        // Closed first: a serial port is opened for one user only.
        self.wire = None;
        self.wire = Some(open(&self.name, self.baud)?);
        Ok(())
    }

    /// A connection closed before a word: a simulated board, or a serial line's network end, turns the second one away
    /// so.
    fn is_turned_away(&self, error: &io::Error) -> bool {
        use ErrorKind::{BrokenPipe, ConnectionAborted, ConnectionReset, UnexpectedEof};
        let is_closed =
            matches!(error.kind(), UnexpectedEof | ConnectionReset | ConnectionAborted | BrokenPipe);
        is_closed && matches!(self.wire, Some(Wire::Tcp(_)))
    }
}

fn open(name: &str, baud: u32) -> Result<Wire, DeviceError> {
    match name.strip_prefix("tcp:") {
        Some(address) => connect(name, address).map(Wire::Tcp),
        None => serialport::new(name, baud)
            .timeout(PATIENCE)
            .open()
            .map(Wire::Serial)
            .map_err(|error| serial_error(name, &error)),
    }
}

fn connect(name: &str, address: &str) -> Result<TcpStream, DeviceError> {
    let port = || name.to_owned();
    let addresses: Vec<_> = address
        .to_socket_addrs()
        .map_err(|error| match error.kind() {
            ErrorKind::InvalidInput => DeviceError::Name { port: port(), why: error.to_string() },
            _ => DeviceError::NoSuchPort { port: port(), why: error.to_string() },
        })?
        .collect();
    let mut last = DeviceError::NoSuchPort { port: port(), why: "the host has no address".to_owned() };
    for address in addresses {
        match TcpStream::connect_timeout(&address, PATIENCE) {
            Ok(stream) => {
                let ready = stream.set_nodelay(true).and_then(|()| stream.set_write_timeout(Some(PATIENCE)));
                return match ready {
                    Ok(()) => Ok(stream),
                    Err(error) => Err(DeviceError::CannotOpen { port: port(), why: error.to_string() }),
                };
            }
            Err(error) if error.kind() == ErrorKind::ConnectionRefused => {
                last = DeviceError::NoSuchPort { port: port(), why: "nothing listens there".to_owned() };
            }
            Err(error) => last = DeviceError::CannotOpen { port: port(), why: error.to_string() },
        }
    }
    Err(last)
}

fn serial_error(name: &str, error: &serialport::Error) -> DeviceError {
    let (port, why) = (name.to_owned(), error.description.clone());
    match error.kind {
        serialport::ErrorKind::Io(ErrorKind::NotFound) => DeviceError::NoSuchPort { port, why },
        serialport::ErrorKind::Io(ErrorKind::PermissionDenied) => DeviceError::NotAllowed { port },
        // On Unix the crate says so when the port's lock is held; elsewhere when there is no such port.
        serialport::ErrorKind::NoDevice if cfg!(unix) => DeviceError::Taken { port },
        serialport::ErrorKind::NoDevice => DeviceError::NoSuchPort { port, why },
        _ => DeviceError::CannotOpen { port, why },
    }
}
