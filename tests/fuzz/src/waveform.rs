//! Any bytes as the waveform of a capture: samples to the first error, and what was read packs to a waveform of the same samples.

use wyelog_protocol::waveform::{Packer, Sample, Samples};

/// One input.
///
/// # Panics
/// The samples are others when they are packed and read again.
pub fn run(bytes: &[u8]) {
    let samples: Vec<Sample> = Samples::new(bytes).map_while(Result::ok).collect();
    let mut packer = Packer::new();
    let taken = samples.iter().take_while(|sample| packer.push(**sample)).count();
    let waveform = packer.take();
    let again: Vec<Sample> =
        Samples::new(&waveform).map(|sample| sample.expect("our own waveform")).collect();
    assert_eq!(again, samples[..taken]);
}
