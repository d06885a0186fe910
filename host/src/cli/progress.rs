//! Progress on standard error: only on a terminal, and only for what takes longer than a quarter of a second.

use std::sync::mpsc;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// Before that nothing is shown.
const DELAY: Duration = Duration::from_millis(250);
/// Redrawn so often a second at most.
const HERTZ: u8 = 8;

/// A line that appears when it is worth it, and is gone when it is done.
#[derive(Debug)]
pub struct Progress {
    bar: ProgressBar,
    started: Instant,
    is_shown: bool,
}

impl Progress {
    /// Of `length` steps of `unit`.
    pub fn new(length: u64, unit: &str) -> Self {
        let bar = ProgressBar::with_draw_target(Some(length), ProgressDrawTarget::hidden());
        // The numbers first: on a narrow terminal it is the end that does not fit.
        let template = format!("{{percent:>3}} %, {{pos}} of {{len}} {unit}, {{eta}} left{{wide_msg}}");
        // A template that cannot be read leaves the plain bar.
        if let Ok(style) = ProgressStyle::with_template(&template) {
            bar.set_style(style);
        }
        Self { bar, started: Instant::now(), is_shown: false }
    }

    /// So far `done`; `message` is only made when it is shown.
    pub fn update(&mut self, done: u64, length: u64, message: impl FnOnce() -> String) {
        if !self.is_shown {
            if self.started.elapsed() < DELAY {
                return;
            }
            self.is_shown = true;
            self.bar.set_draw_target(ProgressDrawTarget::stderr_with_hz(HERTZ));
        }
        self.bar.set_length(length);
        self.bar.set_message(message());
        self.bar.set_position(done);
    }

    /// Seconds since the start.
    pub fn seconds(&self) -> f64 {
        self.started.elapsed().as_secs_f64()
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

/// Says that something is waited for, once it has taken a while.
#[derive(Debug)]
pub struct Waiting {
    done: mpsc::Sender<()>,
    shown: Option<JoinHandle<()>>,
}

impl Waiting {
    /// For `what`.
    pub fn for_what(what: String) -> Self {
        let (done, wait) = mpsc::channel();
        let shown = std::thread::spawn(move || {
            if wait.recv_timeout(DELAY) != Err(mpsc::RecvTimeoutError::Timeout) {
                return;
            }
            let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr_with_hz(HERTZ));
            bar.set_message(what);
            while wait.recv_timeout(DELAY) == Err(mpsc::RecvTimeoutError::Timeout) {
                bar.tick();
            }
            bar.finish_and_clear();
        });
        Self { done, shown: Some(shown) }
    }
}

impl Drop for Waiting {
    fn drop(&mut self) {
        // The thread waits for nothing else, so neither can fail.
        let _ = self.done.send(());
        if let Some(shown) = self.shown.take() {
            let _ = shown.join();
        }
    }
}
