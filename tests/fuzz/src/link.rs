//! Any bytes into the logger's end of the link: each is served, none stops it.

use crate::logger::Bench;

/// One input.
///
/// # Panics
/// The logger falls silent.
pub fn run(bytes: &[u8]) {
    let mut bench = Bench::new();
    bench.send(bytes);
    bench.still_answers();
}
