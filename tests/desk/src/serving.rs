//! `wyelog serve` and who asks it, byte by byte over TCP.

use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use tempfile::TempDir;
use wyelog::store::Store;

use crate::binary;

/// Longest wait for anything here: a busy machine must not fail a test.
pub const PATIENCE: Duration = Duration::from_secs(120);

/// A folder with the store `desk` of these logs.
///
/// # Panics
/// It cannot be written.
pub fn desk<'l>(logs: impl IntoIterator<Item = impl AsRef<[u8]> + 'l>) -> TempDir {
    let folder = tempfile::tempdir().unwrap_or_else(|error| panic!("{error}"));
    for (number, log) in logs.into_iter().enumerate() {
        let path = folder.path().join(format!("{number}.log"));
        fs::write(&path, log).unwrap_or_else(|error| panic!("{error}"));
    }
    let mut paths = Vec::new();
    wyelog::store::collect_files(folder.path(), &mut paths);
    let store = Store::open_or_create(&folder.path().join("desk"));
    let taken = store.and_then(|mut store| store.writer()?.ingest_all(&paths, &mut |_| {}));
    taken.unwrap_or_else(|error| panic!("{error}"));
    folder
}

/// A server that runs until it is dropped.
#[derive(Debug)]
pub struct Served {
    child: Child,
    /// What it printed first.
    pub url: String,
    /// Where it listens.
    pub address: SocketAddr,
}

impl Served {
    /// Of the store `desk` in `folder`.
    ///
    /// # Panics
    /// It does not start, or its first line is no address.
    pub fn start(folder: &Path, words: &[&str]) -> Self {
        let mut command = Command::new(binary());
        command.args(["serve", "--store", "desk"]).args(words).current_dir(folder).stdout(Stdio::piped());
        let mut child = command.spawn().unwrap_or_else(|error| panic!("wyelog cannot be started: {error}"));
        let mut line = String::new();
        if let Some(out) = &mut child.stdout {
            let _ = BufReader::new(out).read_line(&mut line);
        }
        let url = line.trim_end().to_owned();
        let address = url.strip_prefix("http://").and_then(|rest| rest.split('/').next());
        let address = address.and_then(|address| address.parse().ok());
        let address = address.unwrap_or_else(|| panic!("no address: {line:?}"));
        Self { child, url, address }
    }

    /// The same once the store has been read.
    ///
    /// # Panics
    /// It is never read.
    pub fn ready(folder: &Path, words: &[&str]) -> Self {
        let served = Self::start(folder, words);
        let start = Instant::now();
        while served.get("/version").body.contains("\"version\":null") {
            assert!(start.elapsed() < PATIENCE, "the store is not read");
            std::thread::sleep(Duration::from_millis(20));
        }
        served
    }

    /// Number of the process.
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// Asks for a page as this PC would.
    ///
    /// # Panics
    /// There is no answer.
    pub fn get(&self, target: &str) -> Answer {
        self.ask("GET", target, &[])
    }

    /// Asks with further headers; one named `host` takes the place of the usual one.
    ///
    /// # Panics
    /// There is no answer.
    pub fn ask(&self, method: &str, target: &str, headers: &[(&str, &str)]) -> Answer {
        let mut request = format!("{method} {target} HTTP/1.1\r\nconnection: close\r\n");
        if !headers.iter().any(|(name, _)| *name == "host") {
            request.push_str(&format!("host: {}\r\n", self.address));
        }
        for (name, value) in headers {
            request.push_str(&format!("{name}: {value}\r\n"));
        }
        self.send(format!("{request}\r\n").as_bytes())
    }

    /// Sends bytes, and reads until the server closes.
    ///
    /// # Panics
    /// There is no answer.
    pub fn send(&self, request: &[u8]) -> Answer {
        let mut stream = TcpStream::connect(self.address).unwrap_or_else(|error| panic!("{error}"));
        let _ = stream.set_read_timeout(Some(PATIENCE));
        // One who is refused early does not take the rest.
        let _ = stream.write_all(request);
        let mut bytes = Vec::new();
        let mut piece = [0; 65_536];
        while let Ok(count) = stream.read(&mut piece) {
            if count == 0 {
                break;
            }
            bytes.extend_from_slice(piece.get(..count).unwrap_or_default());
        }
        Answer::of(&String::from_utf8_lossy(&bytes))
    }

    /// Tells it to stop as Ctrl-C does, and gives its exit code.
    ///
    /// # Panics
    /// It does not stop.
    pub fn stop(mut self) -> Option<i32> {
        let sent = Command::new("kill").args(["-INT", &self.pid().to_string()]).status();
        assert!(sent.is_ok_and(|status| status.success()));
        let start = Instant::now();
        loop {
            match self.child.try_wait() {
                Ok(Some(status)) => return status.code(),
                _ => assert!(start.elapsed() < PATIENCE, "it does not stop"),
            }
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// What a server answered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer {
    /// Its number.
    pub status: u16,
    /// Names in small letters, and values.
    pub headers: Vec<(String, String)>,
    /// What follows.
    pub body: String,
}

impl Answer {
    fn of(text: &str) -> Self {
        let (head, body) = text.split_once("\r\n\r\n").unwrap_or((text, ""));
        let mut lines = head.lines();
        let status = lines.next().and_then(|line| line.split(' ').nth(1)).and_then(|word| word.parse().ok());
        let status = status.unwrap_or_else(|| panic!("no answer: {text:?}"));
        let header = |line: &str| {
            let (name, value) = line.split_once(':')?;
            Some((name.to_ascii_lowercase(), value.trim().to_owned()))
        };
        Self { status, headers: lines.filter_map(header).collect(), body: body.to_owned() }
    }

    /// The value of a header.
    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers.iter().find(|(is, _)| is == name).map(|(_, value)| value.as_str())
    }
}
