//! One client after the other on a TCP port.

use std::io;
use std::net::{TcpListener, TcpStream};

use embedded_io::ReadReady;

use super::{Connection, FaultCounts, FaultyLine, LineFaults, StreamLine};

/// The line of whoever is connected at the moment; the faults go on from one to the next.
pub type ClientLine = FaultyLine<StreamLine<TcpStream>>;

/// Lets clients in, one at a time. Who comes while another is there is turned away at once.
#[derive(Debug)]
pub struct Clients {
    listener: TcpListener,
    line: ClientLine,
}

impl Clients {
    /// Clients of a listening port.
    ///
    /// # Errors
    /// The system cannot make it non-blocking.
    pub fn new(listener: TcpListener, faults: LineFaults) -> io::Result<Self> {
        listener.set_nonblocking(true)?;
        Ok(Self { listener, line: FaultyLine::unconnected(faults) })
    }

    /// Lets in or turns away who has come, and gives the line; it may have nobody at its end.
    ///
    /// # Errors
    /// The listener fails.
    pub fn line(&mut self) -> io::Result<&mut ClientLine> {
        let client = match self.listener.accept() {
            Ok((client, _)) => Some(client),
            Err(error)
                if matches!(error.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::ConnectionAborted) =>
            {
                None
            }
            Err(error) => return Err(error),
        };
        if let Some(client) = client {
            // Looking for bytes notices whether the client before has left meanwhile.
            let _ = self.line.read_ready();
            if self.line.is_gone() {
                self.line.reconnect(StreamLine::tcp(client)?);
            }
            // Else dropped, and so closed: somebody else is here.
        }
        Ok(&mut self.line)
    }

    /// What went wrong, as asked for.
    pub const fn counts(&self) -> FaultCounts {
        self.line.counts()
    }
}

/// Carries bytes both ways between two lines, as far as they go without waiting. Returns whether any went.
pub fn carry(a: &mut impl Connection, b: &mut impl Connection) -> bool {
    let there = carry_one_way(a, b);
    carry_one_way(b, a) || there
}

fn carry_one_way(from: &mut impl Connection, to: &mut impl Connection) -> bool {
    let mut carried = false;
    // As many bytes as a serial line takes in a hundredth of a second; then the other way gets its turn.
    for _ in 0..128 {
        let is_ready = from.read_ready().unwrap_or(false) && to.write_ready().unwrap_or(false);
        let mut byte = [0];
        if !is_ready || !matches!(from.read(&mut byte), Ok(1)) {
            break;
        }
        // A byte that the other side refuses is lost with its connection.
        carried = to.write(&byte).is_ok();
    }
    carried
}

#[cfg(test)]
mod tests {
    use super::super::memory_line;
    use super::*;
    use embedded_io::{Read, Write};

    #[test]
    fn carried_bytes_keep_their_order() {
        let (mut left, mut a) = memory_line();
        let (mut b, mut right) = memory_line();
        let sent: Vec<u8> = (0..=255).cycle().take(1000).collect();
        assert_eq!(left.write(&sent), Ok(1000));
        assert_eq!(right.write(b"back"), Ok(4));
        while carry(&mut a, &mut b) {}
        let mut bytes = [0; 1000];
        assert_eq!(right.read(&mut bytes), Ok(1000));
        assert_eq!(bytes.as_slice(), sent);
        assert_eq!(left.read(&mut bytes), Ok(4));
    }

    #[test]
    fn a_second_client_is_turned_away_and_a_later_one_let_in() {
        use std::io::{Read as _, Write as _};
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap();
        let mut clients = Clients::new(listener, LineFaults::NONE).unwrap();
        let mut first = TcpStream::connect(address).unwrap();
        while clients.line().unwrap().is_gone() {}
        let mut second = TcpStream::connect(address).unwrap();
        second.set_nonblocking(true).unwrap();
        let mut turned_away = false;
        for _ in 0..1000 {
            let _ = clients.line().unwrap();
            if matches!(second.read(&mut [0; 4]), Ok(0)) {
                turned_away = true;
                break;
            }
            std::thread::sleep(std::time::Duration::from_millis(1));
        }
        assert!(turned_away);
        first.write_all(b"x").unwrap();
        while !clients.line().unwrap().read_ready().unwrap() {}
        let mut byte = [0];
        assert_eq!(clients.line().unwrap().read(&mut byte), Ok(1));
        assert_eq!(byte, *b"x");
        drop(first);
        let mut third = TcpStream::connect(address).unwrap();
        third.write_all(b"y").unwrap();
        while !matches!(clients.line().unwrap().read(&mut byte), Ok(1)) {
            std::thread::sleep(std::time::Duration::from_millis(1));
        }
        assert_eq!(byte, *b"y");
        assert!(!clients.line().unwrap().is_gone());
    }
}
