//! `wyelog emulate`, as a test has it beside itself.

use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};

use crate::binary;

/// `wyelog emulate`, killed when dropped.
#[derive(Debug)]
pub struct Emulate {
    child: Child,
    /// Where it serves.
    pub port: String,
}

impl Emulate {
    /// Starts it and waits for its port.
    ///
    /// # Panics
    /// It does not start.
    pub fn start(words: &[&str]) -> Self {
        let mut command = Command::new(binary());
        command.arg("emulate").args(words).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = command.spawn().expect("the tool starts");
        let mut port = String::new();
        let out = child.stdout.take().expect("a pipe");
        BufReader::new(out).read_line(&mut port).expect("a line");
        Self { child, port: port.trim_end().to_owned() }
    }

    /// Returns when it says so.
    ///
    /// # Panics
    /// It says something else, or has been asked before.
    pub fn wait_for_the_signal_to_end(&mut self) {
        let lines = BufReader::new(self.child.stderr.take().expect("a pipe")).lines();
        let said: Vec<String> = lines.map_while(Result::ok).take(1).collect();
        assert_eq!(said, ["wyelog: the signal has ended; the logger still answers"]);
    }

    /// Ends it as Ctrl-C does: what it holds is kept.
    ///
    /// # Panics
    /// It does not end well.
    #[cfg(unix)]
    pub fn interrupt(mut self) {
        let told = Command::new("kill").args(["-INT", &self.child.id().to_string()]).status();
        assert!(told.is_ok_and(|status| status.success()), "it has ended by itself");
        let status = self.child.wait().expect("a child of ours");
        assert!(status.success(), "{status}");
    }
}

impl Drop for Emulate {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
