//! Any packets into the message handler, in sound frames: a length, so many bytes, and again.

use crate::logger::Bench;
use crate::packets::frames;

/// One input.
///
/// # Panics
/// The logger falls silent.
pub fn run(bytes: &[u8]) {
    let mut bench = Bench::new();
    frames(bytes, &mut |frame| {
        bench.send(frame);
    });
    bench.still_answers();
}
