//! From frames to numbers.
//!
//! Every frame goes into the [`history::History`]; [`cycles`] watches the frequency, [`half_cycle`] the rms of each
//! cycle, refreshed each half cycle. When a window of 10 or 12 cycles of the measured frequency ([`pace`]) is complete,
//! [`window`] resamples it to 1024 points and transforms them, a slice at each of the frames that follow, so that
//! no step is long; [`harmonics`] reads the transform.

pub mod cycles;
pub mod half_cycle;
pub mod harmonics;
pub mod history;
pub mod kernel;
pub mod pace;
pub mod position;
pub mod window;
